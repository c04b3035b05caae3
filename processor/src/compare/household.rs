//! How a station keeps house: whether its battery falls lower from day to day, and whether
//! its messages arrive. Judged once a day, six hours after the station's day by the sun
//! ended, so that what was kept while the way was closed is there; dawn, when a battery is
//! lowest, lies within such a day.

use super::opinions::Finding;
use crate::Processor;
use crate::output::Output;
use observation::time::{DAY, HOUR};
use observation::{Quantity, Span, Time};
use quality::diagnosis::Cause;
use quality::trend::{Trend, trend};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// How long after its end a day is judged.
const WAIT: Span = Span(6 * HOUR);
/// Milliseconds by which the sun is later a degree further west.
const DEGREE: f64 = 240_000.0;
/// Days that are looked at together, how many of them must be known, and from how long ago.
const WINDOW: usize = 10;
const KNOWN: usize = 8;
const OLDEST: i64 = 14;
/// Days that are counted at a time at most.
const OPEN: usize = 40;
/// A trend is believed from this deviate on (one-sided 0.01 of the normal distribution),
/// and no more below this (0.1).
const BELIEVED: f64 = 2.33;
const GONE: f64 = 1.28;
/// A battery falls when it lost this share of its level in the window; at `LOW` it is sure.
const FALLEN: f64 = 0.02;
const LOW: f64 = 0.06;
/// It is well again when no more than this share is lacking.
const WELL: f64 = 0.005;
/// Messages are lost when this share more of them is than at first, or this share for days
/// where once nearly all came.
const MORE_LOST: f64 = 0.03;
const MUCH_LOST: f64 = 0.2;
const ONCE_LOST: f64 = 0.1;
/// All is well below this share.
const FEW_LOST: f64 = 0.02;

/// A day that is still counted.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Open {
    day: i64,
    /// Samples by channel of the station.
    counts: Vec<u32>,
    /// Lowest voltage by instrument.
    lowest: Vec<(usize, f64)>,
    /// Whether the station's settings changed while it lasted: its messages are not judged.
    #[serde(default)]
    changed: bool,
}

/// The days of one station.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Days {
    /// In order of day.
    open: VecDeque<Open>,
    /// The last day that was judged.
    closed: Option<i64>,
    /// Share of the messages that did not arrive, by day.
    lost: VecDeque<(i64, f64)>,
    /// The least share ever.
    least: Option<f64>,
    /// Lowest voltage by day, of each instrument.
    voltage: Vec<(usize, VecDeque<(i64, f64)>)>,
}

/// Of all stations.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Household {
    stations: Vec<Days>,
}

/// The day by the sun at a longitude in degrees east.
fn day_of(time: Time, longitude: f64) -> i64 {
    (time.0 + (longitude * DEGREE) as i64).div_euclid(DAY)
}

/// When the day is judged.
fn due(day: i64, longitude: f64) -> Time {
    Time((day + 1).saturating_mul(DAY) - (longitude * DEGREE) as i64) + WAIT
}

fn push(days: &mut VecDeque<(i64, f64)>, day: i64, value: f64) {
    days.push_back((day, value));
    while days.len() > WINDOW || days.front().is_some_and(|(first, _)| day - first > OLDEST) {
        days.pop_front();
    }
}

fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

/// Level at first and at last, and the trend between.
fn course(days: &VecDeque<(i64, f64)>) -> Option<(f64, f64, Option<Trend>)> {
    if days.len() < KNOWN {
        return None;
    }
    let first = median(days.iter().take(3).map(|d| d.1))?;
    let last = median(days.iter().rev().take(3).map(|d| d.1))?;
    let points: Vec<(f64, f64)> = days.iter().map(|&(day, value)| (day as f64, value)).collect();
    Some((first, last, trend(&points)))
}

impl Household {
    pub(crate) fn new(stations: usize) -> Self {
        Self { stations: vec![Days::default(); stations] }
    }

    /// Of the stations and instruments as they now are: where each station was, and where each
    /// instrument now is.
    pub(crate) fn moved(
        &self,
        stations: &[Option<usize>],
        instrument: &dyn Fn(usize) -> Option<usize>,
    ) -> Self {
        let of = |before: &Option<usize>| {
            let mut days = before.and_then(|b| self.stations.get(b)).cloned().unwrap_or_default();
            for open in &mut days.open {
                let lowest = std::mem::take(&mut open.lowest).into_iter();
                open.lowest = lowest.filter_map(|(of, v)| Some((instrument(of)?, v))).collect();
            }
            let voltage = std::mem::take(&mut days.voltage).into_iter();
            days.voltage = voltage.filter_map(|(of, n)| Some((instrument(of)?, n))).collect();
            days
        };
        Self { stations: stations.iter().map(of).collect() }
    }

