//! Minutes that have ended are evaluated, each once, in order; late samples make the
//! minutes they belong to be evaluated again at the next boundary.

use crate::Processor;
use crate::book::Draft;
use crate::counting::increments;
use crate::feed::{MILLION, missing};
use crate::output::Output;
use crate::plan::{CONTEXT, TENDENCY, Work, depth};
use crate::recall::{Held, Recall};
use crate::state::{BEATS, Bucket};
use crate::track::Point;
use crate::windows::{Asked, COVERED, Samples, evaluate};
use observation::property::{Reports, Signal};
use observation::reading::to_steps;
use observation::signal::counter::boot_number;
use observation::time::{FIRST_BELIEVABLE, HOUR, MINUTE};
use observation::{
    ChannelIndex, Flag, Quantity, Reason, Reasons, Span, Stated, StationIndex, Time,
};
use quality::single::check;
use std::panic::{AssertUnwindSafe, catch_unwind};

const ONE: Span = Span(MINUTE);
/// Intervals without a sample after which a channel is silent.
const PATIENCE: i64 = 5;
/// Most minutes evaluated again from one look into the log.
const RUN: i64 = 60;

impl Processor {
    /// Evaluates every minute whose end plus grace is at or before `now`.
    pub fn walk(&mut self, now: Time, recall: &mut dyn Recall, out: &mut Output) {
        let last = (now - self.options.grace).minute_start();
        let Some(mut walked) = self.walked else {
            // Nothing was evaluated before the first sample, and nothing is missing.
            self.walked = Some(last);
            return;
        };
        while walked < last {
            let next = self.next_due(walked).map_or(last, |due| due.min(last));
            self.again(walked, recall, out);
            self.walked = Some(next);
            for station in 0..self.stations.len() {
                self.minute(station, next, recall, out);
            }
            walked = next;
        }
    }

    /// The next minute after `walked` in which there is something to do.
    fn next_due(&self, walked: Time) -> Option<Time> {
        let mut next: Option<Time> = None;
        let mut consider = |time: Time| {
            let time = time.max(walked + ONE);
            next = Some(next.map_or(time, |n| n.min(time)));
        };
        for station in &self.stations {
            if let Some(&due) = station.due.first() {
                consider(due);
            }
        }
        for place in 0..self.instruments.len() {
            if self.instruments.get(place).is_some_and(|i| !i.late.is_empty()) {
                consider(walked);
            }
            if let Some(silent) = self.silent_at(place) {
                consider(silent.step_end(ONE));
            }
        }
        next
    }

    /// When an instrument counts as silent if nothing more comes; none while it is.
    fn silent_at(&self, place: usize) -> Option<Time> {
        let state = self.instruments.get(place)?;
        let instrument = self.property.instruments.get(place)?;
        if state.gap.is_some() {
            return None;
        }
        let last = state.last?;
        if matches!(instrument.reports, Reports::Periodic) {
            return Some(last + Span(instrument.interval.0.saturating_mul(PATIENCE)) + Span(1));
        }
        let station = usize::from(instrument.station.0);
        let alive = self.stations.get(station)?.last?;
        let interval = self.property.stations.get(station)?.interval;
        Some(alive.max(last) + Span(interval.0.saturating_mul(PATIENCE)) + Span(1))
    }

    /// Evaluates one minute of one station, if it is due.
    fn minute(&mut self, station: usize, minute: Time, recall: &mut dyn Recall, out: &mut Output) {
        let due = self.stations.get_mut(station).is_some_and(|s| s.due.remove(&minute));
        let before = out.readings.len();
        let done = catch_unwind(AssertUnwindSafe(|| {
            self.gaps(station, minute, recall, out);
            if due {
                self.instruments_of(station, minute, recall, out);
                self.trim(station, minute);
            }
        }));
        if done.is_err() {
            out.readings.truncate(before);
            if let Ok(index) = u16::try_from(station) {
                out.panics.push(StationIndex(index));
            }
        }
    }

