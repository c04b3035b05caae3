//! A few stations judged together, step by step.
//!
//! One diagnosis at a time where one bad instrument can raise several: while a suspicion
//! is open, groups whose terms hold that instrument open nothing.

mod deaf;
mod hours;
mod waiting;

use super::clock::Clock;
use super::contrast::Contrasts;
use super::gauge::Gauge;
use super::gross::{Gross, SLIP_HOURS, Stray};
use super::hollow::Hollow;
use super::judge::{Judge, Open, Turn};
use super::limits::Limits;
use super::stuck::Stuck;
use super::suspicion::{KeptBack, Kind, State, Suspicion, confidence};
use super::terms::{Terms, observed};
use super::values::{Group, Values};
use super::watch::Watches;
use super::weather::Tracker;
use crate::charts::Charted;
use observation::time::{DAY, HOUR};
use observation::{Quantity, Time};
use serde::{Deserialize, Serialize};

/// Sectors that blow before a turned vane is told: so often is its rounding drawn anew.
const SECTORS_BLEW: f64 = 3.0;
/// Step of a vane of eight points, degrees; one with fewer says the same in all sectors.
const EIGHT_POINTS: f64 = 45.5;
/// A gap longer than this is as good as a new beginning of every window, hours.
const LONGEST_GAP_HOURS: i64 = 740;

/// How often values come, and where the stations are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// Number of stations, two at least.
    pub stations: usize,
    /// Aligned steps in an hour: 1 or 6.
    pub steps_per_hour: usize,
    /// Degrees east of the property's middle, for the solar hour.
    pub longitude: f64,
}

/// The state of the judgement of one panel.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Panel {
    stations: usize,
    steps_per_hour: usize,
    longitude: f64,
    /// Start of the last step.
    last: Option<i64>,
    tracker: Tracker,
    gross: Gross,
    judges: Vec<Judge>,
    /// By station: step at which a suspicion of its air was last open.
    air_open: Vec<Option<usize>>,
    /// The same of its dew point.
    #[serde(default)]
    dew_open: Vec<Option<usize>>,
    /// What is seen when the air is stirred.
    #[serde(default)]
    hollow: Hollow,
    clock: Clock,
    /// By station: how much of a doubt of its clock there is.
    #[serde(default)]
    clock_doubt: Vec<f64>,
    stuck: Stuck,
    gauge: Gauge,
    watches: Watches,
    /// Rain of the steps of the hour so far.
    rain: Vec<Option<f64>>,
    /// What is no longer what was learned: it is weather still, but is not judged.
    #[serde(default)]
    deaf: Vec<(usize, Quantity)>,
}

/// What one step brought.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Verdict {
    /// By group: the strongest score of this step, without sign; none while learning.
    pub evidence: [Option<f64>; Group::ALL.len()],
    /// The strongest score of the clock test, in the steps that end an hour.
    pub clock: f64,
    /// Suspicions opened, changed and closed.
    pub suspicions: Vec<Suspicion>,
    /// Evidence beyond its limit that opened nothing.
    pub kept_back: Vec<KeptBack>,
    /// Values grossly off in this step.
    pub strays: Vec<Stray>,
    /// What the charts of conditions told.
    pub charted: Vec<Charted>,
}

/// An offset of less than so many times what instruments in the field reach at best is held
/// with this confidence at most: it waits to be read, and is no notice.
const WORTH_A_NOTICE: f64 = 2.0;
const SMALL: f64 = 0.85;

impl Panel {
    /// Nothing learned. Fewer than two stations count as two, other than 1 or 6 steps an
    /// hour as the nearer of these.
    pub fn new(setup: Setup, limits: &Limits) -> Self {
        let stations = setup.stations.max(2);
        let steps_per_hour = if setup.steps_per_hour > 1 { 6 } else { 1 };
        let judge = |group| Judge::new(group, stations, steps_per_hour, limits);
        Self {
            stations,
            steps_per_hour,
            longitude: setup.longitude,
            last: None,
            tracker: Tracker::new(stations, steps_per_hour),
            gross: Gross::new(stations, steps_per_hour),
            judges: Group::ALL.map(judge).to_vec(),
            air_open: vec![None; stations],
            dew_open: vec![None; stations],
            hollow: Hollow::default(),
            clock: Clock::new(stations),
            clock_doubt: vec![0.0; stations],
            stuck: Stuck::new(stations),
            gauge: Gauge::new(stations),
            watches: Watches::default(),
            rain: vec![None; stations],
            deaf: Vec::new(),
        }
    }

    /// Number of stations.
    pub const fn stations(&self) -> usize {
        self.stations
    }

    /// Hours seen.
    pub(super) fn hours(&self) -> usize {
        self.judges.first().map_or(0, Judge::seen) / self.steps_per_hour
    }

    const fn step(&self) -> i64 {
        HOUR / self.steps_per_hour as i64
    }

