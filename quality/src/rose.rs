//! Points of the rose that a vane no longer shows though the wind still blows from there: a
//! switch or its wire is dead. A vane that is turned or stands still misses all points; this
//! one misses the point of its dead switch and the two beside it, which need it closed too.
//!
//! Each hour in which the neighbours agree on a point is a trial: shown or not. The trials
//! are summed as log-likelihood ratios of a dead against the usual point, never below zero
//! (Page, Biometrika 41, 1954; for counts: Reynolds and Stoumbos, J. Quality Technology 31,
//! 1999, 87-108, from memory). Limits are own choices.

#[cfg(test)]
mod tests;

use crate::charts::{Charted, Mean};
use crate::cusum::confidence;
use crate::diagnosis::Cause;
use crate::neighbours::{Root, State, Values, carried, turn};
use observation::time::HOUR;
use observation::{Quantity, Time};
use serde::{Deserialize, Serialize};

const POINTS: usize = 8;
const POINT: f64 = 45.0;
/// Hours of all before anything is said.
const WARM: i64 = 45 * 24;
/// Wind that tells its direction, m/s.
const STEADY: f64 = 2.0;
/// The wind is of a point when each of the neighbours is so near to it, degrees: one of two
/// that is wrong itself must not speak for the wind.
const OF_POINT: f64 = 15.0;
/// A point is shown by what lies in its eighth, degrees to both sides.
const SHOWN: f64 = 22.5;
/// How often a dead point is shown all the same, by means over hours of turning wind.
const DEAD_SHOWN: f64 = 0.05;
/// A point that is shown less often when it should be is not judged.
const LEAST_USUAL: f64 = 0.5;
/// Trials that make a usual share known, and how many it remembers.
const KNOWN: f64 = 20.0;
const MEMORY: f64 = 200.0;
/// Hours that follow each other are much the same trial: each counts so much.
const WEIGHT: f64 = 0.25;
/// A gap in the rose is told at this sum over its points, and is over at this share of it.
const LIMIT: f64 = 9.0;
const OVER: f64 = 0.25;
/// It must have been missed on so many days.
const LEAST_DAYS: u32 = 3;
/// Points that one dead switch takes away.
const WIDEST: usize = 3;
/// Points that must be shown as before.
const LEAST_SOUND: usize = 2;
/// Below this a vane without a direction may be iced, Cel.
const ICE: f64 = 1.0;

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Point {
    usual: Mean,
    sum: f64,
    /// Since the sum left zero: first hour, trials, days, last day.
    missed: Option<(i64, u32, u32, i64)>,
    shown: i64,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Vane {
    points: [Point; POINTS],
    /// Middle and points of the gap that is told.
    open: Option<(usize, usize)>,
    /// The hour at which it began, if later than all others.
    #[serde(default)]
    first: Option<i64>,
}

/// The roses of all vanes.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Rose {
    vanes: Vec<Vane>,
    first: Option<i64>,
    last: Option<i64>,
}

fn apart(a: f64, b: f64) -> f64 {
    turn(a - b).abs()
}

/// The point on which the neighbours agree, if they do: at least two in a steady wind.
fn agreed(near: &[usize], values: &[Values]) -> Option<usize> {
    let directions = near.iter().filter_map(|place| {
        let value = values.get(*place)?;
        (value.speed >= STEADY && value.direction.is_finite()).then_some(value.direction)
    });
    let near = |point: &usize| {
        let off = |d: f64| apart(d, *point as f64 * POINT);
        directions.clone().all(|d| off(d) <= OF_POINT)
    };
    (directions.clone().count() >= 2).then(|| (0..POINTS).find(near)).flatten()
}

impl Point {
    fn take(&mut self, hour: i64, shown: bool) {
        let usual = self.usual.mean.clamp(0.0, 0.95);
        if self.usual.is_known(KNOWN) && usual >= LEAST_USUAL {
            let ratio = if shown {
                (DEAD_SHOWN / usual).ln()
            } else {
                ((1.0 - DEAD_SHOWN) / (1.0 - usual)).ln()
            };
            self.sum = (self.sum + WEIGHT * ratio).clamp(0.0, 2.0 * LIMIT);
        }
        let day = hour.div_euclid(24);
        if self.sum <= 0.0 {
            self.missed = None;
        } else if !shown {
            let (since, trials, days, last) = self.missed.unwrap_or((hour, 0, 0, i64::MIN));
            self.missed = Some((since, trials + 1, days + u32::from(day > last), day));
        }
        if shown {
            self.shown = hour;
        }
        // What is suspected teaches nothing.
        if self.sum < 0.3 * LIMIT {
            self.usual.learn(f64::from(u8::from(shown)), MEMORY);
        }
    }

    /// Whether it was shown since an hour, as it usually is.
    fn is_sound(&self, since: i64) -> bool {
        self.shown >= since && self.sum < 1.0 && self.usual.is_known(KNOWN)
    }
}

/// A run of points that are missed.
#[derive(Clone, Copy)]
struct Gap {
    middle: usize,
    count: usize,
    sum: f64,
    since: i64,
    hours: u32,
    days: u32,
}

