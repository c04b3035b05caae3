//! An accepted sample reaches its channel's track and its instruments.

use crate::Processor;
use crate::book::Draft;
use crate::judge::{Before, Converted, convert, point_at};
use crate::output::Output;
use crate::plan::{CONTEXT, Work, depth};
use crate::recall::Recall;
use crate::state::Live;
use crate::track::Point;
use crate::walk::ONE;
use crate::windows::leave;
use observation::property::Signal;
use observation::reading::{from_steps, to_steps};
use observation::signal::cup::{Cup, Stretch};
use observation::signal::{calibration, direction, gauge};
use observation::time::{FIRST_BELIEVABLE, HOUR};
use observation::{Flag, Measured, Message, Reason, Reasons, Span, Stated, Time};
use quality::single::{Checked, check};

/// What one sample means by itself.
struct Meaning {
    value: Option<f64>,
    flag: Flag,
    reasons: Reasons,
}

const FAULT: Meaning = Meaning {
    value: None,
    flag: Flag::Erroneous,
    reasons: Reasons::from_bits(1 << Reason::Fault as u16),
};

impl From<Checked> for Meaning {
    fn from(checked: Checked) -> Self {
        let Checked { value, flag, reasons } = checked;
        Self { value: Some(value), flag, reasons }
    }
}

impl Processor {
    pub(crate) fn absorb(
        &mut self,
        message: &Message,
        sample: &Measured,
        number: u64,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        let channel = sample.channel.0 as usize;
        let mut point = Point::of(message, sample, number, &[]);
        let (Some(line), Some(track)) =
            (self.plan.lines.get(channel), self.tracks.get_mut(channel))
        else {
            return;
        };
        let burst = track.arrived(&mut point, line.periodic);
        let kept = line.is_kept() && track.insert(point.clone());
        let full = track.is_full();
        let feeds = line.instruments.len();
        let station = usize::from(message.station.0);
        let (local, periodic) = (line.local, line.periodic.is_some());
        if periodic && !point.left_out() {
            self.count_arrival(station, local, point.time);
        }
        self.beat(station, &point, recall, out);
        let unique = matches!(sample.stated, Stated::At(t) if t >= FIRST_BELIEVABLE);
        for nth in 0..feeds {
            let line = self.plan.lines.get(channel);
            let Some(&place) = line.and_then(|l| l.instruments.get(nth)) else { continue };
            if let Some(before) = burst {
                self.take_back(place, before, recall, out);
            }
            self.end_gap(place, point.time, recall, out);
            self.feed(place, &point, kept, unique, recall, out);
            self.mark_windows(place, point.time);
        }
        if full {
            self.shorten(channel, Time(i64::MIN));
        }
    }

    /// Whether a minute was evaluated already.
    pub(crate) fn is_past(&self, minute: Time) -> bool {
        self.walked.is_some_and(|walked| minute <= walked)
    }

    /// The next boundary: there late samples are seen to.
    fn soon(&self) -> Time {
        self.walked.unwrap_or(Time(0)) + ONE
    }

    /// A minute of a station is to be evaluated; if it is past, what came late is seen to
    /// at the next boundary.
    pub(crate) fn due(&mut self, station: usize, minute: Time) {
        let minute = if self.is_past(minute) { self.soon() } else { minute };
        if let Some(state) = self.stations.get_mut(station) {
            state.due.insert(minute);
        }
    }

    /// The station said something.
    fn beat(&mut self, station: usize, point: &Point, recall: &mut dyn Recall, out: &mut Output) {
        let minute = point.time.step_end(ONE);
        let Some(state) = self.stations.get_mut(station) else { return };
        let before = state.last;
        state.last = Some(before.map_or(point.time, |last| last.max(point.time)));
        if state.quiet && before.is_none_or(|last| point.time > last) {
            state.quiet = false;
            self.end_quiet(station, point.time, recall, out);
        }
        if self.heard.get(station) == Some(&Some(minute)) {
            return;
        }
        let new = self.beats.get_mut(station).is_some_and(|b| b.set(minute));
        self.due(station, minute);
        let hour = minute.step_end(Span(HOUR));
        if hour != minute && !self.is_past(hour) && self.is_crop_hour(station, hour) {
            self.due(station, hour);
        }
        let past = self.is_past(minute);
        if past
            && new
            && let Some(state) = self.stations.get_mut(station)
        {
            state.late.insert(minute);
        }
        if !past && let Some(heard) = self.heard.get_mut(station) {
            *heard = Some(minute);
        }
    }

    /// The windows a sample lies in are evaluated when they end, or again.
    pub(crate) fn mark_windows(&mut self, place: usize, time: Time) {
        let Some(part) = self.plan.parts.get(place) else { return };
        let station = part.station;
        let minute = match part.work {
            Work::Mean { step, .. } => time.step_end(step),
            _ => time.step_end(ONE),
        };
        let past = self.is_past(minute);
        let own = matches!(part.work, Work::Mean { .. });
        if past && let Some(state) = self.instruments.get_mut(place) {
            state.late.insert(minute);
        }
        if past || own {
            self.due(station, minute);
        }
    }

