//! One mast with real faults that people labelled by hand: `demo_data.csv` and
//! `demo_cleaning_file.csv` of the Python package `brightwind` 2.7.0 (MIT). Ten-minute means of
//! six cups (two booms at 80, 60 and 40 m) and three vanes, taken together by the hour as the
//! service does. Each boom is judged as a property of three stations, its cups with the vanes
//! below them; what is learned is learned from the past only.

use crate::protocol::{Episode, note};
use crate::record::Record;
use observation::time::HOUR;
use observation::{Quantity, Time};
use quality::neighbours::{Kind, Limits, Neighbourhood, Site, Values};
use std::collections::{BTreeMap, HashMap};
use std::path::Path;

const LEVELS: [&str; 3] = ["80m", "60m", "40m"];
const VANES: [&str; 3] = ["Dir78mS", "Dir58mS", "Dir38mS"];
/// A failure should be told within so many hours.
const SOON: i64 = 48;
/// What begins so many hours after a labelled spell still belongs to it.
const AFTERWARDS: i64 = 48;

/// A spell that was labelled.
struct Label {
    sensor: String,
    reason: String,
    from: i64,
    to: i64,
}

/// The hour of a date and a time of day.
fn hour(text: &str) -> Result<i64, String> {
    let (date, clock) = text.trim().split_once(' ').ok_or(format!("no time in {text}"))?;
    let seconds = if clock.len() == 5 { ":00Z" } else { "Z" };
    let at =
        Time::parse(&format!("{date}T{clock}{seconds}")).map_err(|e| format!("{text}: {e:?}"))?;
    Ok(at.0.div_euclid(HOUR))
}

fn labels(folder: &Path) -> Result<Vec<Label>, String> {
    let path = folder.join("demo_cleaning_file.csv");
    let text = std::fs::read_to_string(&path).map_err(|e| format!("{}: {e}", path.display()))?;
    let mut found = Vec::new();
    for line in text.lines().skip(1).filter(|line| !line.trim().is_empty()) {
        let fields: Vec<&str> = line.split(',').collect();
        let [sensor, from, to, reason] = fields[..] else {
            return Err(format!("not four fields: {line}"));
        };
        let (sensor, reason) = (sensor.to_owned(), reason.trim().to_owned());
        found.push(Label { sensor, reason, from: hour(from)?, to: hour(to)? });
    }
    Ok(found)
}

/// Means by hour and column.
type Hours = BTreeMap<i64, HashMap<String, f64>>;

fn hours(folder: &Path) -> Result<Hours, String> {
    let path = folder.join("demo_data.csv");
    let text = std::fs::read_to_string(&path).map_err(|e| format!("{}: {e}", path.display()))?;
    let mut lines = text.lines();
    let names: Vec<&str> = lines.next().unwrap_or("").split(',').collect();
    let wanted: Vec<(usize, &str)> = names
        .iter()
        .enumerate()
        .filter(|(_, name)| {
            let cup = name.starts_with("Spd") && !name.ends_with("Std") && !name.ends_with("Max");
            cup || VANES.contains(name)
        })
        .map(|(place, name)| (place, *name))
        .collect();
    if wanted.len() != 9 {
        return Err(format!("{} columns of cups and vanes, not nine", wanted.len()));
    }
    let mut sums: BTreeMap<i64, HashMap<&str, (f64, f64, f64)>> = BTreeMap::new();
    for line in lines {
        let fields: Vec<&str> = line.split(',').collect();
        let row = sums.entry(hour(fields.first().copied().unwrap_or(""))?).or_default();
        for (place, name) in &wanted {
            let Some(value) = fields.get(*place).and_then(|f| f.parse::<f64>().ok()) else {
                continue;
            };
            let (first, second) =
                if name.starts_with("Dir") { value.to_radians().sin_cos() } else { (value, 0.0) };
            let sum = row.entry(name).or_default();
            *sum = (sum.0 + first, sum.1 + second, sum.2 + 1.0);
        }
    }
    let mean = |name: &str, (first, second, count): (f64, f64, f64)| {
        if name.starts_with("Dir") {
            first.atan2(second).to_degrees().rem_euclid(360.0)
        } else {
            first / count
        }
    };
    Ok(sums
        .into_iter()
        .map(|(hour, row)| {
            (hour, row.into_iter().map(|(n, sum)| (n.to_owned(), mean(n, sum))).collect())
        })
        .collect())
}

/// The record of one boom, `N` or `S`.
fn boom(hours: &Hours, boom: &str) -> Option<Record> {
    let (first, last) = (*hours.keys().next()?, *hours.keys().next_back()?);
    let cups = LEVELS.map(|level| format!("Spd{level}{boom}"));
    let of = |hour: i64, name: &str| {
        hours.get(&hour).and_then(|row| row.get(name)).copied().unwrap_or(f64::NAN)
    };
    let rows = (first..=last)
        .map(|hour| {
            let level = |(cup, vane): (&String, &&str)| Values {
                speed: of(hour, cup),
                direction: of(hour, vane),
                ..Values::MISSING
            };
            cups.iter().zip(&VANES).map(level).collect()
        })
        .collect();
    // Where the mast stands is not told: the solar hour is that of the clock.
    let site = Site { latitude: 0.0, longitude: 0.0, elevation: 0.0 };
    Some(Record::of(Time(first * HOUR), rows, vec![site; 3], cups.to_vec()))
}