    /// The settings of a station changed: how often it speaks may have, too.
    pub(crate) fn changed(&mut self, station: usize) {
        for open in self.stations.get_mut(station).iter_mut().flat_map(|days| &mut days.open) {
            open.counts.clear();
            open.changed = true;
        }
    }

    /// The day in hand; none if it was judged already.
    fn open(&mut self, station: usize, day: i64) -> Option<&mut Open> {
        let days = self.stations.get_mut(station)?;
        if days.closed.is_some_and(|closed| day <= closed) {
            return None;
        }
        let place = days.open.partition_point(|o| o.day < day);
        if days.open.get(place).is_none_or(|o| o.day != day) {
            if days.open.len() >= OPEN {
                return None;
            }
            days.open.insert(place, Open { day, ..Open::default() });
        }
        days.open.get_mut(place)
    }
}

impl Processor {
    /// The settings of a station changed.
    pub(crate) fn household_changed(&mut self, station: usize) {
        self.compare.household.changed(station);
    }

    /// A sample of a channel came.
    pub(crate) fn count_arrival(&mut self, station: usize, local: u16, time: Time) {
        let Some(longitude) = self.property.stations.get(station).map(|s| s.longitude) else {
            return;
        };
        let day = day_of(time, longitude);
        let Some(open) = self.compare.household.open(station, day) else { return };
        let local = usize::from(local);
        if open.counts.len() <= local {
            open.counts.resize(local + 1, 0);
        }
        if let Some(count) = open.counts.get_mut(local) {
            *count = count.saturating_add(1);
        }
    }

    /// A battery was measured, V.
    pub(crate) fn battery(&mut self, place: usize, time: Time, voltage: f64) {
        let Some(instrument) = self.property.instruments.get(place) else { return };
        if instrument.quantity != Quantity::BatteryVoltage {
            return;
        }
        let station = usize::from(instrument.station.0);
        let Some(longitude) = self.property.stations.get(station).map(|s| s.longitude) else {
            return;
        };
        let day = day_of(time, longitude);
        let Some(open) = self.compare.household.open(station, day) else { return };
        match open.lowest.iter_mut().find(|(of, _)| *of == place) {
            Some((_, lowest)) => *lowest = lowest.min(voltage),
            None => open.lowest.push((place, voltage)),
        }
    }

    /// Judges the days that are over, up to an instant, in the order in which they end.
    pub(crate) fn judge_days(&mut self, until: Time, out: &mut Output) {
        loop {
            let stations = self.compare.household.stations.iter().zip(&self.property.stations);
            let next = stations
                .enumerate()
                .filter_map(|(station, (days, at))| {
                    let day = days.open.front()?.day;
                    Some((due(day, at.longitude), station)).filter(|(due, _)| *due <= until)
                })
                .min();
            let Some((said, station)) = next else { return };
            self.judge_day(station, said, out);
            self.compare.opinions.close_gone(said, &mut out.diagnoses);
        }
    }

    fn judge_day(&mut self, station: usize, said: Time, out: &mut Output) {
        let share = {
            let intervals = self.plan.lines.iter().zip(&self.property.channels);
            let own = intervals.filter(|(_, c)| usize::from(c.station.0) == station);
            let days = self.compare.household.stations.get(station);
            let open = days.and_then(|d| d.open.front());
            own.filter_map(|(line, _)| {
                let interval = line.periodic.filter(|i| i.0 > 0)?;
                let count = *open?.counts.get(usize::from(line.local))?;
                Some(f64::from(count) * interval.0 as f64 / DAY as f64)
            })
            .reduce(f64::max)
        };
        let Some(days) = self.compare.household.stations.get_mut(station) else { return };
        let Some(open) = days.open.pop_front() else { return };
        // On the first day a station was not there from the beginning.
        let first = days.closed.is_none();
        days.closed = Some(open.day);
        if let Some(share) = share.filter(|s| *s > 0.0 && !first && !open.changed) {
            let lost = (1.0 - share).clamp(0.0, 1.0);
            days.least = Some(days.least.map_or(lost, |least| least.min(lost)));
            push(&mut days.lost, open.day, lost);
        }
        for &(place, lowest) in &open.lowest {
            match days.voltage.iter_mut().find(|(of, _)| *of == place) {
                Some((_, nights)) => push(nights, open.day, lowest),
                None => days.voltage.push((place, VecDeque::from([(open.day, lowest)]))),
            }
        }
        let (lost, least) = (days.lost.clone(), days.least.unwrap_or(1.0));
        let fresh = |(_, nights): &&(usize, VecDeque<(i64, f64)>)| {
            nights.back().is_some_and(|n| n.0 == open.day)
        };
        let voltages: Vec<_> = days.voltage.iter().filter(fresh).cloned().collect();
        if lost.back().is_some_and(|l| l.0 == open.day) {
            self.judge_way(station, said, &lost, least, out);
        }
        for (place, nights) in voltages {
            self.judge_battery(station, place, said, &nights, out);
        }
    }

