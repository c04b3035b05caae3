//! The power goes while days are sealed, put together to weeks, parted, revised and trimmed:
//! the history opens without a fault and tells what it told before or after the step that
//! was under way, reading by reading.

use history::weeks::monday;
use history::{Batch, History, Options, Selection};
use isobarn_tests::disk::Disk;
use isobarn_tests::power::{Loss, Notes};
use observation::property::{Deriving, Station};
use observation::time::{DAY, HOUR, MINUTE};
use observation::{
    Flag, Property, Quantity, Reading, Reasons, Series, SeriesIndex, Span, StationIndex, Statistic,
    Time,
};
use std::collections::hash_map::DefaultHasher;
use std::hash::{Hash, Hasher};
use std::path::{Path, PathBuf};
use std::process::Command;

/// 2026-03-01T00:00:00Z, a Sunday.
const START: Time = Time(20_513 * DAY);
const DAYS: i64 = 24;
/// Names the folder to the process whose disk is watched.
const FOLDER: &str = "ISOBARN_TESTS_CUT";
/// The test below.
const NAME: &str =
    "power_weeks::weeks_tell_what_they_told_after_the_power_went_while_they_were_made";

fn property() -> Property {
    let mut property = Property::default();
    for id in ["orchard", "ridge"] {
        property.stations.push(Station {
            id: id.into(),
            name: id.into(),
            latitude: 54.07,
            longitude: -2.28,
            elevation: 212.0,
            interval: Span::minutes(1),
            sleeps: false,
            oldest: Span::days(-31),
            newest: Span::minutes(1),
            time_zone: None,
            time_in_milliseconds: false,
            rate: 100.0,
            derive: Deriving::default(),
        });
    }
    property.indexed()
}

fn open(folder: &Path) -> (History, Vec<String>) {
    let options = Options { ballast: 0, ..Options::at(START) };
    let (mut history, opened) = History::open(folder, &options).expect("a history");
    let series: Vec<Series> = ["orchard", "ridge"]
        .iter()
        .flat_map(|station| (0..3).map(move |n| (station, n)))
        .map(|(station, n)| Series {
            station: (*station).to_owned(),
            instrument: format!("thermometer_{n}"),
            quantity: Quantity::AirTemperature,
            statistic: Statistic::Point,
            over: None,
            period: None,
        })
        .collect();
    history.register(START, &property(), &series, &[]).expect("names");
    (history, opened.repairs)
}

fn everything(history: &History) -> u64 {
    let mut hasher = DefaultHasher::new();
    let mut walk =
        history.look().walk(&Selection::between(Time(0), Time(i64::MAX / 4))).expect("readings");
    while let Some(part) = walk.next_part().expect("readings") {
        for kept in part {
            format!("{:?}", kept.reading).hash(&mut hasher);
        }
    }
    hasher.finish()
}

fn reading(random: &mut fastrand::Rng, series: u32, time: Time) -> Reading {
    Reading {
        series: SeriesIndex(series),
        time,
        value: Some(random.i64(-500..2_500)),
        flag: Flag::Good,
        reasons: Reasons::NONE,
        revision: 0,
        made_by: 1,
    }
}

/// Writes a history, and prints how long the notes of the disk were and what is told after
/// each step.
struct Writer {
    history: History,
    notes: PathBuf,
    received: Time,
}

impl Writer {
    fn done(&self) {
        let noted = std::fs::metadata(&self.notes).expect("the notes").len();
        println!("at {noted} {}", everything(&self.history));
    }

    fn commit(&mut self, readings: &[Reading]) {
        let received = self.received;
        let batch = Batch { received, walked: received, messages: &[], readings, set_aside: &[] };
        self.history.commit(&batch).expect("a commit");
        self.done();
    }

    fn seal(&mut self) {
        let today = self.received.utc_day();
        for day in self.history.look().days_to_seal(today).expect("days") {
            self.history.seal(day).expect("a sealed day");
            self.done();
        }
    }

    fn merge(&mut self) -> usize {
        let mut made = 0;
        for week in (monday(START.utc_day())..START.utc_day() + DAYS).step_by(7) {
            while self.history.merge(week).expect("a week").is_some() {
                made += 1;
                self.done();
            }
        }
        made
    }
}

