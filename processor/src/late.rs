//! What came late is seen to at the next boundary: the minutes it touches are evaluated
//! again, each once, and what changed becomes a revision.
//!
//! A late sample touches its own minute, the windows that reach back to it, and for what
//! counts also those of the sample after it. A minute in which the station was not heard
//! before is new to all of its instruments. Where the wind changes, the direction is
//! asked again whether there is one.

use crate::Processor;
use crate::book::Draft;
use crate::gap::missing;
use crate::judge::SUPPLY;
use crate::lookback::Lookback;
use crate::output::Output;
use crate::plan::{CONTEXT, Work};
use crate::recall::Recall;
use crate::tally::Tally;
use crate::track::Point;
use crate::walk::ONE;
use crate::windows::Samples;
use observation::{ChannelIndex, SeriesIndex, Span, Time};
use std::collections::{BTreeMap, BTreeSet};

/// The longest run of minutes evaluated from one look into the log.
const RUN: Span = Span::hours(1);

/// Minutes to be evaluated, and whether it is certain that they are wanted: else only if
/// the station was heard in them.
type Minutes = BTreeMap<Time, bool>;

impl Processor {
    /// Evaluates again what late samples of a station touched, up to `walked`.
    pub(crate) fn again(
        &mut self,
        station: usize,
        walked: Time,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        let new = self.stations.get_mut(station).map(|s| std::mem::take(&mut s.late));
        let new = new.unwrap_or_default();
        let mut winds: BTreeSet<Time> = BTreeSet::new();
        let mut touched: BTreeSet<Time> = new.clone();
        for nth in self.places(station) {
            let place = self.place(station, nth);
            let own = self.instruments.get_mut(place).map(|i| std::mem::take(&mut i.late));
            let own = own.unwrap_or_default();
            let Some(work) = self.plan.parts.get(place).map(|p| &p.work) else { continue };
            let mut minutes = match work {
                Work::Point { .. } => {
                    touched.extend(own);
                    continue;
                }
                Work::Mean { .. } => own.into_iter().map(|end| (end, true)).collect(),
                _ => {
                    let mut minutes = self.reach_of(place, &own, walked);
                    minutes.extend(new.iter().map(|&minute| (minute, true)));
                    minutes
                }
            };
            let (wind, direction) =
                (matches!(work, Work::Wind { .. }), matches!(work, Work::Direction { .. }));
            if direction {
                minutes.extend(winds.iter().map(|&minute| (minute, true)));
            }
            if minutes.is_empty() {
                continue;
            }
            let mut done = BTreeSet::new();
            let after = self.minutes_again(place, &minutes, &mut done, recall, out);
            let after: Minutes = self
                .reach_of(place, &after, walked)
                .into_iter()
                .filter(|(minute, _)| !done.contains(minute))
                .collect();
            self.minutes_again(place, &after, &mut done, recall, out);
            if wind {
                winds.extend(done.iter().copied());
            }
            touched.extend(done);
        }
        if !touched.is_empty() {
            self.derive_touched(station, &touched, walked, recall, out);
        }
    }

    /// The ends of the windows that reach back to these minutes.
    fn reach_of(&self, place: usize, own: &BTreeSet<Time>, walked: Time) -> Minutes {
        let part = self.plan.parts.get(place);
        let period = part.map_or(ONE, super::plan::Part::period);
        // A rate hangs on the tips before it, as far as these are in memory: on the last two,
        // neither further back than an event's end.
        let reach = self.options.event_gap + self.options.event_gap + period;
        let rated = part.is_some_and(|p| p.rate().is_some());
        let mut minutes = Minutes::new();
        for &minute in own {
            let last = if rated && self.is_kept(place, minute) {
                walked.min(minute + reach)
            } else {
                walked.min(minute + period - ONE)
            };
            let mut end = minute + ONE;
            while end <= last {
                minutes.entry(end).or_insert(false);
                end = end + ONE;
            }
        }
        minutes.extend(own.iter().filter(|&&m| m <= walked).map(|&minute| (minute, true)));
        minutes
    }

    /// Evaluates minutes again; gives those whose counts change because of them.
    fn minutes_again(
        &mut self,
        place: usize,
        minutes: &Minutes,
        done: &mut BTreeSet<Time>,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) -> BTreeSet<Time> {
        let all: Vec<(Time, bool)> = minutes.iter().map(|(&m, &certain)| (m, certain)).collect();
        let mut after = BTreeSet::new();
        let mut rest = all.as_slice();
        while let Some(&(first, _)) = rest.first() {
            let kept = self.is_kept(place, first);
            let end = rest.partition_point(|&(minute, _)| {
                minute - first <= RUN && self.is_kept(place, minute) == kept
            });
            let (run, others) = rest.split_at(end.max(1));
            self.run_again(place, run, kept, done, &mut after, recall, out);
            rest = others;
        }
        after
    }

