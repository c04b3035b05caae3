//! The hours that are over, judged: which instrument is off, since when, by how much.

use super::conditions;
use super::hours::Hours;
use super::opinions::Finding;
use super::plan::{COMPARED, SLOTS};
use super::{Compare, LAG, PAST, PAST_SEATS, ROWS, Row};
use crate::Processor;
use crate::output::Output;
use crate::recall::Recall;
use observation::property::InstrumentIndex;
use observation::time::HOUR;
use observation::{Quantity, StationIndex, Time};
use quality::diagnosis::{Cause, Onset, named, words};
use quality::neighbours::{Kind, Neighbourhood, State, Suspicion, Values, Verdict};
use std::panic::{AssertUnwindSafe, catch_unwind};

/// What was learned is copied before each hour, in case judging it fails inside, where no
/// more stations than this are compared; else learning begins anew after such a failure.
const COPIED: usize = 16;
/// Readings of one station that its own checks doubted before a disagreement of two is
/// laid to its account.
const DOUBTED: f64 = 3.0;
/// Share of them remembered from hour to hour.
const REMEMBERED: f64 = 0.97;

/// The values of one station for the judgement.
pub(super) fn values(row: &Row) -> Values {
    let mut values = Values::MISSING;
    for (quantity, value) in COMPARED.into_iter().zip(row) {
        values.set(quantity, value.unwrap_or(f64::NAN));
    }
    values
}

