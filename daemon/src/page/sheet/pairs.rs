//! How pairs of neighbours differ, in the band that is usual between them, the most
//! unusual first; and what a diagnosis rests on, drawn.

use super::figures::{plain, signed};
use super::roles::Role;
use super::source::Source;
use crate::page::graphics::Point;
use crate::page::graphics::strip::{Strip, drawn};
use history::{Look, ReadError, Selection};
use maud::{Markup, html};
use observation::reading::from_steps;
use observation::time::HOUR;
use observation::{Diagnosis, Property, Quantity, Reading, SeriesIndex, Span, Time};
use quality::pairs::{Both, Comparison, compare, difference};
use std::collections::{BTreeMap, HashMap};
use std::ops::ControlFlow;

/// Fewest common hours of which something is usual.
const LEAST: usize = 12;
/// Most strips.
const MOST: usize = 6;
/// Most readings that strips may cost.
const ENOUGH: usize = 400_000;
/// Days shown before what a diagnosis speaks of began.
const BEFORE: Span = Span::days(5);
/// Half the width of a band, in spreads.
const WIDE: f64 = 2.0;

/// Means of hours, by the hour's number since 1970.
type Hours = BTreeMap<i64, f64>;

/// Two stations and one quantity.
pub struct Pair {
    stations: [String; 2],
    quantity: Quantity,
    hours: Vec<Both>,
    usual: Comparison,
}

/// A diagnosis drawn.
pub struct Evidence {
    /// Which diagnosis, by its place in the list.
    pub place: usize,
    quantity: Quantity,
    from: Time,
    to: Time,
    since: Time,
    differences: Vec<(i64, f64)>,
    band: Option<(f64, f64)>,
}

/// The hour that an instant belongs to, by number since 1970: an end to the hour before.
fn hour_of(time: Time) -> i64 {
    (time.0 - 1).div_euclid(HOUR)
}