    /// Gaps that have become certain at this minute.
    fn gaps(&mut self, station: usize, minute: Time, recall: &mut dyn Recall, out: &mut Output) {
        for nth in 0..self.plan.by_station.get(station).map_or(0, Vec::len) {
            let Some(&place) = self.plan.by_station.get(station).and_then(|l| l.get(nth)) else {
                continue;
            };
            if self.silent_at(place).is_none_or(|silent| silent.step_end(ONE) > minute) {
                continue;
            }
            let (Some(part), Some(instrument), Some(state)) = (
                self.plan.parts.get(place),
                self.property.instruments.get(place),
                self.instruments.get_mut(place),
            ) else {
                continue;
            };
            let Some(last) = state.last else { continue };
            let periodic = matches!(instrument.reports, Reports::Periodic);
            let start = match part.work {
                Work::Point { .. } if periodic => last + instrument.interval,
                Work::Point { .. } => minute,
                Work::Mean { step, .. } => last.step_end(step) + step,
                _ if periodic => last.step_end(ONE) + ONE,
                _ => minute,
            };
            state.gap = Some(start);
            let draft = missing(part.first(), start);
            self.book.publish(draft, false, recall, &mut out.readings);
        }
    }

    fn instruments_of(
        &mut self,
        station: usize,
        minute: Time,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        let alive = self.stations.get(station).is_some_and(|s| s.beats.contains(&minute));
        let mut drafts = Vec::new();
        for nth in 0..self.plan.by_station.get(station).map_or(0, Vec::len) {
            let Some(&place) = self.plan.by_station.get(station).and_then(|l| l.get(nth)) else {
                continue;
            };
            drafts.clear();
            if let (Some(part), Some(state)) =
                (self.plan.parts.get(place), self.instruments.get_mut(place))
                && let Work::Mean { mean, .. } = part.work
            {
                if let Some(bucket) = state.buckets.remove(&minute) {
                    drafts.extend(self.mean(place, mean, minute, &bucket));
                }
            } else if alive {
                let channel = self.channel_of(place);
                self.evaluate_from_track(place, channel, minute, &mut drafts);
                self.rate(place, channel, minute, &mut drafts);
            }
            for &draft in &drafts {
                self.book.publish(draft, false, recall, &mut out.readings);
            }
            if alive {
                self.tendency(place, minute, recall, out);
            }
        }
    }

    fn channel_of(&self, place: usize) -> ChannelIndex {
        self.property.instruments.get(place).map_or(ChannelIndex(u32::MAX), |i| i.channel)
    }

    /// Whether the station's own cup reads calm at a minute.
    fn calm(&self, station: usize, minute: Time) -> bool {
        self.plan.by_station.get(station).is_some_and(|list| {
            list.iter().any(|&p| match self.plan.parts.get(p).map(|p| &p.work) {
                Some(Work::Wind { long, .. }) => self.book.value(*long, minute) == Some(0),
                _ => false,
            })
        })
    }

    fn evaluate_from_track(
        &mut self,
        place: usize,
        channel: ChannelIndex,
        minute: Time,
        drafts: &mut Vec<Draft>,
    ) {
        let station = self.plan.parts.get(place).map_or(0, |p| p.station);
        let alive = self.stations.get(station).is_some_and(|s| s.beats.contains(&minute));
        let calm = self.calm(station, minute);
        let supply = self.supply_of(place);
        let supply: Vec<Point> = supply
            .and_then(|s| self.tracks.get_mut(s.0 as usize))
            .map_or_else(Vec::new, |t| t.slice().to_vec());
        let (Some(part), Some(instrument), Some(state), Some(track)) = (
            self.plan.parts.get(place),
            self.property.instruments.get(place),
            self.instruments.get(place),
            self.tracks.get_mut(channel.0 as usize),
        ) else {
            return;
        };
        let samples = Samples { points: track.slice(), count: state.floor, supply: &supply };
        evaluate(instrument, part, &samples, &Asked { minute, alive, calm }, drafts);
    }

    fn supply_of(&self, place: usize) -> Option<ChannelIndex> {
        match &self.property.instruments.get(place)?.signal {
            Signal::Ratio(ratio) => ratio.supply,
            _ => None,
        }
    }

