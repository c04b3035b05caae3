//! The protocol: the untouched year is judged once; then each fault is injected into a copy
//! of the state as it stood at its start, and the following 60 days are judged.

use crate::faults::Fault;
use crate::record::Record;
use observation::time::HOUR;
use observation::{Quantity, Time};
use quality::diagnosis::{Cause, CauseGroup, Onset, View, named, parted, refine};
use quality::neighbours::{
    Kind, Limits, Neighbourhood, Reason, State, Suspicion, Values, Verdict, nearest,
};
use std::collections::HashMap;

/// Hours looked at after the start of a fault.
pub(crate) const HORIZON: usize = 1440;
/// A suspicion that the untouched year also has within so many hours is natural.
const NATURAL: usize = 48;
/// Injections start in the first days of these months: for the report,
pub(crate) const EVEN_MONTHS: [u8; 5] = [4, 6, 8, 10, 12];
/// and for choosing limits.
pub(crate) const ODD_MONTHS: [u8; 5] = [3, 5, 7, 9, 11];
const LAST_DAY: u8 = 10;
/// Hours whose conditions are looked at.
const PAST: usize = 720;
/// Hours after the first diagnosis at which it is asked which one stands.
const STANDS_AFTER: usize = 72;
/// A condition must be named within so many hours.
pub(crate) const NAMED_WITHIN: usize = 30 * 24;

/// One suspicion from opening to closing.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Episode {
    pub(crate) opened: usize,
    pub(crate) closed: usize,
    pub(crate) suspicion: Suspicion,
    /// The cause that a chart of a condition told; none of what the windows told.
    pub(crate) charted: Option<Cause>,
    /// The last word on it so many hours after opening.
    pub(crate) later: Option<Suspicion>,
    /// The greatest confidence that was ever said of it.
    pub(crate) surest: f64,
}

impl Episode {
    /// Whether both speak of the same instrument and kind.
    fn same(&self, other: &Self) -> bool {
        let (a, b) = (&self.suspicion, &other.suspicion);
        a.kind == b.kind
            && a.station == b.station
            && a.quantity == b.quantity
            && self.charted == other.charted
    }

    /// 1 if it reads too much, -1 if too little, 0 where neither is said.
    fn sign(&self) -> f64 {
        let usual = if self.suspicion.quantity == Quantity::WindSpeed { 1.0 } else { 0.0 };
        match self.suspicion.size {
            Some(size) if self.suspicion.kind == Kind::Offset => (size - usual).signum(),
            _ => 0.0,
        }
    }

    /// The cause by itself, before conditions are looked at.
    pub(crate) fn cause(&self) -> Cause {
        self.charted.unwrap_or_else(|| named(&self.suspicion))
    }
}

/// Hours after opening at which the size is asked for again.
pub(crate) const SECOND_LOOK: usize = 240;

/// Adds what was said at `hour` to the episodes.
pub(crate) fn note(episodes: &mut Vec<Episode>, hour: usize, verdict: &Verdict) {
    let charted = verdict.charted.iter().map(|charted| {
        let suspicion = Suspicion {
            state: charted.state,
            station: Some(charted.station),
            quantity: charted.quantity,
            kind: Kind::Offset,
            since: charted.since,
            size: Some(charted.size),
            error: None,
            score: charted.score,
            confidence: charted.confidence,
        };
        (suspicion, Some(charted.cause))
    });
    for (suspicion, charted) in verdict.suspicions.iter().map(|s| (*s, None)).chain(charted) {
        let said = Episode {
            opened: hour,
            closed: usize::MAX,
            suspicion,
            charted,
            later: None,
            surest: suspicion.confidence,
        };
        let open = episodes.iter_mut().rev().find(|e| e.closed == usize::MAX && e.same(&said));
        match (suspicion.state, open) {
            (State::Opened, _) => episodes.push(said),
            (State::Changed, Some(episode)) => {
                episode.surest = episode.surest.max(suspicion.confidence);
                if hour <= episode.opened + SECOND_LOOK {
                    episode.later = Some(suspicion);
                }
            }
            (State::Closed, Some(episode)) => episode.closed = hour,
            _ => {}
        }
    }
}