/// What is cut, in a process whose disk is watched.
fn work(folder: &Path) {
    let notes = PathBuf::from(std::env::var_os("ISOBARN_DISK_LOG").expect("notes"));
    let mut random = fastrand::Rng::with_seed(2);
    let mut writer = Writer { history: open(folder).0, notes, received: START };
    writer.done();
    for part in 0..DAYS * 4 {
        let from = START + Span(part * 6 * HOUR);
        let times = (0..36).map(|n| from + Span(n * 10 * MINUTE));
        let of: Vec<Reading> = times
            .flat_map(|time| (0..6).map(move |series| (series, time)))
            .map(|(series, time)| reading(&mut random, series, time))
            .collect();
        writer.received = from + Span(6 * HOUR);
        writer.commit(&of);
    }
    writer.seal();
    assert_eq!(writer.merge(), 6, "three weeks of two stations");
    for day in [3, 4, 10, 16] {
        let late = reading(&mut random, 1, START + Span(day * DAY + MINUTE));
        writer.commit(&[late]);
    }
    writer.seal();
    assert_eq!(writer.merge(), 3, "the weeks of one station");
    let made: Vec<Reading> = (0..36)
        .map(|n| reading(&mut random, 4, START + Span(12 * DAY + n * 10 * MINUTE)))
        .collect();
    let differs = |old: &Reading, new: &Reading| old.value != new.value;
    let remade = writer
        .history
        .revise(StationIndex(1), START.utc_day() + 12, &made, &differs)
        .expect("a revised day");
    assert!(remade.readings > 30);
    writer.done();
    assert_eq!(writer.merge(), 1);
    let gone = writer.history.trim(0, START + Span(20 * DAY), u64::MAX).expect("room");
    assert!(gone > 70);
    writer.done();
    writer.history.close().expect("an end");
}

#[test]
fn weeks_tell_what_they_told_after_the_power_went_while_they_were_made() {
    // This test again, in a process of its own.
    if let Some(folder) = std::env::var_os(FOLDER) {
        return work(Path::new(&folder));
    }
    let seed = std::env::var("ISOBARN_TESTS_SEED").ok().and_then(|s| s.parse().ok()).unwrap_or(1);
    let long = std::env::var("ISOBARN_TESTS_LONG").is_ok_and(|l| l == "yes");
    let mut random = fastrand::Rng::with_seed(seed);
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("history");
    let disk = Disk::watch(&store, folder.path());
    let output = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", NAME, "--nocapture"])
        .env(FOLDER, &store)
        .envs(disk.environment())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
    let steps: Vec<(u64, u64)> = said
        .lines()
        .filter_map(|line| {
            let (noted, told) = line.split_once("at ")?.1.split_once(' ')?;
            Some((noted.parse().ok()?, told.parse().ok()?))
        })
        .collect();
    assert!(steps.len() > 130, "{} steps", steps.len());
    let notes = Notes::read(&disk.log);
    let cuts = if long { 2_000 } else { 120 };
    // Where weeks are made, for the most part: behind the last record of the days.
    let begun = steps[97].0;
    let mut places: Vec<u64> = std::iter::repeat_with(|| notes.any_place(&mut random))
        .filter(|&place| place > begun || place % 8 == 0)
        .take(cuts)
        .collect();
    places.sort_unstable();
    let (mut open_sectors, mut under_way) = (0, 0);
    notes.at_places(&places, |index, platter| {
        let target = tempfile::tempdir().unwrap();
        let loss = Loss::any(&mut random);
        open_sectors += platter.leave(&store, target.path(), loss, &mut random);
        let done = steps.partition_point(|step| step.0 <= places[index]);
        let Some(before) = done.checked_sub(1) else { return };
        let allowed: Vec<u64> = steps[before..].iter().take(2).map(|step| step.1).collect();
        let what = format!("seed {seed}, cut {index} at {}, after step {before}", places[index]);
        let (mut history, repairs) = self::open(target.path());
        for line in repairs {
            assert!(!line.contains("fit") && !line.contains("missing"), "{what}: {line}");
        }
        let told = everything(&history);
        assert!(allowed.contains(&told), "{what}");
        under_way += usize::from(allowed.first() != allowed.last());
        assert_eq!(history.look().verify(&mut |_| ()).unwrap(), Vec::<String>::new(), "{what}");
        // It goes on from there.
        for day in history.look().days_to_seal(START.utc_day() + DAYS).unwrap() {
            history.seal(day).unwrap();
        }
        for week in (monday(START.utc_day())..START.utc_day() + DAYS).step_by(7) {
            while history.merge(week).unwrap().is_some() {}
        }
        assert_eq!(everything(&history), told, "{what}: sealed and merged");
    });
    println!("{cuts} cuts, {open_sectors} sectors were not synced, {under_way} amid a change");
    assert!(open_sectors > cuts, "the cuts fell where something was under way");
}