    /// The mean of a step.
    fn mean(
        &self,
        place: usize,
        series: observation::SeriesIndex,
        minute: Time,
        bucket: &Bucket,
    ) -> Option<Draft> {
        let instrument = self.property.instruments.get(place)?;
        let step = self.plan.parts.get(place)?.period();
        let trusted = bucket.good_count >= bucket.doubtful_count;
        let (sum, count) = if trusted && bucket.good_count > 0 {
            (bucket.good, bucket.good_count)
        } else {
            (bucket.good + bucket.doubtful, bucket.good_count + bucket.doubtful_count)
        };
        let mut reasons = bucket.reasons;
        if count == 0 {
            // Nothing but values that cannot be.
            return (bucket.wrong > 0).then_some(Draft {
                series,
                time: minute,
                value: None,
                flag: Flag::Missing,
                reasons,
                made_by: bucket.made_by,
            });
        }
        let expected = step.0 as f64 / instrument.interval.0.max(1) as f64;
        if f64::from(count) < COVERED * expected.floor() {
            reasons = reasons.with(Reason::Incomplete);
        }
        let mean = sum as f64 / f64::from(count) / MILLION;
        let checked = check(instrument.quantity, mean, instrument.plausible, None);
        let flag = if trusted { checked.flag } else { checked.flag.worse(Flag::Doubtful) };
        Some(Draft {
            series,
            time: minute,
            value: Some(to_steps(mean, instrument.quantity.decimals())?),
            flag,
            reasons,
            made_by: bucket.made_by,
        })
    }

    /// The rate of rain at a minute, from the tips up to it.
    fn rate(&mut self, place: usize, channel: ChannelIndex, minute: Time, drafts: &mut Vec<Draft>) {
        let (Some(part), Some(instrument), Some(state), Some(track)) = (
            self.plan.parts.get(place),
            self.property.instruments.get(place),
            self.instruments.get_mut(place),
            self.tracks.get_mut(channel.0 as usize),
        ) else {
            return;
        };
        let Work::Rain { rate, .. } = part.work else { return };
        if !part.counts || state.last.is_none() {
            return;
        }
        let gap = self.options.event_gap;
        let from = state.rate_at.unwrap_or(minute - ONE);
        for (increment, left_out) in increments(state.floor, instrument, track.slice()) {
            if increment.to > from
                && increment.to <= minute
                && !left_out
                && let Some((one, _)) = depth(instrument, increment.to)
            {
                state.rate.add(&increment, one, gap);
            }
        }
        state.rate_at = Some(minute);
        let decimals = Quantity::RainfallRate.decimals();
        if let Some(steps) = state.rate.at(minute, gap).and_then(|r| to_steps(r, decimals)) {
            drafts.push(Draft {
                series: rate,
                time: minute,
                value: Some(steps),
                flag: Flag::Good,
                reasons: Reasons::NONE,
                made_by: 0,
            });
        }
    }

    /// Pressure now less three hours ago, at the barometer.
    fn tendency(&mut self, place: usize, minute: Time, recall: &mut dyn Recall, out: &mut Output) {
        let (Some(part), Some(instrument)) =
            (self.plan.parts.get(place), self.property.instruments.get(place))
        else {
            return;
        };
        let Some(series) = part.tendency else { return };
        let reach = Span(instrument.interval.0.max(MINUTE) * 3 / 2);
        let Some((_, now, flag)) = self.book.newest(part.first(), minute, minute - reach) else {
            return;
        };
        let Some(state) = self.instruments.get_mut(place) else { return };
        if !flag.counts() {
            return;
        }
        state.pressures.push_back((minute, now));
        let then = minute - TENDENCY;
        while state.pressures.front().is_some_and(|(t, _)| *t < then - reach) {
            state.pressures.pop_front();
        }
        // The newest of the minutes up to three hours ago.
        let before = state.pressures.iter().rev().find(|(t, _)| *t <= then);
        if let Some(&(_, before)) = before {
            let draft = Draft {
                series,
                time: minute,
                value: Some(now - before),
                flag: Flag::Good,
                reasons: Reasons::NONE,
                made_by: 0,
            };
            self.book.publish(draft, false, recall, &mut out.readings);
        }
    }

