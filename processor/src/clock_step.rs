//! The clock of the server was set.
//!
//! Time goes on from the new clock. What was dated by arrival while the clock was wrong is
//! uncertain: it leaves the windows, and what was made of it says `clock`. After a step
//! back it stands, for what counts, at the instant of the step: so counters go on in the
//! order of the log, nothing is counted twice, and the hour after a wrong step is not
//! dated an hour ahead.

use crate::Processor;
use crate::book::Draft;
use crate::output::Output;
use crate::plan::Work;
use crate::recall::Recall;
use crate::track::Doubt;
use crate::walk::ONE;
use observation::{ChannelIndex, Flag, Reason, Span, Time};
use std::collections::BTreeSet;

/// Steps that are remembered.
const MOST: usize = 16;
/// How long after a start with a clock that was behind a step forward says that what
/// came since was dated wrongly.
const SINCE_START: Span = Span::hours(1);

impl Processor {
    /// The clock of the server was set from `old` to `new`: minutes are walked up to
    /// `old`, and on from `new`. Commit what waits before the call: the step concerns what
    /// was taken before, record by record.
    ///
    /// A step back gives `clock` to what was dated by arrival between the two. A start
    /// with a clock behind the last `received` is such a step; a step forward within an
    /// hour of it, or of the very first sample, gives `clock` to what was dated by arrival
    /// in between.
    pub fn step_clock(&mut self, old: Time, new: Time, recall: &mut dyn Recall, out: &mut Output) {
        self.walk(old, recall, out);
        let doubt = if new < old {
            self.stepped_back = Some(new);
            Some(Doubt { from: new, to: old, number: self.number, place: Some(new) })
        } else {
            let since = self.stepped_back.take().filter(|&since| old - since < SINCE_START);
            since.map(|from| Doubt {
                from: from - Span(1),
                to: old,
                number: self.number,
                place: None,
            })
        };
        if let Some(doubt) = doubt {
            while self.doubts.len() >= MOST {
                self.doubts.pop_front();
            }
            self.doubts.push_back(doubt);
            for channel in 0..self.tracks.len() {
                self.doubt(channel, &doubt, recall, out);
            }
        }
        self.walked = Some((new - self.options.grace).minute_start());
        self.heard.fill(None);
        if new < old {
            self.bring_back(new);
        }
        self.listen(out);
        self.say_again(recall, out);
    }

    /// What a step makes of the samples of one channel.
    fn doubt(&mut self, channel: usize, doubt: &Doubt, recall: &mut dyn Recall, out: &mut Output) {
        let Ok(index) = u32::try_from(channel) else { return };
        let concerned: Vec<Time> = self
            .look_back(ChannelIndex(index), doubt.from, doubt.to, recall, out)
            .into_iter()
            .filter(|p| p.by_arrival && p.received > doubt.from && p.received <= doubt.to)
            .map(|p| p.time)
            .collect();
        if let Some(track) = self.tracks.get_mut(channel) {
            track.doubt(doubt);
        }
        if concerned.is_empty() {
            return;
        }
        let places: Vec<usize> =
            self.plan.lines.get(channel).map_or_else(Vec::new, |l| l.instruments.clone());
        let mut touched: BTreeSet<Time> = BTreeSet::new();
        for place in places {
            for (time, moved) in self.touched_by(place, &concerned, doubt) {
                self.doubt_readings(place, time, moved, recall, out);
                touched.insert(time.step_end(ONE));
            }
            if let Some(place_in_order) = doubt.place {
                self.mark_windows(place, place_in_order);
            }
        }
        let station = self.property.channels.get(channel).map(|c| usize::from(c.station.0));
        if let (Some(station), Some(walked)) = (station, self.walked) {
            self.derive_touched(station, &touched, walked, recall, out);
        }
    }

    /// The times of the readings that samples have a part in, and whether what was
    /// counted then now stands elsewhere.
    fn touched_by(&self, place: usize, samples: &[Time], doubt: &Doubt) -> BTreeSet<(Time, bool)> {
        let Some(part) = self.plan.parts.get(place) else { return BTreeSet::new() };
        let moved = doubt.place.is_some() && matches!(part.work, Work::Rain { .. });
        let mut times = BTreeSet::new();
        for &sample in samples {
            match part.work {
                Work::Point { .. } => {
                    times.insert((sample, false));
                }
                Work::Mean { step, .. } => {
                    times.insert((sample.step_end(step), false));
                }
                _ => {
                    let mut minute = sample.step_end(ONE);
                    let end = minute + part.period();
                    while minute < end {
                        times.insert((minute, moved));
                        minute = minute + ONE;
                    }
                }
            }
        }
        times
    }

    fn doubt_readings(
        &mut self,
        place: usize,
        time: Time,
        moved: bool,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        let Some(part) = self.plan.parts.get(place) else { return };
        for series in part.series() {
            let standing = self.book.stands(series, time, recall, &out.readings);
            let Some(draft) = standing.filter(|s| s.value.is_some()) else { continue };
            let flag = if moved { Flag::Missing } else { draft.flag.worse(Flag::Doubtful) };
            let draft = Draft {
                flag,
                value: draft.value.filter(|_| !moved),
                reasons: draft.reasons.with(Reason::Clock),
                ..draft
            };
            self.book.publish(draft, false, recall, &mut out.readings);
        }
    }

    /// Counts the samples in memory anew, in their new order.
    fn recount(&mut self, place: usize) {
        let (Some(instrument), Some(state)) =
            (self.property.instruments.get(place), self.instruments.get_mut(place))
        else {
            return;
        };
        let Some(track) = self.tracks.get_mut(instrument.channel.0 as usize) else { return };
        state.count = state.floor.count();
        for point in track.slice() {
            state.count.step(instrument, point);
        }
    }

    /// Nothing is newer than the new clock.
    fn bring_back(&mut self, now: Time) {
        for state in &mut self.instruments {
            state.bring_back(now);
        }
        for place in 0..self.instruments.len() {
            self.recount(place);
        }
        for station in &mut self.stations {
            station.last = station.last.map(|last| last.min(now));
        }
    }
}
