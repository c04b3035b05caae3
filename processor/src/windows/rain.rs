//! Depth of a minute and rate.

use super::{Samples, Window};
use crate::book::Draft;
use crate::judge::convert;
use crate::plan::{Part, Work, depth};
use crate::tally::Tally;
use crate::track::Point;
use observation::property::{Instrument, Reports};
use observation::reading::to_steps;
use observation::signal::gauge;
use observation::time::MINUTE;
use observation::{Flag, Quantity, Reason, Reasons, SeriesIndex, Span, Time};
use quality::range::GREATEST_MINUTE_OF_RAIN;

/// What fell in the minute.
struct Fallen {
    depth: f64,
    flag: Flag,
    reasons: Reasons,
    made_by: u32,
    /// Since when it may have fallen, at the earliest.
    since: Time,
}

impl Window<'_> {
    /// Silence is zero only where the channel speaks on change and its station lives; a
    /// periodic channel that says nothing leaves nothing.
    pub(super) fn rain(&self, sum: SeriesIndex, rate: SeriesIndex, drafts: &mut Vec<Draft>) {
        let minute = self.asked.minute;
        let from = minute - Span(MINUTE);
        let heard = |p: &Point| p.place > from && p.place <= minute;
        let periodic = matches!(self.instrument.reports, Reports::Periodic);
        let here = self.samples.points.iter().any(heard);
        if !here && (periodic || !self.asked.alive) {
            return;
        }
        let (fallen, now) = if self.part.counts { self.counted(from) } else { self.measured(from) };
        let Fallen { depth, mut flag, mut reasons, made_by, since } = fallen;
        let minutes = ((minute - since).0 as f64 / MINUTE as f64).max(1.0);
        if depth >= 0.0 && depth <= GREATEST_MINUTE_OF_RAIN * minutes {
            flag = flag.worse(Flag::Good);
        } else {
            flag = flag.worse(Flag::Erroneous);
            reasons = reasons.with(Reason::Range);
        }
        let decimals = Quantity::PrecipitationDepth.decimals();
        if let Some(steps) = to_steps(depth, decimals) {
            let (series, value) = (sum, Some(steps));
            drafts.push(Draft { series, time: minute, value, flag, reasons, made_by });
        }
        let decimals = Quantity::RainfallRate.decimals();
        if self.samples.sequel
            && let Some(steps) = now.and_then(|r| to_steps(r, decimals))
        {
            let (series, value) = (rate, Some(steps));
            let (flag, reasons) = (Flag::Good, Reasons::NONE);
            drafts.push(Draft { series, time: minute, value, flag, reasons, made_by });
        }
    }

    fn counted(&self, from: Time) -> (Fallen, Option<f64>) {
        let Samples { points, tally, .. } = self.samples;
        let (minute, gap) = (self.asked.minute, self.asked.event_gap);
        let all = tally.all(self.instrument, points, gap);
        let mut fallen = self.none(from);
        for one in all.iter().filter(|c| c.increment.to > from && c.increment.to <= minute) {
            let increment = &one.increment;
            fallen.flag = fallen.flag.worse(increment.flag);
            fallen.reasons = fallen.reasons.union(increment.reasons);
            if increment.count == 0 {
                continue;
            }
            if let Some((depth, made_by)) = depth(self.instrument, increment.to) {
                fallen.depth += gauge::depth(increment, depth);
                fallen.made_by = made_by;
            }
            fallen.since = increment.from.map_or(fallen.since, |f| f.min(fallen.since));
            if one.left_out {
                fallen.uncertain();
            }
        }
        (fallen, tally.rate_at(self.instrument, &all, minute, gap))
    }

    /// A gauge that speaks in millimetres says what fell since its sample before.
    fn measured(&self, from: Time) -> (Fallen, Option<f64>) {
        let Samples { points, mut tally, .. } = self.samples;
        let (minute, gap) = (self.asked.minute, self.asked.event_gap);
        let mut fallen = self.none(from);
        let mut before = None;
        for point in points.iter().filter(|p| p.place <= minute) {
            let Some(converted) = convert(self.instrument, self.part, point, &[]) else {
                if point.place > from {
                    fallen.reasons = fallen.reasons.with(Reason::Fault);
                }
                continue;
            };
            if !point.left_out() {
                tally.fallen(converted.value, before, point.time, gap);
                before = Some(point.time);
            }
            if point.place > from {
                fallen.depth += converted.value;
                fallen.made_by = converted.made_by;
                if point.left_out() {
                    fallen.uncertain();
                }
            }
        }
        (fallen, tally.rate(minute, gap))
    }

    fn none(&self, from: Time) -> Fallen {
        let made_by = depth(self.instrument, self.asked.minute).map_or(0, |(_, by)| by);
        Fallen { depth: 0.0, flag: Flag::Unchecked, reasons: Reasons::NONE, made_by, since: from }
    }
}

impl Fallen {
    /// It fell, but not certainly in this minute.
    fn uncertain(&mut self) {
        self.flag = self.flag.worse(Flag::Doubtful);
        self.reasons = self.reasons.with(Reason::Clock);
    }
}

/// Takes a sample that leaves the track into the tally that stands where the track
/// begins.
pub(crate) fn leave(
    part: &Part,
    tally: &mut Tally,
    instrument: &Instrument,
    point: &Point,
    event_gap: Span,
) {
    if part.counts {
        tally.step(instrument, point, event_gap);
    } else if matches!(part.work, Work::Rain { .. })
        && !point.left_out()
        && let Some(converted) = convert(instrument, part, point, &[])
    {
        tally.fallen(converted.value, None, point.time, event_gap);
    }
}