    fn judge_way(
        &mut self,
        station: usize,
        said: Time,
        lost: &VecDeque<(i64, f64)>,
        least: f64,
        out: &mut Output,
    ) {
        let Some((first, last, trend)) = course(lost) else { return };
        let Some(id) = self.property.stations.get(station).map(|s| s.id.clone()) else { return };
        let opinions = &mut self.compare.opinions;
        let cause = Cause::RadioDropouts;
        let recent = median(lost.iter().rev().take(5).map(|l| l.1)).unwrap_or(0.0);
        let grows = trend.is_some_and(|t| t.deviate >= BELIEVED) && last - first >= MORE_LOST;
        if grows || (recent >= MUCH_LOST && least <= ONCE_LOST) {
            let finding = Finding {
                time: said,
                station: Some(id),
                instrument: None,
                cause,
                since: since(said, lost),
                size: Some(last),
                confidence: 0.6 + last.min(0.3),
                words: format!(
                    "of the messages expected {:.0} % did not arrive lately, {:.0} % ten days before",
                    last * 100.0,
                    first * 100.0
                ),
                numbers: vec![("lost", last), ("lost_before", first)],
            };
            opinions.hold(finding, &mut out.diagnoses);
        } else if last < FEW_LOST {
            opinions.close(Some(&id), None, cause, said, &mut out.diagnoses);
        } else if trend.is_none_or(|t| t.deviate < GONE) && recent < MUCH_LOST {
            opinions.fade(Some(&id), None, cause, said);
        }
    }

    fn judge_battery(
        &mut self,
        station: usize,
        place: usize,
        said: Time,
        nights: &VecDeque<(i64, f64)>,
        out: &mut Output,
    ) {
        let Some((first, last, trend)) = course(nights) else { return };
        let names = self.property.stations.get(station).zip(self.property.instruments.get(place));
        let Some((id, instrument)) = names.map(|(s, i)| (s.id.clone(), i.id.clone())) else {
            return;
        };
        let opinions = &mut self.compare.opinions;
        let cause = Cause::BatteryFailing;
        let fallen = (first - last) / first.abs().max(f64::MIN_POSITIVE);
        let slope = trend.map_or(0.0, |t| t.slope);
        if trend.is_some_and(|t| t.deviate <= -BELIEVED) && fallen >= FALLEN {
            let sure = ((fallen - FALLEN) / (LOW - FALLEN)).clamp(0.0, 1.0);
            let finding = Finding {
                time: said,
                station: Some(id),
                instrument: Some(instrument),
                cause,
                since: since(said, nights),
                size: Some(last - first),
                confidence: 0.6 + 0.3 * sure,
                words: format!(
                    "its lowest voltage of the day fell from {first:.2} to {last:.2} V, by {:.3} V a day",
                    -slope
                ),
                numbers: vec![("first", first), ("last", last), ("slope", slope)],
            };
            opinions.hold(finding, &mut out.diagnoses);
        } else if fallen < WELL {
            opinions.close(Some(&id), Some(&instrument), cause, said, &mut out.diagnoses);
        } else if trend.is_none_or(|t| t.deviate > -GONE) {
            opinions.fade(Some(&id), Some(&instrument), cause, said);
        }
    }
}

/// Where the window began.
fn since(said: Time, days: &VecDeque<(i64, f64)>) -> Time {
    let length = days.back().zip(days.front()).map_or(0, |(last, first)| last.0 - first.0 + 1);
    said - WAIT - Span(length.saturating_mul(DAY))
}