    fn feed(
        &mut self,
        place: usize,
        point: &Point,
        kept: bool,
        unique: bool,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        let (Some(part), Some(instrument), Some(state)) = (
            self.plan.parts.get(place),
            self.property.instruments.get(place),
            self.instruments.get_mut(place),
        ) else {
            return;
        };
        state.last = Some(state.last.map_or(point.time, |last| last.max(point.time)));
        if !kept && part.has_tally() {
            leave(part, &mut state.floor, instrument, point, self.options.event_gap);
        }
        let meaning = if part.counts {
            self.count(place, point)
        } else if matches!(part.work, Work::Direction { .. }) {
            self.direct(place, point)
        } else {
            self.value(place, point, kept, unique, recall, out)
        };
        let (doubt, why) = doubt(point);
        self.health(place, meaning.reasons, point.time, out);
        // The last of a burst is the newest there is: as a live value it counts.
        let doubt = if point.clock { doubt } else { Flag::Unchecked };
        let live = Live {
            value: meaning.value,
            flag: meaning.flag.worse(doubt),
            reasons: meaning.reasons.union(why),
            time: point.time,
            received: point.received,
        };
        if let Some(state) = self.instruments.get_mut(place) {
            state.tell(live);
        }
    }

    /// A sample of an instrument that counts.
    fn count(&mut self, place: usize, point: &Point) -> Meaning {
        let (Some(part), Some(instrument), Some(state)) = (
            self.plan.parts.get(place),
            self.property.instruments.get(place),
            self.instruments.get_mut(place),
        ) else {
            return FAULT;
        };
        let Some(increment) = state.count.step(instrument, point) else { return FAULT };
        let mut meaning = Meaning {
            value: None,
            flag: Flag::Good.worse(increment.flag),
            reasons: increment.reasons,
        };
        if matches!(part.work, Work::Wind { .. }) {
            let speed = calibration::active(&instrument.calibrations, point.time)
                .and_then(|a| Cup::of(a.transfer))
                .zip(Stretch::of(&increment).filter(|s| s.to > s.from))
                .and_then(|(cup, s)| cup.speed(s.turns / (s.to - s.from).as_seconds()));
            if let Some(speed) = speed {
                let checked = check(instrument.quantity, speed.value, instrument.plausible, None);
                meaning.value = Some(checked.value);
                meaning.flag = meaning.flag.worse(checked.flag);
                meaning.reasons = meaning.reasons.union(checked.reasons);
            }
        } else if increment.flag.counts()
            && !point.left_out()
            && let Some((one, _)) = depth(instrument, point.time)
            && let Some(sum) = self.rain.get_mut(place)
        {
            *sum += gauge::depth(&increment, one);
        }
        meaning
    }

    /// A sample of a vane.
    fn direct(&mut self, place: usize, point: &Point) -> Meaning {
        let supply = self.supply_of(place);
        if let Some(track) = supply.and_then(|s| self.tracks.get_mut(s)) {
            track.slice();
        }
        let (Some(part), Some(instrument), Some(state)) = (
            self.plan.parts.get(place),
            self.property.instruments.get(place),
            self.instruments.get_mut(place),
        ) else {
            return FAULT;
        };
        let Work::Direction { vane, .. } = &part.work else { return FAULT };
        let supply = supply.and_then(|s| self.tracks.get(s)).map_or(&[][..], |t| t.view());
        let said = point_at(instrument, part, vane.as_deref(), point, supply, &mut state.seen);
        let decimals = instrument.quantity.decimals();
        match said {
            Ok(said) => Meaning {
                value: said
                    .and_then(|c| direction::to_steps(c.value, decimals))
                    .map(|steps| from_steps(steps, decimals)),
                flag: Flag::Good,
                reasons: Reasons::NONE,
            },
            Err(_) => FAULT,
        }
    }

    /// The place of the channel that supplies an instrument's ratio.
    pub(crate) fn supply_of(&self, place: usize) -> Option<usize> {
        match &self.property.instruments.get(place)?.signal {
            Signal::Ratio(ratio) => ratio.supply.map(|s| s.0 as usize),
            _ => None,
        }
    }

    fn converted(&mut self, place: usize, point: &Point) -> Option<Converted> {
        let supply = self.supply_of(place);
        if let Some(track) = supply.and_then(|s| self.tracks.get_mut(s)) {
            track.slice();
        }
        let supply = supply.and_then(|s| self.tracks.get(s)).map_or(&[][..], |t| t.view());
        convert(self.property.instruments.get(place)?, self.plan.parts.get(place)?, point, supply)
    }

