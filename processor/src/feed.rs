//! An accepted sample reaches its channel's track and its instruments.

use crate::Processor;
use crate::book::Draft;
use crate::output::Output;
use crate::plan::{Work, depth};
use crate::recall::Recall;
use crate::state::{Added, Live};
use crate::track::Point;
use crate::windows::{canonical, point_direction, supply_at};
use observation::property::{Reports, Signal};
use observation::reading::to_steps;
use observation::signal::cup::{Cup, Stretch};
use observation::signal::{calibration, direction};
use observation::time::{FIRST_BELIEVABLE, MINUTE};
use observation::{Flag, Measured, Message, Reason, Reasons, Span, Stated, Time};
use quality::single::{Checked, check};

/// Parts of the canonical unit that sums are kept in.
pub(crate) const MILLION: f64 = 1e6;

impl Processor {
    pub(crate) fn absorb(
        &mut self,
        message: &Message,
        sample: &Measured,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        let channel = sample.channel.0 as usize;
        let mut point = Point::of(message, sample);
        let Some(line) = self.plan.lines.get(channel) else { return };
        let Some(track) = self.tracks.get_mut(channel) else { return };
        let keep = line.horizon > Span::ZERO;
        let burst = track.in_burst(&point, line.periodic);
        if let Some(before) = burst {
            point.burst = true;
            track.mark_burst(before);
        }
        track.arrived(&point);
        let late = self.walked.is_some_and(|walked| point.time <= walked);
        let around = if late && keep { track.around(point.time) } else { (None, None) };
        self.beat(message.station.0.into(), point.time, late);
        let unique = matches!(sample.stated, Stated::At(t) if t >= FIRST_BELIEVABLE);
        let feeds = self.plan.lines.get(channel).map_or(0, |l| l.instruments.len());
        for nth in 0..feeds {
            let Some(&place) = self.plan.lines.get(channel).and_then(|l| l.instruments.get(nth))
            else {
                continue;
            };
            if let Some(before) = burst {
                self.take_back(place, before, recall, out);
            }
            self.feed(place, &point, late, unique, recall, out);
            if late && keep {
                self.mark_late(place, point.time, around);
            }
        }
        if keep && let Some(track) = self.tracks.get_mut(channel) {
            track.insert(point);
        }
    }

    /// The station said something at an instant.
    pub(crate) fn beat(&mut self, station: usize, time: Time, late: bool) {
        let Some(state) = self.stations.get_mut(station) else { return };
        let minute = time.step_end(Span(MINUTE));
        if state.beats.last() != Some(&minute) {
            state.beats.insert(minute);
        }
        if !late && state.due.last() != Some(&minute) {
            state.due.insert(minute);
        }
        state.last = Some(state.last.map_or(time, |last| last.max(time)));
    }