    /// Takes the values of the step that begins at `start` (or holds it), by station;
    /// values of stations beyond the list are missing. Steps left out count as missing; a
    /// step that is not later than the last is not taken.
    pub fn take(&mut self, start: Time, values: &[Values], limits: &Limits) -> Verdict {
        let index = start.0.div_euclid(self.step());
        let mut verdict = Verdict::default();
        let blank = vec![Values::MISSING; self.stations];
        if let Some(last) = self.last {
            if index <= last {
                return verdict;
            }
            let longest = LONGEST_GAP_HOURS * self.steps_per_hour as i64;
            for missing in (last + 1).max(index - longest)..index {
                self.take_one(missing, &blank, limits, &mut verdict);
            }
            verdict.strays.clear();
        }
        let mut all = blank;
        for (place, value) in all.iter_mut().zip(values) {
            *place = *value;
        }
        self.take_one(index, &all, limits, &mut verdict);
        verdict
    }

    fn take_one(&mut self, index: i64, values: &[Values], limits: &Limits, out: &mut Verdict) {
        self.last = Some(index);
        let mut judged = values.to_vec();
        self.silence(&mut judged);
        out.strays = self.gross.take(&judged);
        let mut clean = values.to_vec();
        for stray in &out.strays {
            if stray.steps <= SLIP_HOURS * self.steps_per_hour {
                clean[stray.station].set(stray.quantity, f64::NAN);
            }
        }
        for (station, value) in clean.iter_mut().enumerate() {
            for quantity in Group::ALL.into_iter().flat_map(Group::quantities) {
                if self.watches.explains(station, *quantity) {
                    value.set(*quantity, f64::NAN);
                }
            }
        }
        let of_day = (index * self.step()).rem_euclid(DAY) as f64 / HOUR as f64;
        let hour = (of_day + self.longitude / 15.0).rem_euclid(24.0);
        let weather = self.tracker.take(hour, &clean);
        let winds = self.winds(&clean);
        self.silence(&mut clean);
        let hours = self.hours();
        self.hollow.take(hours, &weather, &clean);
        let one = Contrasts::new(self.stations, 1);
        let terms = Terms::new(&weather, &one);
        let mut scores = Vec::with_capacity(self.judges.len());
        let step = self.stuck.vane_step();
        for judge in &mut self.judges {
            let group = judge.group();
            let of = if group == Group::Vane { &winds } else { &clean };
            let observed = observed(group, &one, of, step);
            scores.push(judge.take(terms.of(group), observed, limits));
        }
        for place in 0..self.judges.len() {
            let Some(scores) = &scores[place] else { continue };
            out.evidence[place] = scores.iter().map(|s| s.value.abs()).reduce(f64::max);
            let held = self.must_wait(place, scores, limits);
            let judge = &mut self.judges[place];
            let (group, now) = (judge.group(), judge.seen());
            if let Some(turn) = judge.decide(scores, held, limits) {
                self.tell(turn, group, now, index, limits, out);
            }
            let Some(open) = self.judges[place].open() else { continue };
            match group {
                Group::Air => self.air_open[open.hypothesis % self.stations] = Some(now),
                Group::Dew => self.dew_open[open.hypothesis % self.stations] = Some(now),
                _ => {}
            }
        }
        self.take_hour(index, &judged, limits, out);
    }

    fn tell(
        &self,
        turn: Turn,
        group: Group,
        now: usize,
        index: i64,
        limits: &Limits,
        out: &mut Verdict,
    ) {
        let small = |open: &Open| {
            let least = limits.of(group).least.get(open.hypothesis / self.stations);
            least.is_some_and(|least| open.size.abs() < WORTH_A_NOTICE * least)
        };
        let suspicion = |open: &Open, state| {
            let quantity = group.quantities()[open.hypothesis / self.stations];
            let (size, error) = if group == Group::Speed {
                (open.size.exp(), open.error * open.size.exp())
            } else if group == Group::Vane {
                // A vane of few points tells its step only, as often as another sector blew.
                let step = self.stuck.vane_step();
                let sectors = if step > EIGHT_POINTS { 1.0 } else { SECTORS_BLEW };
                let rounded = step / (12.0 * sectors).sqrt();
                (open.size, open.error.hypot(rounded))
            } else {
                (open.size, open.error)
            };
            let sure = confidence(open.score, limits.of(group).score);
            let ago = now.saturating_sub(1).saturating_sub(open.since);
            Suspicion {
                state,
                station: open.clear.then_some(open.hypothesis % self.stations),
                quantity,
                kind: Kind::Offset,
                since: Time((index - i64::try_from(ago).unwrap_or(0)) * self.step()),
                size: Some(size),
                error: Some(error),
                score: open.score,
                confidence: if small(open) { sure.min(SMALL) } else { sure },
            }
        };
        match turn {
            Turn::Opened(open) => out.suspicions.push(suspicion(&open, State::Opened)),
            Turn::Changed(open) => out.suspicions.push(suspicion(&open, State::Changed)),
            Turn::Closed(open) => out.suspicions.push(suspicion(&open, State::Closed)),
            Turn::HandedOver(from, to) => {
                out.suspicions.push(suspicion(&from, State::Closed));
                out.suspicions.push(suspicion(&to, State::Opened));
            }
            Turn::KeptBack(hypothesis, score, reason) => out.kept_back.push(KeptBack {
                station: hypothesis % self.stations,
                quantity: group.quantities()[hypothesis / self.stations],
                score,
                reason,
            }),
        }
    }
}