    /// A sample of a direct channel; where samples are kept as points it is published.
    fn value(
        &mut self,
        place: usize,
        point: &Point,
        kept: bool,
        unique: bool,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) -> Meaning {
        let converted = self.converted(place, point);
        let Some(instrument) = self.property.instruments.get(place) else { return FAULT };
        let work = self.plan.parts.get(place).map(|p| &p.work);
        let Some(state) = self.instruments.get_mut(place) else { return FAULT };
        let series = match work {
            Some(&Work::Point { point }) => Some(point),
            _ => None,
        };
        let is_rain = matches!(work, Some(Work::Rain { .. }));
        let unique = unique && !state.marks.contains(&point.time);
        let Some(Converted { value, made_by }) = converted else {
            if let Some(series) = series {
                let (flag, reasons) = (Flag::Missing, FAULT.reasons);
                let draft =
                    Draft { series, time: point.time, value: None, flag, reasons, made_by: 0 };
                self.book.publish(draft, unique, recall, &mut out.readings);
            }
            return FAULT;
        };
        let newest = state.before.time().is_none_or(|last| point.time > last);
        let checked = if point.left_out() {
            state.before.look(instrument, point.time, value)
        } else if newest {
            state.before.judge(instrument, point.time, value)
        } else if kept || series.is_none() {
            state.before.look(instrument, point.time, value)
        } else {
            let last = state.before_late.time();
            if last.is_none_or(|t| t >= point.time || point.time - t > CONTEXT) {
                state.before_late = Before::default();
            }
            state.before_late.judge(instrument, point.time, value)
        };
        if let (Some(doubt), Some(raw)) = (self.units.get_mut(place), point.number())
            && !point.left_out()
        {
            doubt.saw(instrument.quantity, point.time, raw, value);
        }
        if checked.flag.counts() && !point.left_out() {
            self.battery(place, point.time, checked.value);
        }
        if is_rain
            && checked.flag.counts()
            && !point.left_out()
            && let Some(sum) = self.rain.get_mut(place)
        {
            *sum += checked.value.max(0.0);
        }
        let Some(series) = series else { return checked.into() };
        if kept && !newest && !point.left_out() {
            return self.between(place, series, point, unique, recall, out);
        }
        self.publish_point(place, series, point, checked, made_by, unique, recall, out);
        checked.into()
    }

    #[allow(clippy::too_many_arguments, reason = "one reading with all that it carries")]
    fn publish_point(
        &mut self,
        place: usize,
        series: observation::SeriesIndex,
        point: &Point,
        checked: Checked,
        made_by: u32,
        unique: bool,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        let Some(instrument) = self.property.instruments.get(place) else { return };
        let (doubt, why) = doubt(point);
        let Some(steps) = to_steps(checked.value, instrument.quantity.decimals()) else { return };
        let draft = Draft {
            series,
            time: point.time,
            value: Some(steps),
            flag: checked.flag.worse(doubt),
            reasons: checked.reasons.union(why),
            made_by,
        };
        self.book.publish(draft, unique, recall, &mut out.readings);
    }

    /// A point that came late among others: it is judged by what is before it, and the
    /// one after it is judged again.
    fn between(
        &mut self,
        place: usize,
        series: observation::SeriesIndex,
        point: &Point,
        unique: bool,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) -> Meaning {
        let channel =
            self.property.instruments.get(place).map_or(usize::MAX, |i| i.channel.0 as usize);
        let near: Vec<Point> = self.tracks.get_mut(channel).map_or_else(Vec::new, |track| {
            let points = track.slice();
            let from = points.partition_point(|p| p.place < point.place - CONTEXT);
            let to = points.partition_point(|p| p.place <= point.place);
            let next = points.iter().skip(to).find(|p| !p.left_out());
            let near = points.get(from..to).unwrap_or_default();
            near.iter().filter(|p| !p.left_out()).chain(next).cloned().collect()
        });
        let mut before = Before::default();
        let mut meaning = FAULT;
        for other in near {
            let Some(Converted { value, made_by }) = self.converted(place, &other) else {
                continue;
            };
            let Some(instrument) = self.property.instruments.get(place) else { continue };
            let checked = before.judge(instrument, other.time, value);
            if other.place == point.place {
                self.publish_point(place, series, &other, checked, made_by, unique, recall, out);
                meaning = checked.into();
            } else if other.place > point.place {
                self.publish_point(place, series, &other, checked, made_by, false, recall, out);
            }
        }
        meaning
    }

    /// The sample before turned out to be one of a burst: what was made of it changes.
    fn take_back(&mut self, place: usize, time: Time, recall: &mut dyn Recall, out: &mut Output) {
        let Some(Work::Point { point }) = self.plan.parts.get(place).map(|p| &p.work) else {
            self.mark_windows(place, time);
            return;
        };
        if let Some(mut draft) = self.book.stands(*point, time, recall, &out.readings) {
            draft.flag = draft.flag.worse(Flag::Doubtful);
            draft.reasons = draft.reasons.with(Reason::Clock);
            self.book.publish(draft, false, recall, &mut out.readings);
            self.mark_windows(place, time);
        }
    }
}

/// How a sample's uncertain time tells on its value.
fn doubt(point: &Point) -> (Flag, Reasons) {
    if point.left_out() {
        (Flag::Doubtful, Reason::Clock.into())
    } else {
        (Flag::Unchecked, Reasons::NONE)
    }
}