    /// Lets go of what no window of a later minute needs.
    fn trim(&mut self, station: usize, minute: Time) {
        for (index, channel) in self.property.channels.iter().enumerate() {
            if usize::from(channel.station.0) != station {
                continue;
            }
            let (Some(line), Some(track)) =
                (self.plan.lines.get(index), self.tracks.get_mut(index))
            else {
                continue;
            };
            if line.horizon > Span::ZERO {
                track.trim(minute - line.horizon, |point| {
                    for &place in &line.instruments {
                        if let (Some(state), Some(instrument)) =
                            (self.instruments.get_mut(place), self.property.instruments.get(place))
                        {
                            state.floor.step(instrument, point);
                        }
                    }
                });
            }
        }
        if let Some(state) = self.stations.get_mut(station) {
            let oldest = minute - BEATS;
            while state.beats.first().is_some_and(|&b| b < oldest) {
                state.beats.pop_first();
            }
        }
        for &place in self.plan.by_station.get(station).map_or(&[][..], Vec::as_slice) {
            if let Some(part) = self.plan.parts.get(place) {
                let floor = minute - crate::book::MEMORY;
                for series in part.series() {
                    self.book.trim(series, floor);
                }
            }
        }
        if minute.0.rem_euclid(HOUR) == 0
            && let Some(identities) = self.identities.get_mut(station)
        {
            identities.forget(minute);
        }
    }

    /// Evaluates again what late samples touched.
    fn again(&mut self, walked: Time, recall: &mut dyn Recall, out: &mut Output) {
        for place in 0..self.instruments.len() {
            let Some(state) = self.instruments.get_mut(place) else { continue };
            if state.late.is_empty() {
                continue;
            }
            let late: Vec<(Time, bool)> = std::mem::take(&mut state.late).into_iter().collect();
            let mut rest = late.as_slice();
            while let Some(&(first, _)) = rest.first() {
                let end = rest.partition_point(|(t, _)| *t - first <= Span(RUN * MINUTE));
                let (run, after) = rest.split_at(end);
                let station = self.plan.parts.get(place).map_or(0, |p| p.station);
                let before = out.readings.len();
                let done = catch_unwind(AssertUnwindSafe(|| {
                    self.again_run(place, run, walked, recall, out);
                }));
                if done.is_err() {
                    out.readings.truncate(before);
                    if let Ok(index) = u16::try_from(station) {
                        out.panics.push(StationIndex(index));
                    }
                }
                rest = after;
            }
        }
    }

    fn again_run(
        &mut self,
        place: usize,
        run: &[(Time, bool)],
        walked: Time,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        let (Some(part), Some(&(first, _)), Some(&(last, _))) =
            (self.plan.parts.get(place), run.first(), run.last())
        else {
            return;
        };
        if matches!(part.work, Work::Point { .. }) {
            return;
        }
        let (period, series, station) = (part.period(), part.first(), part.station);
        let channel = self.channel_of(place);
        let from = first - period - CONTEXT;
        let in_track = !matches!(part.work, Work::Mean { .. })
            && self
                .tracks
                .get(channel.0 as usize)
                .is_some_and(|t| t.floor.is_none_or(|floor| floor <= from));
        let points = if in_track { Vec::new() } else { fetch(channel, from, last, recall, out) };
        let supply = if in_track {
            Vec::new()
        } else {
            self.supply_of(place).map_or_else(Vec::new, |s| fetch(s, from, last, recall, out))
        };
        let mut drafts = Vec::new();
        for &(minute, own) in run.iter().filter(|(minute, _)| *minute <= walked) {
            let beat = self.stations.get(station).is_some_and(|s| s.beats.contains(&minute));
            let wanted = own
                || beat
                || self.book.knows(series, minute).unwrap_or_else(|| {
                    out.readings.iter().any(|r| r.series == series && r.time == minute)
                        || recall.reading(series, minute).is_some()
                });
            if !wanted {
                continue;
            }
            drafts.clear();
            if let Some(Work::Mean { mean, step }) = self.plan.parts.get(place).map(|p| &p.work) {
                let bucket = self.bucket_of(place, &points, minute - *step, minute);
                drafts.extend(self.mean(place, *mean, minute, &bucket));
            } else if in_track {
                self.evaluate_from_track(place, channel, minute, &mut drafts);
            } else {
                let calm = self.calm(station, minute);
                let asked = Asked { minute, alive: own || beat, calm };
                let samples = Samples {
                    points: &points,
                    count: crate::counting::Count::default(),
                    supply: &supply,
                };
                if let (Some(part), Some(instrument)) =
                    (self.plan.parts.get(place), self.property.instruments.get(place))
                {
                    evaluate(instrument, part, &samples, &asked, &mut drafts);
                }
            }
            for &draft in &drafts {
                self.book.publish(draft, false, recall, &mut out.readings);
            }
        }
    }

