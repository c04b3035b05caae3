//! At the end of each minute: new values beside those of the neighbours, doubted steps
//! beside the changes of the neighbours, readings of one station beside each other.

use super::plan::{COMPARED, SLOTS};
use crate::Processor;
use crate::output::Output;
use crate::recall::Recall;
use crate::walk::ONE;
use observation::{Flag, Reason, SeriesIndex, Span, Time};
use std::collections::{BTreeMap, BTreeSet};

/// The value of a neighbour stands for the present one for so long at least.
const FRESH: Span = Span::minutes(3);
/// For so long it is remembered what was said of a reading.
const REMEMBERED: Span = Span::hours(48);

impl Processor {
    /// Compares what was published up to a minute. `stations` are those evaluated at it.
    pub(crate) fn compare_minute(
        &mut self,
        minute: Time,
        stations: &[usize],
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        if self.compare.resumed {
            self.compare.opinions.tell_ended(minute, &mut out.diagnoses);
        }
        self.listen(out);
        for &station in stations {
            if let Some(seat) = self.compare.seats.seat_of.get(station).copied().flatten() {
                self.look(seat, minute);
            }
            self.consistent(station, minute);
        }
        self.corroborate(minute);
        self.say_again(recall, out);
        self.judge_hours(minute, recall, out);
        self.book.overlay.forget(minute - REMEMBERED);
    }

    /// Publishes again what something new is said of.
    pub(crate) fn say_again(&mut self, recall: &mut dyn Recall, out: &mut Output) {
        let mut touched: BTreeMap<usize, BTreeSet<Time>> = BTreeMap::new();
        for (series, time) in std::mem::take(&mut self.again) {
            if let Some(draft) = self.book.stands(series, time, recall, &out.readings) {
                let before = out.readings.len();
                self.book.publish(draft, false, recall, &mut out.readings);
                let part = self.plan.parts.iter().find(|p| p.series().any(|s| s == series));
                if let Some(part) = part.filter(|_| out.readings.len() > before) {
                    touched.entry(part.station).or_default().insert(time.step_end(ONE));
                }
            }
        }
        // What is derived from doubtful readings is doubtful.
        for (station, minutes) in touched {
            if let Some(walked) = self.walked {
                self.derive_touched(station, &minutes, walked, recall, out);
            }
        }
        // What is published again says nothing new of itself, but a lifted step counts.
        self.listen(out);
        self.again.clear();
    }

    /// Looks at the newest values of a seat beside its neighbours.
    fn look(&mut self, seat: usize, minute: Time) {
        for slot in 0..SLOTS {
            let Some(&voice) = self.compare.seats.voice(seat, slot) else { continue };
            let Some(word) = self.compare.hours.last((seat, slot), minute) else { continue };
            let Some(own) = self.compare.own.get_mut(seat) else { continue };
            let Some(looked) = own.looked.get_mut(slot) else { continue };
            if looked.is_some_and(|last| word.time <= last) {
                continue;
            }
            let hours =
                looked.map_or(voice.interval, |last| word.time - last).as_seconds() / 3_600.0;
            *looked = Some(word.time);
            let mut column = vec![word.value];
            for &other in self.compare.seats.near.get(seat).map_or(&[][..], Vec::as_slice) {
                let Some(theirs) = self.compare.seats.voice(other, slot) else { continue };
                let fresh = FRESH.max(Span(theirs.interval.0.saturating_mul(3) / 2));
                let found = self.compare.hours.last((other, slot), minute);
                if let Some(found) = found.filter(|w| word.time - w.time <= fresh) {
                    column.push(found.value);
                }
            }
            let Some(&quantity) = COMPARED.get(slot) else { continue };
            let glance = own.quick.look(quantity, &column, hours);
            if let Some(last) = own.glance.get_mut(slot) {
                *last = glance;
            }
            if glance.gross.is_some() {
                self.book.overlay.doubt(
                    voice.series.0,
                    word.time,
                    Flag::Doubtful,
                    Reason::Neighbours,
                );
                self.again.push((voice.series, word.time));
            }
        }
    }

    /// Lifts the suspicion of steps that neighbours share.
    fn corroborate(&mut self, minute: Time) {
        let compare = &mut self.compare;
        let (seats, hours) = (&compare.seats, &compare.hours);
        let mut lifted = Vec::new();
        compare.suspects.retain(|suspect| {
            let found = suspect.corroborated(seats, hours, minute);
            if found {
                lifted.push(*suspect);
            }
            !found && suspect.waits(minute)
        });
        for suspect in lifted {
            self.book.overlay.lift(suspect.series, suspect.time, Reason::Step);
            self.again.push((SeriesIndex(suspect.series), suspect.time));
        }
    }
}