fn hourly(
    look: &Look<'_>,
    series: &[SeriesIndex],
    from: Time,
    to: Time,
    all: bool,
) -> Result<HashMap<SeriesIndex, Hours>, ReadError> {
    let selection =
        Selection { series: series.to_vec(), ..Selection::between(from + Span(1), to + Span(1)) };
    let mut sums: HashMap<(SeriesIndex, i64), (f64, u32)> = HashMap::new();
    let mut read = 0;
    look.by_series(&selection, &mut |index, run| {
        let Some(quantity) = look.names().series(index).map(|s| s.quantity) else {
            return ControlFlow::Continue(());
        };
        read += run.len();
        // What is suspected does not count, but it is what a diagnosis shows.
        let counts = |r: &&Reading| r.value.is_some() && (all || r.flag.counts());
        for hour in run.chunk_by(|a, b| hour_of(a.time) == hour_of(b.time)) {
            let Some(first) = hour.first() else { continue };
            let sum = sums.entry((index, hour_of(first.time))).or_default();
            for reading in hour.iter().filter(counts) {
                let steps = reading.value.unwrap_or_default();
                sum.0 += from_steps(steps, quantity.decimals());
                sum.1 += 1;
            }
        }
        if read > ENOUGH { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    })?;
    sums.retain(|_, (_, count)| *count > 0);
    let mut found: HashMap<SeriesIndex, Hours> = HashMap::new();
    for ((series, hour), (sum, count)) in sums {
        found.entry(series).or_default().insert(hour, sum / f64::from(count));
    }
    Ok(found)
}

/// The series of a role at each station that has one.
fn everywhere(look: &Look<'_>, property: &Property, role: Role) -> Vec<(String, SeriesIndex)> {
    property
        .stations
        .iter()
        .filter_map(|station| {
            let (index, series) = role.choose(look.names(), property, &station.id)?;
            (series.station == station.id).then_some((station.id.clone(), index))
        })
        .collect()
}

/// All pairs that have enough hours in common, the most unusual first.
///
/// # Errors
/// When the history cannot be read.
pub fn read(
    look: &Look<'_>,
    property: &Property,
    from: Time,
    to: Time,
) -> Result<Vec<Pair>, ReadError> {
    let roles = [Role::Temperature, Role::Humidity, Role::Pressure];
    let chosen: Vec<Vec<(String, SeriesIndex)>> = roles
        .iter()
        .map(|role| {
            let mut all = everywhere(look, property, *role);
            // Pressures at two heights are not to be compared.
            let quantity = |index| look.names().series(index).map(|s| s.quantity);
            all.retain(|(_, index)| quantity(*index) != Some(Quantity::SurfaceAirPressure));
            all
        })
        .filter(|s| s.len() > 1)
        .collect();
    let series: Vec<SeriesIndex> = chosen.iter().flatten().map(|s| s.1).collect();
    if series.is_empty() {
        return Ok(Vec::new());
    }
    let hours = hourly(look, &series, from, to, false)?;
    let mut pairs = Vec::new();
    for list in &chosen {
        for (place, (first, left)) in list.iter().enumerate() {
            for (second, right) in list.iter().skip(place + 1) {
                let names = look.names();
                let Some((one, other)) = names.series(*left).zip(names.series(*right)) else {
                    continue;
                };
                let (Some(a), Some(b)) = (hours.get(left), hours.get(right)) else { continue };
                if one.quantity != other.quantity {
                    continue;
                }
                let both: Vec<Both> = a
                    .iter()
                    .filter_map(|(hour, value)| {
                        Some(Both {
                            time: Time(hour * HOUR),
                            first: *value,
                            second: *b.get(hour)?,
                            wind: None,
                            direction: None,
                            sun: 0.0,
                        })
                    })
                    .collect();
                let usual = compare(one.quantity, both.iter()).filter(|u| u.count >= LEAST);
                let Some(usual) = usual else { continue };
                pairs.push(Pair {
                    stations: [first.clone(), second.clone()],
                    quantity: one.quantity,
                    hours: both,
                    usual,
                });
            }
        }
    }
    pairs.sort_by(|a, b| b.unusual().total_cmp(&a.unusual()));
    pairs.truncate(MOST);
    Ok(pairs)
}

impl Pair {
    /// How many spreads the last hour is from what is usual.
    fn unusual(&self) -> f64 {
        let last = self.hours.last().map_or(0.0, |b| difference(self.quantity, b));
        (last - self.usual.bias).abs() / self.usual.spread.max(0.01)
    }
}

/// What diagnoses of an instrument rest on: its hours less the median of the same
/// quantity at the other stations.
///
/// # Errors
/// When the history cannot be read.
pub fn evidence(
    look: &Look<'_>,
    property: &Property,
    diagnoses: &[Diagnosis],
    now: Time,
) -> Result<Vec<Evidence>, ReadError> {
    let mut found = Vec::new();
    for (place, said) in diagnoses.iter().enumerate().take(3) {
        let Some((station, instrument)) = said.station.as_ref().zip(said.instrument.as_ref())
        else {
            continue;
        };
        let Some(role) = property
            .station(station)
            .and_then(|s| {
                property.instruments.iter().find(|i| i.station == s && i.id == *instrument)
            })
            .and_then(|i| Role::of(i.quantity))
        else {
            continue;
        };
        let list = everywhere(look, property, role);
        let Some(own) = list.iter().find(|(id, _)| id == station).map(|(_, s)| *s) else {
            continue;
        };
        let others: Vec<SeriesIndex> = list.iter().map(|(_, s)| *s).filter(|s| *s != own).collect();
        let Some(quantity) = look.names().series(own).map(|s| s.quantity) else { continue };
        let since = said.since;
        let (from, to) = (since - BEFORE, now.min(since + Span::days(10)));
        let series: Vec<SeriesIndex> = list.iter().map(|(_, s)| *s).collect();
        let hours = hourly(look, &series, from, to, true)?;
        let Some(mine) = hours.get(&own) else { continue };
        let differences: Vec<(i64, f64)> = mine
            .iter()
            .filter_map(|(hour, value)| {
                let theirs: Vec<f64> =
                    others.iter().filter_map(|s| hours.get(s)?.get(hour).copied()).collect();
                let middle = meteorology::statistics::median(&theirs)?;
                let both = Both {
                    time: Time(hour * HOUR),
                    first: *value,
                    second: middle,
                    wind: None,
                    direction: None,
                    sun: 0.0,
                };
                Some((*hour, difference(quantity, &both)))
            })
            .collect();
        let before: Vec<f64> =
            differences.iter().filter(|(hour, _)| hour * HOUR < since.0).map(|d| d.1).collect();
        let band = meteorology::statistics::median(&before)
            .zip(meteorology::statistics::scaled_deviation(&before))
            .filter(|_| before.len() >= LEAST)
            .map(|(middle, spread)| (middle, spread * WIDE));
        found.push(Evidence { place, quantity, from, to, since, differences, band });
    }
    Ok(found)
}

fn lines(values: impl Iterator<Item = (i64, f64)>, from: Time, to: Time) -> Vec<Vec<Point>> {
    let mut lines: Vec<Vec<Point>> = Vec::new();
    let mut last = None;
    for (hour, value) in values {
        if last != Some(hour - 1) {
            lines.push(Vec::new());
        }
        last = Some(hour);
        let middle = Time(hour * HOUR + HOUR / 2);
        let share = (middle - from).0 as f64 / (to - from).0.max(1) as f64;
        if let Some(line) = lines.last_mut() {
            line.push((share.clamp(0.0, 1.0), value));
            if line.len() == 1 {
                line.push(((share + 0.002).clamp(0.0, 1.0), value));
            }
        }
    }
    lines
}

/// Factor and unit of a difference.
fn unit(source: &Source<'_>, quantity: Quantity) -> (f64, String) {
    (source.shown.scale(quantity).0, source.shown.difference_label(quantity))
}

/// The strips of all pairs.
pub fn strips(source: &Source<'_>, pairs: &[Pair]) -> Markup {
    let texts = source.texts;
    html! {
        section aria-labelledby="pairs-h" {
            h2 id="pairs-h" { (texts.pairs) }
            p { (if pairs.is_empty() { texts.learning } else { texts.pairs_note }) }
            @for (place, pair) in pairs.iter().enumerate() {
                @let (factor, unit) = unit(source, pair.quantity);
                @let names: Vec<String> = pair.stations.iter().map(|id| source.station(id)).collect();
                @let usual = (pair.usual.bias * factor, pair.usual.spread * factor * WIDE);
                @let title = format!("{} \u{2212} {}: {}", names[0], names[1], texts.quantity(pair.quantity));
                @let words = format!("{} {} \u{b1} {} {unit}, {} h", texts.usual, signed(usual.0, 2), plain(usual.1, 2), pair.usual.count);
                @let hours = pair.hours.iter().map(|b| (b.time.0 / HOUR, difference(pair.quantity, b) * factor));
                (drawn(&Strip {
                    id: format!("pair{place}"),
                    heading: html! { strong { (title) } ", " (words) },
                    title: title.clone(),
                    description: words.clone(),
                    lines: lines(hours, source.gathered.from, source.gathered.to),
                    band: Some(usual),
                    since: None,
                }))
            }
        }
    }
}

/// The drawing of what a diagnosis rests on.
pub fn evidence_strip(source: &Source<'_>, found: &Evidence, title: &str) -> Markup {
    let (factor, unit) = unit(source, found.quantity);
    let texts = source.texts;
    let hours = found.differences.iter().map(|(hour, value)| (*hour, value * factor));
    drawn(&Strip {
        id: format!("evidence{}", found.place),
        heading: html! { (texts.evidence_note) ", " (unit) ", " (source.local.day(found.from)) " \u{2013} " (source.local.day(found.to)) },
        title: title.to_owned(),
        description: texts.evidence_note.to_owned(),
        lines: lines(hours, found.from, found.to),
        band: found.band.map(|(middle, half)| (middle * factor, half * factor)),
        since: Some((found.since - found.from).0 as f64 / (found.to - found.from).0.max(1) as f64),
    })
}