/// A neighbourhood that knows nothing.
pub(crate) fn beginning(record: &Record, limits: &Limits) -> Neighbourhood {
    Neighbourhood::new(&record.sites, 1, limits)
}

/// The untouched year; copies of the state before each of the hours asked for.
pub(crate) fn untouched(
    record: &Record,
    limits: &Limits,
    wanted: &[usize],
) -> (Vec<Episode>, Vec<(usize, Neighbourhood)>) {
    let mut state = beginning(record, limits);
    let (mut episodes, mut copies) = (Vec::new(), Vec::new());
    for (hour, values) in record.hours.iter().enumerate() {
        if wanted.contains(&hour) {
            copies.push((hour, state.clone()));
        }
        let verdict = state.take(record.time(hour), values, limits);
        note(&mut episodes, hour, &verdict);
    }
    (episodes, copies)
}

/// Start hours: `count` different ones in each month.
pub(crate) fn starts(
    record: &Record,
    random: &mut fastrand::Rng,
    months: &[u8],
    count: usize,
) -> Vec<usize> {
    let mut all = Vec::new();
    for month in months {
        let mut hours: Vec<usize> = (0..record.hours.len())
            .filter(|hour| {
                let at = record.calendar(*hour);
                at.month == *month && at.day <= LAST_DAY
            })
            .collect();
        random.shuffle(&mut hours);
        all.extend(hours.into_iter().take(count));
    }
    all
}

/// What became of one injection.
#[derive(Clone, Debug)]
pub(crate) struct Outcome {
    /// Hours until the right instrument and kind was named.
    pub(crate) delay: f64,
    /// Whether the first new suspicion of that group and kind named the right station;
    /// none if there was no such suspicion.
    pub(crate) right: Option<bool>,
    /// The suspicion that named it.
    pub(crate) hit: Option<Episode>,
    /// First new suspicion of anything else: of the same station or of another.
    pub(crate) elsewhere: Option<(bool, Quantity, Kind)>,
    /// The group of causes told first; none if nothing new was told.
    pub(crate) cause: Option<CauseGroup>,
    /// The group of the surest that stands three days after the first; none if nothing does.
    pub(crate) stands: Option<CauseGroup>,
    /// Hours until the cause of the fault was told of the right station, conditions looked at.
    pub(crate) named: f64,
    /// The group told of the right instrument in the end, conditions looked at.
    pub(crate) in_the_end: Option<CauseGroup>,
    /// Whether anything new named the faulty station, and another.
    pub(crate) blamed: (bool, bool),
    /// Whether it began while the sun stands high at noon.
    pub(crate) high_sun: bool,
    /// Rain at the middle one of the others until then (the drier one of two), mm.
    pub(crate) rain: f64,
    /// Station, first hour, and what stood in the way.
    pub(crate) late: Late,
}

/// What stood in the way of a diagnosis.
#[derive(Clone, Debug, Default)]
pub(crate) struct Late {
    pub(crate) station: usize,
    pub(crate) since: usize,
    /// Evidence beyond its limit that opened nothing: instrument and reason, first hour after
    /// the start of the fault, number of hours.
    pub(crate) kept_back: Vec<(usize, Quantity, Reason, usize, usize)>,
    /// What was told until then, natural or not.
    pub(crate) told: Vec<(Episode, bool)>,
}

impl Late {
    fn add(&mut self, verdict: &Verdict, after: usize) {
        for kept in &verdict.kept_back {
            let one = (kept.station, kept.quantity, kept.reason);
            match self.kept_back.iter_mut().find(|k| (k.0, k.1, k.2) == one) {
                Some(known) => known.4 += 1,
                None => self.kept_back.push((one.0, one.1, one.2, after, 1)),
            }
        }
    }
}

fn group(quantity: Quantity) -> u8 {
    match quantity {
        Quantity::AirTemperature | Quantity::RelativeHumidity => 0,
        Quantity::DewPointTemperature => 1,
        Quantity::AirPressureAtMeanSeaLevel => 2,
        Quantity::WindSpeed => 3,
        Quantity::WindFromDirection => 4,
        _ => 5,
    }
}