    #[allow(clippy::too_many_arguments, reason = "two of them are what it gives")]
    fn run_again(
        &mut self,
        place: usize,
        run: &[(Time, bool)],
        kept: bool,
        done: &mut BTreeSet<Time>,
        after: &mut BTreeSet<Time>,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        let (Some(&(first, _)), Some(&(last, _))) = (run.first(), run.last()) else { return };
        let Some(part) = self.plan.parts.get(place) else { return };
        let (station, counts, period) = (part.station, part.counts, part.period());
        let Some(channel) = self.property.instruments.get(place).map(|i| i.channel) else { return };
        let (mut points, mut supply) = (Vec::new(), Vec::new());
        if !kept {
            let from = first - period - CONTEXT;
            self.open_sheet(place, first, last, recall, out);
            points = self.look_back(channel, from, last, recall, out);
            if let Some(index) = self.supply_of(place).and_then(|s| u32::try_from(s).ok()) {
                supply = self.look_back(ChannelIndex(index), from - SUPPLY, last, recall, out);
            }
        }
        if counts {
            let own = run.iter().filter(|(_, certain)| *certain).map(|&(minute, _)| minute);
            if kept {
                let track = self.tracks.get_mut(channel.0 as usize);
                after.extend(followers(track.map_or(&[][..], |t| t.slice()), own));
            } else {
                after.extend(followers(&points, own));
                // The sample after all of these may be the first in memory.
                let track = self.tracks.get_mut(channel.0 as usize);
                let first = track.and_then(|t| t.slice().first().map(|p| p.place));
                after.extend(first.map(|time| time.step_end(ONE)));
            }
        }
        for &(minute, certain) in run {
            let beat = self.is_beat(station, minute);
            if !certain && !beat.unwrap_or_else(|| self.was_made(place, minute, recall, out)) {
                continue;
            }
            done.insert(minute);
            let alive = beat.unwrap_or(true);
            let mut drafts = Vec::new();
            if kept {
                self.evaluate_kept(place, minute, alive, &mut drafts, recall, out);
            } else {
                let asked = self.asked(place, minute, alive, recall, out);
                let samples = Samples {
                    points: upto(&points, minute),
                    tally: Tally::default(),
                    sequel: false,
                    supply: &supply,
                };
                self.evaluate_from(place, samples, asked, &mut drafts, out);
            }
            self.replace(place, minute, kept, drafts, recall, out);
        }
        self.book.close_sheet();
    }

    /// Reads what stands of all that evaluations of an instrument ask for.
    fn open_sheet(
        &mut self,
        place: usize,
        first: Time,
        last: Time,
        recall: &mut dyn Recall,
        out: &Output,
    ) {
        let Some(part) = self.plan.parts.get(place) else { return };
        let cups = match part.work {
            Work::Direction { .. } => self.cups(part.station).collect(),
            _ => Vec::new(),
        };
        let series: Vec<SeriesIndex> = part.series().chain(cups).collect();
        self.book.open_sheet(&series, first, last, recall, &out.readings);
    }

    pub(crate) fn look_back(
        &self,
        channel: ChannelIndex,
        from: Time,
        to: Time,
        recall: &mut dyn Recall,
        out: &Output,
    ) -> Vec<Point> {
        let interval = self.plan.line(channel).and_then(|line| line.periodic);
        let doubts: Vec<_> = self.doubts.iter().copied().collect();
        let mut lookback =
            Lookback { recall, pending: &out.messages, number: self.number, doubts: &doubts };
        lookback.samples(channel, from, to, interval)
    }

    /// Whether any reading of the instrument stands at a minute.
    fn was_made(&self, place: usize, minute: Time, recall: &mut dyn Recall, out: &Output) -> bool {
        self.plan.parts.get(place).is_some_and(|part| {
            part.series().any(|s| self.book.stands(s, minute, recall, &out.readings).is_some())
        })
    }

    /// Publishes what an evaluation gave; what it gives no more is missing.
    fn replace(
        &mut self,
        place: usize,
        minute: Time,
        kept: bool,
        mut drafts: Vec<Draft>,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        let Some(part) = self.plan.parts.get(place) else { return };
        for series in part.series() {
            let unknown = !kept && part.rate() == Some(series);
            if unknown || drafts.iter().any(|d| d.series == series) {
                continue;
            }
            let standing = self.book.stands(series, minute, recall, &out.readings);
            if standing.is_some_and(|s| s.value.is_some()) {
                drafts.push(missing(series, minute));
            }
        }
        for draft in drafts {
            self.book.publish(draft, false, recall, &mut out.readings);
        }
    }
}

/// The minutes of the samples that come next after each of these minutes.
fn followers(points: &[Point], minutes: impl Iterator<Item = Time>) -> impl Iterator<Item = Time> {
    minutes.filter_map(|minute| {
        let next = points.partition_point(|p| p.place <= minute);
        points.get(next).map(|p| p.place.step_end(ONE))
    })
}

/// The samples up to an instant.
fn upto(points: &[Point], time: Time) -> &[Point] {
    points.get(..points.partition_point(|p| p.place <= time)).unwrap_or_default()
}