impl Vane {
    /// The run of up to three points around `middle` whose sums say most.
    fn gap(&self, middle: usize) -> Option<Gap> {
        let missed = |place: usize| {
            let point = self.points.get(place % POINTS)?;
            Some((point.sum, point.missed?))
        };
        let (sum, (since, hours, days, _)) = missed(middle)?;
        let mut gap = Gap { middle, count: 1, sum, since, hours, days };
        for beside in [middle + 1, middle + POINTS - 1] {
            if let Some((sum, (since, hours, days, _))) = missed(beside) {
                gap.count += 1;
                gap.sum += sum;
                gap.since = gap.since.min(since);
                gap.hours += hours;
                gap.days = gap.days.max(days);
            }
        }
        Some(gap)
    }

    fn widest(&self) -> Option<Gap> {
        (0..POINTS).filter_map(|p| self.gap(p)).max_by(|a, b| a.sum.total_cmp(&b.sum))
    }

    fn is_told(&self, gap: &Gap) -> bool {
        let outside = |place: usize| {
            let off = (place + POINTS - gap.middle) % POINTS;
            off > 1 && off < POINTS - 1
        };
        let others = || self.points.iter().enumerate().filter(|(place, _)| outside(*place));
        let sound = others().filter(|(_, point)| point.is_sound(gap.since)).count();
        let missed = others().filter(|(_, point)| point.sum >= 1.0).count();
        gap.sum >= LIMIT && gap.days >= LEAST_DAYS && sound >= LEAST_SOUND && missed == 0
    }
}

impl Rose {
    /// Takes the values of one hour, counted from 1970, by station; `near` are the places of
    /// each station's neighbours; `heard` are the values of those of which nothing is held, as
    /// a vane that seems to stand still may be one of a dead switch; `late` tells whose clock
    /// is wrong.
    pub fn take(
        &mut self,
        hour: i64,
        (values, heard): (&[Values], &[Values]),
        near: &[Vec<usize>],
        late: impl Fn(usize) -> bool,
    ) -> Vec<Charted> {
        let mut told = Vec::new();
        // Of two stations nothing says from where the wind blew.
        if values.len() < 3 || self.last.is_some_and(|last| hour <= last) {
            return told;
        }
        self.last = Some(hour);
        let first = *self.first.get_or_insert(hour);
        self.vanes.resize_with(values.len(), Vane::default);
        for (place, (vane, own)) in self.vanes.iter_mut().zip(values).enumerate() {
            let silent = own.direction.is_nan() && (own.speed.is_nan() || own.temperature < ICE);
            if silent || late(place) {
                continue;
            }
            let Some(point) = near.get(place).and_then(|near| agreed(near, heard)) else {
                continue;
            };
            let shown = apart(own.direction, point as f64 * POINT) <= SHOWN;
            if let Some(point) = vane.points.get_mut(point) {
                point.take(hour, shown);
            }
            if hour - vane.first.unwrap_or(first) >= WARM {
                told.extend(vane.turn(place, hour, !shown));
            }
        }
        told
    }
}

impl Rose {
    /// Goes on with the stations as they now are: a vane that was changed begins anew.
    pub(crate) fn rearranged(self, roots: &[Option<Root>]) -> Self {
        let begin = || Vane { first: self.last, ..Vane::default() };
        let vanes = carried(&self.vanes, roots, begin, |vane, root| {
            if !root.keeps(Quantity::WindFromDirection) {
                *vane = begin();
            }
        });
        Self { vanes, ..self }
    }

    /// Whether a gap in the rose of a vane is told.
    pub fn open(&self, station: usize) -> bool {
        self.vanes.get(station).is_some_and(|vane| vane.open.is_some())
    }
}

impl Vane {
    fn turn(&mut self, station: usize, hour: i64, missed: bool) -> Option<Charted> {
        let charted = |state: State, gap: Gap| Charted {
            state,
            station,
            quantity: Quantity::WindFromDirection,
            cause: Cause::VaneSwitchDead,
            since: Time(gap.since * HOUR),
            size: gap.count.min(WIDEST) as f64 * POINT,
            score: gap.sum / LIMIT,
            confidence: confidence(gap.sum / LIMIT),
            days: gap.days,
            sector: Some(gap.middle as f64 * POINT),
            hours: Some(gap.hours),
            alone: None,
        };
        if let Some((middle, count)) = self.open {
            let now = self.gap(middle);
            let sum = now.map_or(0.0, |gap| gap.sum);
            if sum < OVER * LIMIT {
                self.open = None;
                let nothing = Gap { middle, count, sum, since: hour, hours: 0, days: 0 };
                return Some(charted(State::Closed, now.unwrap_or(nothing)));
            }
            let gap = now?;
            // Looked at again with every dozen of hours that it missed.
            return (missed && gap.hours.is_multiple_of(12)).then(|| charted(State::Changed, gap));
        }
        let gap = self.widest()?;
        if !self.is_told(&gap) {
            return None;
        }
        self.open = Some((gap.middle, gap.count));
        Some(charted(State::Opened, gap))
    }
}