/// The sensor that an episode names.
fn sensor(record: &Record, episode: &Episode) -> Option<String> {
    let station = episode.suspicion.station?;
    Some(if episode.suspicion.quantity == Quantity::WindFromDirection {
        VANES[station].to_owned()
    } else {
        record.names[station].clone()
    })
}

fn belongs(label: &Label, sensor: &str) -> bool {
    label.sensor == "All" || sensor.starts_with(&label.sensor)
}

/// Prints what was told of the mast.
pub(crate) fn evaluate(folder: &Path, limits: &Limits) -> Result<(), String> {
    let (hours, labels) = (hours(folder)?, labels(folder)?);
    for side in ["N", "S"] {
        let record = boom(&hours, side).ok_or("the record is empty")?;
        let first = record.time(0).0 / HOUR;
        let mut state = Neighbourhood::new(&record.sites, 1, limits);
        let mut episodes = Vec::new();
        for (hour, values) in record.hours.iter().enumerate() {
            let verdict = state.take(record.time(hour), values, limits);
            note(&mut episodes, hour, &verdict);
        }
        println!("\nboom {side}: {} hours", record.hours.len());
        print(&record, first, &episodes, &labels, side);
    }
    Ok(())
}

fn print(record: &Record, first: i64, episodes: &[Episode], labels: &[Label], side: &str) {
    let at = |e: &Episode| first + e.opened as i64;
    // A cup is of one boom; the vanes stand under both.
    let failures = labels.iter().filter(|l| {
        let here = !l.sensor.starts_with("Spd") || l.sensor.ends_with(side);
        l.reason == "Invalid" && here
    });
    for label in failures {
        let own = |e: &&Episode| sensor(record, e).is_some_and(|s| belongs(label, &s));
        let told = episodes.iter().filter(own).find(|e| at(e) >= label.from && at(e) <= label.to);
        match told {
            Some(e) => println!(
                "{} failed: {} after {} h ({:?}, confidence {:.2}){}",
                label.sensor,
                sensor(record, e).unwrap_or_default(),
                at(e) - label.from,
                e.suspicion.kind,
                e.suspicion.confidence,
                if at(e) - label.from > SOON { ", too late" } else { "" }
            ),
            None => println!("{} failed: not told", label.sensor),
        }
    }
    let icing: Vec<&Label> = labels.iter().filter(|l| l.reason == "Icing").collect();
    let within = |label: &Label, e: &Episode| {
        (label.from..=label.to + AFTERWARDS).contains(&at(e))
            && sensor(record, e).is_none_or(|s| belongs(label, &s))
    };
    for label in icing.iter().filter(|l| l.sensor == "Spd") {
        let said: Vec<String> = episodes
            .iter()
            .filter(|e| icing.iter().any(|l| l.from == label.from && within(l, e)))
            .map(|e| {
                let name = sensor(record, e).unwrap_or_else(|| "-".to_owned());
                format!("{name} {:?} after {} h", e.suspicion.kind, at(e) - label.from)
            })
            .collect();
        let words = if said.is_empty() { "nothing".to_owned() } else { said.join(", ") };
        println!("icing of {} h from {}: {words}", label.to - label.from, day(label.from));
    }
    let mut months = 0.0;
    let learned = first + 45 * 24;
    for hour in learned..first + record.hours.len() as i64 {
        let labelled = labels.iter().any(|l| (l.from..=l.to + AFTERWARDS).contains(&hour));
        months += if labelled { 0.0 } else { 3.0 / 730.5 };
    }
    let mut counts = [0; 2];
    for e in episodes {
        let labelled = |l: &Label| {
            let own = sensor(record, e).is_none_or(|s| belongs(l, &s));
            (l.from..=l.to + AFTERWARDS).contains(&at(e)) && own
        };
        if !labels.iter().any(labelled) {
            let vane = e.suspicion.quantity == Quantity::WindFromDirection;
            counts[usize::from(vane)] += 1;
            println!(
                "  {} {} {:?} {}size {:+.2} confidence {:.2} to {:.2} for {} h",
                day(at(e)),
                sensor(record, e).unwrap_or_else(|| "-".to_owned()),
                e.suspicion.kind,
                e.charted.map_or(String::new(), |c| format!("({}) ", c.word())),
                if e.suspicion.kind == Kind::Stuck {
                    f64::NAN
                } else {
                    e.suspicion.size.unwrap_or(f64::NAN)
                },
                e.suspicion.confidence,
                e.surest,
                e.closed.min(record.hours.len()) - e.opened
            );
        }
    }
    println!(
        "outside of what is labelled (clean: {months:.1} months of a level): cups {}, vanes {}",
        counts[0], counts[1]
    );
}

fn day(hour: i64) -> String {
    Time(hour * HOUR).to_string().chars().take(13).collect()
}