fn row(hours: &Hours, hour: i64, seat: usize) -> Row {
    let mut row: Row = [None; SLOTS];
    for (slot, value) in row.iter_mut().enumerate() {
        *value = hours.mean(hour, (seat, slot));
    }
    row
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

impl Compare {
    /// Judges one hour.
    pub(super) fn take_row(&mut self, hour: i64, rows: &[Row]) -> Verdict {
        let all: Vec<Values> = rows.iter().map(values).collect();
        let air = rows.iter().filter_map(|row| row.first().copied().flatten()).collect();
        self.air = median(air).unwrap_or(self.air);
        self.engine.take(Time(hour * HOUR), &all, &self.limits)
    }

    /// The same; after a failure inside what was learned is as before, or is learned anew.
    fn take_row_guarded(&mut self, hour: i64, rows: &[Row]) -> Option<Verdict> {
        let copy = (self.seats.sites.len() <= COPIED).then(|| self.engine.clone());
        let result = catch_unwind(AssertUnwindSafe(|| self.take_row(hour, rows)));
        if result.is_err() {
            self.engine =
                copy.unwrap_or_else(|| Neighbourhood::new(&self.seats.sites, 1, &self.limits));
        }
        result.ok()
    }

    /// Keeps an hour for the month's conditions.
    pub(super) fn remember_long(&mut self, hour: i64, rows: &[Row]) {
        if rows.len() > PAST_SEATS {
            return;
        }
        if self.past.len() >= PAST {
            self.past.pop_front();
        }
        self.past.push_back((hour, rows.to_vec()));
    }

    pub(super) fn remember(&mut self, hour: i64, rows: Vec<Row>) {
        if self.rows.len() >= ROWS {
            self.rows.pop_front();
        }
        self.remember_long(hour, &rows);
        self.rows.push_back((hour, rows));
        self.judged = Some(hour);
        // The hour before is kept for what may still be corroborated.
        self.hours.forget(hour);
    }
}

impl Processor {
    /// Judges every hour that ended long enough before a minute.
    pub(crate) fn judge_hours(&mut self, minute: Time, recall: &mut dyn Recall, out: &mut Output) {
        while let Some(hour) = self.compare.hours.next(self.compare.judged) {
            let said = Time((hour + 1) * HOUR) + LAG;
            if said > minute {
                break;
            }
            self.judge_days(said, out);
            let seats = self.compare.seats.sites.len();
            let rows: Vec<Row> =
                (0..seats).map(|seat| row(&self.compare.hours, hour, seat)).collect();
            let verdict = self.compare.take_row_guarded(hour, &rows);
            self.compare.remember(hour, rows);
            self.compare.opinions.close_gone(said, &mut out.diagnoses);
            for seat in &mut self.compare.own {
                for doubted in &mut seat.doubted {
                    *doubted *= REMEMBERED;
                }
            }
            match verdict {
                Some(verdict) => {
                    for suspicion in verdict.suspicions {
                        self.opinion(&suspicion, said, out);
                    }
                    for charted in verdict.charted {
                        self.charted(&charted, said, out);
                    }
                }
                None => out.panics.push(StationIndex(0)),
            }
            self.look_ahead(hour, recall, out);
        }
        self.judge_days(minute, out);
    }

    /// What a suspicion says of an instrument.
    fn opinion(&mut self, suspicion: &Suspicion, said: Time, out: &mut Output) {
        let slot = COMPARED.iter().position(|q| *q == suspicion.quantity).unwrap_or(SLOTS);
        let mut suspicion = *suspicion;
        let mut blamed = None;
        if suspicion.station.is_none()
            && let Some(seat) = self.blamed(slot)
        {
            blamed = Some(seat);
            suspicion.station = blamed;
        }
        let mut cause = named(&suspicion);
        let names = suspicion.station.and_then(|seat| self.names(seat, slot));
        let (station, mut instrument) = match (names, suspicion.station) {
            (Some((station, instrument)), _) => (Some(station), Some(instrument)),
            (None, Some(seat)) => {
                let place = self.compare.seats.stations.get(seat).copied();
                let station = place.and_then(|p| self.property.stations.get(p));
                (station.map(|s| s.id.clone()), None)
            }
            (None, None) => (None, None),
        };
        if suspicion.kind == Kind::Clock {
            // It is the station's, not the barometer's.
            instrument = None;
        }
        let family = conditions::family(cause);
        if suspicion.state == State::Closed {
            let out = &mut out.diagnoses;
            let opinions = &mut self.compare.opinions;
            let (station, instrument) = (station.as_deref(), instrument.as_deref());
            for &cause in family {
                if conditions::comes_and_goes(cause) {
                    opinions.fade(station, instrument, cause, said);
                } else {
                    opinions.close(station, instrument, cause, said, out);
                }
            }
            if blamed.is_some() {
                opinions.close(None, None, Cause::Disagreement, said, out);
            }
        } else {
            // What a chart holds stands against a plain offset.
            let charted = suspicion
                .station
                .and_then(|seat| self.compare.engine.charted(seat, suspicion.quantity))
                .filter(|charted| family.contains(charted));
            if charted == Some(Cause::VaneSwitchDead) {
                // It seems turned, or to stand still, by turns; the gap in its rose tells why.
                return;
            }
            let plain = cause;
            let since = self.onset(&suspicion, slot, said);
            let refined = self
                .refined(&suspicion, cause, since)
                .filter(|refined| refined.cause != plain || charted.is_none());
            let held = family.iter().find(|&&cause| {
                let (station, instrument) = (station.as_deref(), instrument.as_deref());
                self.compare.opinions.open_of(station, instrument, cause)
            });
            // What was told before stands until the conditions tell something else.
            let told = refined.as_ref().map(|r| r.cause).or(charted);
            cause = told.unwrap_or_else(|| held.copied().unwrap_or(plain));
            for &other in family.iter().filter(|&&other| other != cause) {
                let (station, instrument) = (station.as_deref(), instrument.as_deref());
                let out = &mut out.diagnoses;
                self.compare.opinions.close(station, instrument, other, said, out);
            }
            let mut finding = finding(&suspicion, cause, said, station, instrument, blamed);
            if let Some(refined) = refined {
                finding.words = format!("{}; {}", finding.words, refined.words);
                finding.numbers.extend(refined.numbers);
            }
            self.compare.opinions.hold(finding, &mut out.diagnoses);
        }
        if let Some(seat) = suspicion.station {
            self.note_wrong(seat, slot);
        }
    }

    /// Since when the conditions of a suspicion are to be looked at.
    fn onset(&mut self, suspicion: &Suspicion, slot: usize, said: Time) -> Time {
        let seat = suspicion.station.and_then(|seat| self.compare.own.get_mut(seat));
        match seat.and_then(|seat| seat.onset.get_mut(slot)) {
            Some(onset) if suspicion.kind == Kind::Offset => {
                Onset::seen(onset, suspicion.since, said)
            }
            _ => suspicion.since,
        }
    }

    /// Of two stations, the one whose own checks speak against it while they say nothing
    /// against the other.
    fn blamed(&self, slot: usize) -> Option<usize> {
        let [first, second] = self.compare.own.as_slice() else { return None };
        let against = |seat: usize, own: &super::Seat| {
            let stuck = super::stuck_cause(slot);
            let causes: Vec<Cause> = stuck.into_iter().chain([Cause::SensorFault]).collect();
            let held = self
                .names(seat, slot)
                .is_some_and(|(s, i)| self.compare.opinions.holds(&s, &i, &causes));
            held || own.doubted.get(slot).is_some_and(|d| *d >= DOUBTED)
        };
        match (against(0, first), against(1, second)) {
            (true, false) => Some(0),
            (false, true) => Some(1),
            _ => None,
        }
    }

    /// Whether an instrument is surely wrong at present, by what its neighbours let expect:
    /// its live values are doubtful then, like its readings.
    pub fn surely_wrong(&self, instrument: InstrumentIndex) -> bool {
        let Some(instrument) = self.property.instruments.get(instrument.0 as usize) else {
            return false;
        };
        let station = self.property.stations.get(usize::from(instrument.station.0));
        station.is_some_and(|station| {
            self.compare.opinions.wrong_since(&station.id, &instrument.id).is_some()
        })
    }

    /// While an instrument is surely wrong its readings say so.
    pub(super) fn note_wrong(&mut self, seat: usize, slot: usize) {
        let Some((station, instrument)) = self.names(seat, slot) else { return };
        let since = self.compare.opinions.wrong_since(&station, &instrument);
        let wind = self
            .compare
            .seats
            .voice(seat, slot)
            .and_then(|v| self.plan.parts.get(v.instrument))
            .map(|part| part.series().collect::<Vec<_>>());
        for series in wind.unwrap_or_default() {
            self.book.overlay.set_wrong(series.0, since);
        }
    }
}

/// A suspicion in the words of a diagnosis.
fn finding(
    suspicion: &Suspicion,
    cause: Cause,
    said: Time,
    station: Option<String>,
    instrument: Option<String>,
    blamed: Option<usize>,
) -> Finding {
    let hours = (said - LAG - suspicion.since).as_seconds() / 3_600.0;
    let mut said_in_words = words(suspicion, hours);
    if cause == Cause::Disagreement {
        said_in_words =
            format!("between two stations: {said_in_words}; nothing says which of them is wrong");
    }
    if blamed.is_some() {
        said_in_words += "; of the two it is the one that its own checks doubted";
    }
    let mut numbers = vec![("score", suspicion.score), ("hours", hours)];
    if blamed.is_some() {
        numbers.push(("of_two", 1.0));
    }
    if let Some(error) = suspicion.error {
        numbers.push(("error", error));
    }
    if suspicion.kind == Kind::Offset
        && suspicion.quantity == Quantity::WindFromDirection
        && let (Some(size), Some(error)) = (suspicion.size, suspicion.error)
    {
        numbers.push(("least", size - 1.96 * error));
        numbers.push(("most", size + 1.96 * error));
    }
    Finding {
        time: said,
        station,
        instrument,
        cause,
        since: suspicion.since,
        size: suspicion.size,
        confidence: suspicion.confidence,
        words: said_in_words,
        numbers,
    }
}