    /// A step summed anew from its samples.
    fn bucket_of(&self, place: usize, points: &[Point], from: Time, to: Time) -> Bucket {
        let mut bucket = Bucket::default();
        let (Some(part), Some(instrument)) =
            (self.plan.parts.get(place), self.property.instruments.get(place))
        else {
            return bucket;
        };
        let mut before: Option<(Time, f64)> = None;
        for point in points.iter().filter(|p| p.time <= to) {
            let supply = None;
            let Some((value, made_by)) = crate::windows::canonical(instrument, part, point, supply)
            else {
                continue;
            };
            let step = before
                .filter(|(time, _)| *time < point.time)
                .map(|(time, value)| (value, point.time - time));
            let checked = check(instrument.quantity, value, instrument.plausible, step);
            if point.time > from && !point.left_out() {
                bucket.add(checked, made_by);
            }
            if checked.flag != Flag::Erroneous && !point.left_out() {
                before = Some((point.time, checked.value));
            }
        }
        bucket
    }

    /// The clock of the server was set: what was walked ends at `old`, and goes on from
    /// `new`. After a step back, what was dated by arrival between the two is uncertain.
    pub fn step_clock(&mut self, old: Time, new: Time, recall: &mut dyn Recall, out: &mut Output) {
        self.walk(old, recall, out);
        if new < old {
            for track in &mut self.tracks {
                track.doubt_arrivals(new, old);
            }
            for place in 0..self.plan.parts.len() {
                let Some(Work::Point { point }) = self.plan.parts.get(place).map(|p| &p.work)
                else {
                    continue;
                };
                for mut draft in self.book.between(*point, new, old) {
                    draft.flag = draft.flag.worse(Flag::Doubtful);
                    draft.reasons = draft.reasons.with(Reason::Clock);
                    self.book.publish(draft, false, recall, &mut out.readings);
                }
            }
        }
        let anchor = (new - self.options.grace).minute_start();
        self.walked = Some(anchor);
        for station in &mut self.stations {
            // Minutes that lie behind now are not evaluated again for what was due.
            station.due = station.due.split_off(&(anchor + ONE));
        }
    }

    /// Evaluates everything that is still open: only for an input that does not say up
    /// to when it reaches.
    pub fn close(&mut self, recall: &mut dyn Recall, out: &mut Output) {
        let due = self.stations.iter().filter_map(|s| s.due.last().copied()).max();
        let late = self.instruments.iter().any(|i| !i.late.is_empty());
        if let Some(walked) = self.walked {
            let to = due.unwrap_or(walked).max(if late { walked + ONE } else { walked });
            self.walk(to + self.options.grace, recall, out);
        }
    }
}

/// Samples of a channel from the log and from the record being made.
fn fetch(
    channel: ChannelIndex,
    from: Time,
    to: Time,
    recall: &mut dyn Recall,
    out: &Output,
) -> Vec<Point> {
    let mut points: Vec<Point> = recall.samples(channel, from, to).iter().map(of_held).collect();
    // A neighbour beyond may lie in the record being made.
    let reach = to + Span::days(1);
    for message in &out.messages {
        for sample in message.samples.iter().filter(|s| s.channel == channel) {
            let point = Point::of(message, sample);
            if point.time >= from && point.time <= reach {
                points.push(point);
            }
        }
    }
    points.sort_by_key(|p| p.time);
    points
}

fn of_held(held: &Held) -> Point {
    let stated_wrong = matches!(held.stated, Stated::At(t) if t < FIRST_BELIEVABLE);
    let by_arrival = stated_wrong || matches!(held.stated, Stated::Nothing);
    Point {
        time: held.time,
        received: held.received,
        value: held.value.clone(),
        boot: held.boot.as_deref().map(boot_number),
        clock: stated_wrong,
        early: held.early && by_arrival,
        burst: false,
    }
}