    fn feed(
        &mut self,
        place: usize,
        point: &Point,
        late: bool,
        unique: bool,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        self.end_gap(place, point.time, recall, out);
        let (Some(part), Some(instrument), Some(state)) = (
            self.plan.parts.get(place),
            self.property.instruments.get(place),
            self.instruments.get_mut(place),
        ) else {
            return;
        };
        let newest = state.last.is_none_or(|last| point.time >= last);
        if newest && point.time <= point.received {
            state.last = Some(point.time);
        }
        let doubt = if point.clock { Flag::Doubtful } else { Flag::Unchecked };
        let doubt_reasons = if point.clock { Reasons::from(Reason::Clock) } else { Reasons::NONE };
        let mut live = |value: Option<f64>, flag: Flag, reasons: Reasons| {
            if newest && point.time <= point.received {
                state.live = Some(Live {
                    value,
                    flag: flag.worse(doubt),
                    reasons: reasons.union(doubt_reasons),
                    time: point.time,
                    received: point.received,
                });
            }
        };
        if part.counts {
            let Some(increment) = state.count.step(instrument, point) else {
                live(None, Flag::Erroneous, Reason::Fault.into());
                return;
            };
            let value = match part.work {
                Work::Wind { .. } => calibration::active(&instrument.calibrations, point.time)
                    .and_then(|a| Cup::of(a.transfer))
                    .zip(Stretch::of(&increment).filter(|s| s.to > s.from))
                    .and_then(|(cup, s)| cup.speed(s.turns / (s.to - s.from).as_seconds()))
                    .map(|speed| speed.value),
                _ => None,
            };
            let known = value.map(|v| check(instrument.quantity, v, instrument.plausible, None));
            let flag = known.map_or(Flag::Good, |c| c.flag).worse(increment.flag);
            live(value, flag, increment.reasons.union(known.map_or(Reasons::NONE, |c| c.reasons)));
            if matches!(part.work, Work::Rain { .. })
                && increment.flag.counts()
                && !point.left_out()
                && let Some((one, _)) = depth(instrument, point.time)
                && let Some(sum) = self.rain.get_mut(place)
            {
                *sum += observation::signal::gauge::depth(&increment, one);
            }
            return;
        }
        let supply = match &instrument.signal {
            Signal::Ratio(ratio) => ratio.supply.and_then(|s| {
                let points = self.tracks.get_mut(s.0 as usize)?.slice();
                supply_at(points, point.time)
            }),
            _ => None,
        };
        if let Work::Direction { vane, .. } = &part.work {
            let mut seen = state.seen;
            let supply = match &instrument.signal {
                Signal::Ratio(r) => r.supply.and_then(|s| self.tracks.get_mut(s.0 as usize)),
                _ => None,
            };
            let supply = supply.map_or(&[][..], |t| t.slice());
            match point_direction(instrument, part, vane.as_deref(), point, supply, &mut seen) {
                Ok(value) => {
                    let decimals = instrument.quantity.decimals();
                    let value = value
                        .and_then(|d| direction::to_steps(d, decimals))
                        .map(|s| observation::reading::from_steps(s, decimals));
                    live(value, Flag::Good, Reasons::NONE);
                }
                Err(()) => live(None, Flag::Erroneous, Reason::Fault.into()),
            }
            if newest {
                state.seen = seen;
            }
            return;
        }
        let Some((value, made_by)) = canonical(instrument, part, point, supply) else {
            live(None, Flag::Erroneous, Reason::Fault.into());
            if let Work::Point { point: series } = part.work {
                let draft = Draft {
                    series,
                    time: point.time,
                    value: None,
                    flag: Flag::Missing,
                    reasons: Reason::Fault.into(),
                    made_by: 0,
                };
                self.book.publish(draft, unique, recall, &mut out.readings);
            }
            return;
        };
        let before = state
            .before
            .filter(|(time, _)| *time < point.time)
            .map(|(time, value)| (value, point.time - time));
        let checked = check(instrument.quantity, value, instrument.plausible, before);
        live(Some(checked.value), checked.flag, checked.reasons);
        if newest && checked.flag != Flag::Erroneous && !point.left_out() {
            state.before = Some((point.time, checked.value));
        }
        match part.work {
            Work::Point { point: series } => {
                let left_out = point.left_out();
                let flag = if left_out { Flag::Doubtful } else { Flag::Unchecked };
                let reasons = if left_out { Reason::Clock.into() } else { Reasons::NONE };
                let draft = Draft {
                    series,
                    time: point.time,
                    value: to_steps(checked.value, instrument.quantity.decimals()),
                    flag: checked.flag.worse(flag),
                    reasons: checked.reasons.union(reasons),
                    made_by,
                };
                if draft.value.is_some() {
                    self.book.publish(draft, unique, recall, &mut out.readings);
                }
            }
            Work::Mean { step, .. } => {
                let end = point.time.step_end(step);
                if self.walked.is_some_and(|walked| end <= walked) {
                    state.late.insert(end, true);
                } else if !point.left_out() {
                    add(state, end, checked, made_by);
                    let station = part.station;
                    if let Some(s) = self.stations.get_mut(station)
                        && s.due.last() != Some(&end)
                    {
                        s.due.insert(end);
                    }
                }
            }
            Work::Rain { .. } if !late && checked.flag.counts() && !point.left_out() => {
                if let Some(sum) = self.rain.get_mut(place) {
                    *sum += checked.value;
                }
            }
            _ => {}
        }
    }

    /// The sample before turned out to be one of a burst: it leaves its step, and a
    /// published reading becomes doubtful.
    fn take_back(&mut self, place: usize, time: Time, recall: &mut dyn Recall, out: &mut Output) {
        let (Some(part), Some(state)) =
            (self.plan.parts.get(place), self.instruments.get_mut(place))
        else {
            return;
        };
        match part.work {
            Work::Point { point } => {
                for mut draft in self.book.between(point, time - Span(1), time) {
                    draft.flag = draft.flag.worse(Flag::Doubtful);
                    draft.reasons = draft.reasons.with(Reason::Clock);
                    self.book.publish(draft, false, recall, &mut out.readings);
                }
            }
            Work::Mean { .. } => {
                if let Some(added) = state.added.take()
                    && let Some(bucket) = state.buckets.get_mut(&added.end)
                {
                    if added.flag.counts() {
                        bucket.good -= added.millionths;
                        bucket.good_count = bucket.good_count.saturating_sub(1);
                    } else {
                        bucket.doubtful -= added.millionths;
                        bucket.doubtful_count = bucket.doubtful_count.saturating_sub(1);
                    }
                }
            }
            _ => {}
        }
    }

