//! Silence: a `missing` reading where it begins and one where it ends, not one a minute.
//!
//! A periodic channel is silent after five intervals; one that speaks on change is silent
//! when its station is. A window is silent no sooner than it is empty.

use crate::Processor;
use crate::book::Draft;
use crate::output::Output;
use crate::plan::Work;
use crate::recall::Recall;
use crate::walk::ONE;
use observation::property::Reports;
use observation::{Flag, Reasons, Span, Time};

/// Intervals without a sample after which a channel is silent.
const PATIENCE: i64 = 5;

/// A silence as it would be if nothing more came.
struct Silence {
    /// When something was said last.
    last: Time,
    /// The minute at which it is certain.
    certain: Time,
    /// The time between two samples while there is no silence.
    interval: Span,
    /// Whether the station's heartbeat decides.
    by_heartbeat: bool,
}

impl Processor {
    fn silence(&self, place: usize) -> Option<Silence> {
        let state = self.instruments.get(place)?;
        let instrument = self.property.instruments.get(place)?;
        let part = self.plan.parts.get(place)?;
        let by_heartbeat = !matches!(instrument.reports, Reports::Periodic);
        let (last, interval) = if by_heartbeat {
            let station = self.property.stations.get(part.station)?;
            let heartbeat = self.stations.get(part.station)?.last?;
            (heartbeat.max(state.last?), station.interval)
        } else {
            (state.last?, instrument.interval)
        };
        let patience = Span(interval.0.saturating_mul(PATIENCE)).max(part.period());
        Some(Silence { last, certain: (last + patience).step_end(ONE), interval, by_heartbeat })
    }

    /// Gaps that have become certain at this minute of a station; the others are looked
    /// at when they would.
    pub(crate) fn gaps(
        &mut self,
        station: usize,
        minute: Time,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        for nth in self.places(station) {
            let place = self.place(station, nth);
            let Some(silence) = self.silence(place) else { continue };
            let (Some(part), Some(state)) =
                (self.plan.parts.get(place), self.instruments.get_mut(place))
            else {
                continue;
            };
            if state.gap.is_some() {
                continue;
            }
            if silence.certain > minute {
                if state.look.is_none_or(|look| look <= minute) {
                    state.look = Some(silence.certain);
                    self.due(station, silence.certain);
                }
                continue;
            }
            let start = match part.work {
                Work::Point { .. } => silence.last + silence.interval,
                Work::Mean { step, .. } => silence.last.step_end(step) + step,
                _ => silence.certain,
            };
            state.gap = Some(start);
            state.look = None;
            if silence.by_heartbeat
                && let Some(state) = self.stations.get_mut(station)
            {
                state.quiet = true;
            }
            self.missing(place, start, recall, out);
        }
    }

    /// A sample came of an instrument: if it was silent by its own, it is so no more.
    pub(crate) fn end_gap(
        &mut self,
        place: usize,
        time: Time,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        let Some(state) = self.instruments.get_mut(place) else { return };
        if state.last.is_some_and(|last| time <= last) {
            return;
        }
        let Some(start) = state.gap.take() else { return };
        let (Some(part), Some(instrument)) =
            (self.plan.parts.get(place), self.property.instruments.get(place))
        else {
            return;
        };
        let interval = match (instrument.reports, self.property.stations.get(part.station)) {
            (Reports::OnChange | Reports::Adaptive, Some(station)) => station.interval,
            _ => instrument.interval,
        };
        let end = match part.work {
            Work::Point { .. } => time - interval,
            Work::Mean { step, .. } => time.step_end(step) - step,
            _ => time.step_end(ONE) - ONE,
        };
        if end > start {
            self.missing(place, end, recall, out);
        }
    }

    /// A station that was silent is heard again: what speaks on change is silent no more.
    pub(crate) fn end_quiet(
        &mut self,
        station: usize,
        time: Time,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        for nth in self.places(station) {
            let place = self.place(station, nth);
            let on_change = self
                .property
                .instruments
                .get(place)
                .is_some_and(|i| !matches!(i.reports, Reports::Periodic));
            if on_change {
                self.end_gap(place, time, recall, out);
            }
        }
    }

    /// Readings that say there is none, of every series of an instrument.
    fn missing(&mut self, place: usize, time: Time, recall: &mut dyn Recall, out: &mut Output) {
        let Some(part) = self.plan.parts.get(place) else { return };
        if let Some(state) = self.instruments.get_mut(place) {
            state.mark(time);
        }
        for series in part.series() {
            let valued = self
                .book
                .stands(series, time, recall, &out.readings)
                .is_some_and(|standing| standing.value.is_some());
            if !valued {
                self.book.publish(missing(series, time), false, recall, &mut out.readings);
            }
        }
    }
}

/// A reading that says there is none.
pub(crate) const fn missing(series: observation::SeriesIndex, time: Time) -> Draft {
    Draft { series, time, value: None, flag: Flag::Missing, reasons: Reasons::NONE, made_by: 0 }
}