/// One fault put into one station.
pub(crate) struct Trial<'a> {
    pub(crate) record: &'a Record,
    pub(crate) limits: &'a Limits,
    pub(crate) natural: &'a [Episode],
    pub(crate) fault: &'a Fault,
    pub(crate) station: usize,
    /// Its first hour, and what the station says from then on.
    pub(crate) since: usize,
    pub(crate) faulty: &'a [Values],
    /// Whether to stop when all that is asked for is known.
    pub(crate) settle: bool,
}

impl Trial<'_> {
    fn is_natural(&self, e: &Episode) -> bool {
        self.natural.iter().any(|n| {
            n.same(e)
                && n.sign() * e.sign() >= 0.0
                && n.opened <= e.opened + NATURAL
                && e.opened <= n.closed.saturating_add(NATURAL)
        })
    }

    fn of_group(&self, e: &Episode) -> bool {
        e.suspicion.kind == self.fault.kind
            && group(e.suspicion.quantity) == group(self.fault.quantity)
    }

    /// Of two stations a disagreement is all that can be said.
    fn names(&self, e: &Episode) -> bool {
        e.suspicion.station == Some(self.station)
            || e.suspicion.station.is_none() && self.record.sites.len() == 2
    }

    fn hits(&self, e: &Episode) -> bool {
        let own = e.suspicion.quantity == self.fault.quantity || self.fault.kind == Kind::Clock;
        self.of_group(e) && self.names(e) && own && !self.is_natural(e)
    }

    fn values(&self, hour: usize, station: usize) -> Values {
        if station == self.station && hour >= self.since {
            return self.faulty.get(hour - self.since).copied().unwrap_or(Values::MISSING);
        }
        self.record.hours[hour][station]
    }

    /// The cause of a suspicion after the conditions were looked at, as the processor does.
    fn refined(&self, suspicion: &Suspicion, hour: usize, since: Time) -> Option<Cause> {
        let station = suspicion.station.filter(|_| suspicion.kind == Kind::Offset)?;
        let from = self.record.time(0).0 / HOUR;
        let past = (hour.saturating_sub(PAST - 1)..=hour)
            .map(|h| (from + h as i64, move |station: usize| self.values(h, station)));
        let site = self.record.sites.get(station)?;
        let view = View {
            station,
            quantity: suspicion.quantity,
            near: &nearest(&self.record.sites, station),
            place: (site.latitude, site.longitude),
            since: since.0.div_euclid(HOUR),
        };
        refine(named(suspicion), &parted(past, &view)).map(|refined| refined.cause)
    }

    /// Puts the fault into a copy of the state as it stood at its start.
    pub(crate) fn run(&self, state: &Neighbourhood) -> Outcome {
        let (record, station, since) = (self.record, self.station, self.since);
        let mut state = state.clone();
        let mut episodes = Vec::new();
        let mut held: HashMap<(Option<usize>, Quantity), Cause> = HashMap::new();
        let mut onsets: HashMap<(Option<usize>, Quantity), Option<Onset>> = HashMap::new();
        let (mut told_at, mut in_the_end) = (f64::INFINITY, None);
        let wanted = self.fault.cause();
        let mut late = Late { station, since, ..Late::default() };
        for hour in since..record.hours.len().min(since + HORIZON) {
            let mut values = record.hours[hour].clone();
            values[station] = self.values(hour, station);
            let verdict = state.take(record.time(hour), &values, self.limits);
            note(&mut episodes, hour, &verdict);
            let said = verdict.suspicions.iter().filter(|s| s.state != State::Closed);
            let causes: Vec<(Option<usize>, Quantity, Cause)> = said
                .filter(|s| s.kind == self.fault.kind)
                .map(|suspicion| {
                    let base = named(suspicion);
                    let onset = onsets.entry((suspicion.station, suspicion.quantity)).or_default();
                    let since = Onset::seen(onset, suspicion.since, record.time(hour));
                    let refined = self.refined(suspicion, hour, since);
                    let charted =
                        suspicion.station.and_then(|s| state.charted(s, suspicion.quantity));
                    let before = held.get(&(suspicion.station, suspicion.quantity)).copied();
                    // As the processor does: what a chart holds stands against a plain offset.
                    let telling = refined.filter(|cause| *cause != base);
                    let cause = telling.or(charted).or(refined).or(before).unwrap_or(base);
                    (suspicion.station, suspicion.quantity, cause)
                })
                .collect();
            let charts = verdict.charted.iter().filter(|c| c.state != State::Closed);
            let charts = charts.map(|c| (Some(c.station), c.quantity, c.cause));
            for (at, quantity, cause) in causes.into_iter().chain(charts) {
                held.insert((at, quantity), cause);
                if at == Some(station) && cause == wanted {
                    told_at = told_at.min((hour - since) as f64);
                }
                if at == Some(station) && quantity == self.fault.quantity {
                    in_the_end = Some(cause.group());
                }
            }
            let hit = episodes.iter().find(|e| self.hits(e));
            if hit.is_none() {
                late.add(&verdict, hour - since);
            }
            let waits = self.fault.condition() && told_at.is_infinite();
            let enough = hit.is_some_and(|hit| hour >= hit.opened + SECOND_LOOK) && !waits
                || waits && hour >= since + NAMED_WITHIN;
            if self.settle && enough {
                break;
            }
        }
        let fresh: Vec<&Episode> = episodes.iter().filter(|e| !self.is_natural(e)).collect();
        let first = fresh.iter().find(|e| self.of_group(e));
        let hit = episodes.iter().find(|e| self.hits(e));
        let elsewhere = fresh
            .iter()
            .find(|e| !self.of_group(e))
            .map(|e| (self.names(e), e.suspicion.quantity, e.suspicion.kind));
        let until = hit.map_or(usize::MAX, |hit| hit.opened);
        let before = episodes.iter().filter(|e| e.opened <= until);
        late.told = before.map(|e| (*e, self.is_natural(e))).collect();
        let blamed = |which: &dyn Fn(usize) -> bool| {
            fresh.iter().any(|e| e.suspicion.station.is_some_and(which))
        };
        Outcome {
            cause: fresh.first().map(|e| e.cause().group()),
            stands: standing(&fresh),
            delay: hit.map_or(f64::INFINITY, |hit| (hit.opened - since) as f64),
            right: first.map(|first| self.names(first)),
            hit: hit.copied(),
            elsewhere,
            named: told_at,
            in_the_end,
            blamed: (blamed(&|other| other == station), blamed(&|other| other != station)),
            high_sun: (4..=8).contains(&record.calendar(since).month),
            rain: hit.map_or(f64::NAN, |hit| self.rain_until(hit.opened)),
            late,
        }
    }

    fn rain_until(&self, hour: usize) -> f64 {
        let others = (0..self.record.sites.len()).filter(|other| *other != self.station);
        let mut sums: Vec<f64> = others
            .map(|other| {
                let rains = self.record.hours[self.since..=hour].iter().map(|v| v[other].rain);
                rains.filter(|rain| rain.is_finite()).sum()
            })
            .collect();
        sums.sort_by(f64::total_cmp);
        sums[(sums.len() - 1) / 2]
    }
}

/// The group of what a person reads some days after the first was told.
fn standing(fresh: &[&Episode]) -> Option<CauseGroup> {
    let then = fresh.first()?.opened + STANDS_AFTER;
    let open = fresh.iter().filter(|e| e.opened <= then && then < e.closed);
    let surest = open.max_by(|a, b| a.suspicion.confidence.total_cmp(&b.suspicion.confidence))?;
    Some(surest.cause().group())
}

/// By parity of the month, the strongest score of each group and of the clock test in the untouched year with
/// nothing ever opened: where a limit could stand.
pub(crate) fn strongest(record: &Record, limits: &Limits) -> [[f64; 6]; 2] {
    let mut state = beginning(record, limits);
    let mut never = *limits;
    for own in &mut never.groups {
        own.score = f64::INFINITY;
    }
    let mut found = [[0.0; 6]; 2];
    for (hour, values) in record.hours.iter().enumerate() {
        let verdict = state.take(record.time(hour), values, &never);
        let parity = usize::from(record.calendar(hour).month % 2);
        for (largest, score) in found[parity].iter_mut().zip(verdict.evidence) {
            *largest = score.unwrap_or(0.0).max(*largest);
        }
        found[parity][5] = verdict.clock.max(found[parity][5]);
    }
    found
}