    /// A late sample changes the windows it lies in, and those between its neighbours
    /// where what lies between them is counted.
    fn mark_late(&mut self, place: usize, time: Time, around: (Option<Time>, Option<Time>)) {
        let (Some(part), Some(walked)) = (self.plan.parts.get(place), self.walked) else { return };
        let minute = Span(MINUTE);
        let own = time.step_end(minute);
        let interval = self.property.instruments.get(place).map_or(minute, |i| i.interval);
        // A neighbour further away than the windows reach has nothing to change.
        let near = |t: Time| (t - time).absolute() <= part.period() + interval + interval;
        let spread = part.counts;
        let from = around.0.filter(|&t| spread && near(t)).map_or(own, |t| t.step_end(minute));
        let to = around.1.filter(|&t| spread && near(t)).map_or(own, |t| t.step_end(minute));
        let to = (to + part.period() - minute).min(walked);
        let same_station: Vec<usize> = match part.work {
            // Calm decides whether there is a direction.
            Work::Wind { .. } => {
                self.plan.by_station.get(part.station).map_or_else(Vec::new, |l| {
                    let directed = |&p: &usize| {
                        matches!(
                            self.plan.parts.get(p).map(|p| &p.work),
                            Some(Work::Direction { .. })
                        )
                    };
                    l.iter().copied().filter(directed).collect()
                })
            }
            _ => Vec::new(),
        };
        for place in same_station.into_iter().chain(std::iter::once(place)) {
            let Some(state) = self.instruments.get_mut(place) else { continue };
            let mut at = from;
            while at <= to {
                let mark = state.late.entry(at).or_default();
                *mark |= at == own;
                at = at + minute;
            }
        }
    }

    /// A sample came after a gap: a missing reading stands at the gap's end too.
    fn end_gap(&mut self, place: usize, time: Time, recall: &mut dyn Recall, out: &mut Output) {
        let (Some(part), Some(instrument), Some(state)) = (
            self.plan.parts.get(place),
            self.property.instruments.get(place),
            self.instruments.get_mut(place),
        ) else {
            return;
        };
        let Some(start) = state.gap.filter(|&start| time > start) else { return };
        state.gap = None;
        let end = match part.work {
            Work::Point { .. } if matches!(instrument.reports, Reports::Periodic) => {
                time - instrument.interval
            }
            Work::Point { .. } => time - Span(1),
            Work::Mean { step, .. } => time.step_end(step) - step,
            _ => time.step_end(Span(MINUTE)) - Span(MINUTE),
        };
        if end > start {
            let draft = missing(part.first(), end);
            self.book.publish(draft, false, recall, &mut out.readings);
        }
    }
}

/// A reading that says there is none.
pub(crate) const fn missing(series: observation::SeriesIndex, time: Time) -> Draft {
    Draft { series, time, value: None, flag: Flag::Missing, reasons: Reasons::NONE, made_by: 0 }
}

/// Adds a checked value to the step that ends at `end`.
fn add(state: &mut crate::state::InstrumentState, end: Time, checked: Checked, made_by: u32) {
    let bucket = state.buckets.entry(end).or_default();
    let millionths = bucket.add(checked, made_by);
    state.added = millionths.map(|millionths| Added { end, millionths, flag: checked.flag });
}

impl crate::state::Bucket {
    /// Adds a checked value; gives what was added to which sum, if to any.
    pub(crate) fn add(&mut self, checked: Checked, made_by: u32) -> Option<i64> {
        self.made_by = made_by;
        self.reasons = self.reasons.union(checked.reasons);
        if checked.flag == Flag::Erroneous {
            self.wrong = self.wrong.saturating_add(1);
            return None;
        }
        let millionths = (checked.value * MILLION).round() as i64;
        if checked.flag.counts() {
            self.good = self.good.saturating_add(millionths);
            self.good_count = self.good_count.saturating_add(1);
        } else {
            self.doubtful = self.doubtful.saturating_add(millionths);
            self.doubtful_count = self.doubtful_count.saturating_add(1);
        }
        Some(millionths)
    }
}
