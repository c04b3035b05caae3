//! Minutes that have ended are evaluated, each once, in order.
//!
//! Only minutes in which there is something to do cost anything: those in which a station
//! was heard, those at which a silence becomes certain, and the next boundary after
//! something came late.

use crate::Processor;
use crate::book::Draft;
use crate::output::Output;
use crate::plan::{CONTEXT, Work};
use crate::recall::Recall;
use crate::windows::{Asked, Samples, evaluate, leave};
use observation::property::Instrument;
use observation::time::MINUTE;
use observation::{SeriesIndex, Span, StationIndex, Time};
use std::panic::{AssertUnwindSafe, catch_unwind};

/// The step of walking.
pub(crate) const ONE: Span = Span(MINUTE);

impl Processor {
    /// Evaluates every minute whose end plus grace is at or before `now`.
    pub fn walk(&mut self, now: Time, recall: &mut dyn Recall, out: &mut Output) {
        let last = (now - self.options.grace).minute_start();
        let Some(walked) = self.walked else {
            // Nothing was evaluated before the first sample, and nothing is missing.
            self.walked = Some(last);
            return;
        };
        if last <= walked {
            return;
        }
        while let Some(minute) = self.next_due().filter(|&due| due <= last) {
            self.judge_hours(minute - ONE, recall, out);
            self.walked = self.walked.map(|walked| walked.max(minute));
            let mut evaluated = Vec::new();
            for station in 0..self.stations.len() {
                let due = self.stations.get_mut(station).is_some_and(|s| s.due.remove(&minute));
                if due {
                    self.minute(station, minute, recall, out);
                    evaluated.push(station);
                }
            }
            self.compare_minute(minute, &evaluated, recall, out);
        }
        self.judge_hours(last, recall, out);
        self.walked = Some(last);
        for state in &mut self.instruments {
            state.come(now);
        }
    }

    fn next_due(&self) -> Option<Time> {
        self.stations.iter().filter_map(|s| s.due.first().copied()).min()
    }

    /// Evaluates one minute of one station.
    fn minute(&mut self, station: usize, minute: Time, recall: &mut dyn Recall, out: &mut Output) {
        if let Some(heard) = self.heard.get_mut(station) {
            *heard = None;
        }
        self.again(station, minute - ONE, recall, out);
        let alive = self.is_beat(station, minute) == Some(true);
        for nth in self.places(station) {
            let place = self.place(station, nth);
            let mean =
                matches!(self.plan.parts.get(place).map(|p| &p.work), Some(Work::Mean { .. }));
            if alive || mean {
                let mut drafts = Vec::new();
                self.evaluate_kept(place, minute, alive, &mut drafts, recall, out);
                for draft in drafts {
                    self.book.publish(draft, false, recall, &mut out.readings);
                }
            }
        }
        if alive || self.is_crop_hour(station, minute) {
            self.derive(station, minute, alive, recall, out);
        }
        self.gaps(station, minute, recall, out);
        self.trim(station, minute);
    }

    /// Whether a station was heard in a minute; none where it is not remembered.
    pub(crate) fn is_beat(&self, station: usize, minute: Time) -> Option<bool> {
        let remembered = self.walked.unwrap_or(minute) - crate::beats::MEMORY;
        if minute <= remembered {
            return None;
        }
        self.beats.get(station)?.get(minute)
    }

    /// Whether the windows of an instrument that end at a minute find everything in
    /// memory.
    pub(crate) fn is_kept(&self, place: usize, minute: Time) -> bool {
        let (Some(part), Some(instrument)) =
            (self.plan.parts.get(place), self.property.instruments.get(place))
        else {
            return false;
        };
        let from = minute - part.period() - CONTEXT;
        let track = self.tracks.get(instrument.channel.0 as usize);
        track.is_some_and(|t| t.floor.is_none_or(|floor| floor <= from))
    }

    /// Evaluates the windows of an instrument from what is in memory.
    pub(crate) fn evaluate_kept(
        &mut self,
        place: usize,
        minute: Time,
        alive: bool,
        drafts: &mut Vec<Draft>,
        recall: &mut dyn Recall,
        out: &mut Output,
    ) {
        let asked = self.asked(place, minute, alive, recall, out);
        let supply = self.supply_of(place);
        let channel = self.property.instruments.get(place).map(channel_of);
        for index in supply.into_iter().chain(channel) {
            if let Some(track) = self.tracks.get_mut(index) {
                track.slice();
            }
        }
        let view = |index: Option<usize>| {
            index.and_then(|i| self.tracks.get(i)).map_or(&[][..], |track| track.view())
        };
        let Some(state) = self.instruments.get(place) else { return };
        let samples = Samples {
            points: view(channel),
            tally: state.floor,
            sequel: true,
            supply: view(supply),
        };
        self.evaluate_from(place, samples, asked, drafts, out);
    }

    /// What a window is asked about.
    pub(crate) fn asked(
        &self,
        place: usize,
        minute: Time,
        alive: bool,
        recall: &mut dyn Recall,
        out: &Output,
    ) -> Asked {
        let part = self.plan.parts.get(place);
        let calm = match part.map(|p| &p.work) {
            Some(Work::Direction { .. }) => {
                let station = part.map_or(0, |p| p.station);
                self.calm(station, minute, recall, out)
            }
            _ => false,
        };
        Asked { minute, alive, calm, event_gap: self.options.event_gap }
    }

    /// Whether the station's own cup reads calm at a minute.
    fn calm(&self, station: usize, minute: Time, recall: &mut dyn Recall, out: &Output) -> bool {
        self.cups(station).any(|mean| {
            self.book
                .stands(mean, minute, recall, &out.readings)
                .is_some_and(|standing| standing.value == Some(0))
        })
    }

    /// The means of the wind by which a station's vane is asked whether it is calm.
    pub(crate) fn cups(&self, station: usize) -> impl Iterator<Item = SeriesIndex> + '_ {
        let places = self.plan.by_station.get(station).into_iter().flatten();
        places.filter_map(|&p| match self.plan.parts.get(p).map(|part| &part.work) {
            Some(Work::Wind { long, .. }) => Some(*long),
            _ => None,
        })
    }

    /// Evaluates windows; if that panics they give no reading, and it is counted.
    pub(crate) fn evaluate_from(
        &self,
        place: usize,
        samples: Samples<'_>,
        asked: Asked,
        drafts: &mut Vec<Draft>,
        out: &mut Output,
    ) {
        let (Some(part), Some(instrument)) =
            (self.plan.parts.get(place), self.property.instruments.get(place))
        else {
            return;
        };
        let before = drafts.len();
        let done = catch_unwind(AssertUnwindSafe(|| {
            evaluate(instrument, part, samples, asked, drafts);
        }));
        if done.is_err() {
            drafts.truncate(before);
            if let Ok(station) = u16::try_from(part.station) {
                out.panics.push(StationIndex(station));
            }
        }
    }

    /// Lets go of what no window of a later minute needs.
    fn trim(&mut self, station: usize, minute: Time) {
        for channel in 0..self.tracks.len() {
            let own = self
                .property
                .channels
                .get(channel)
                .is_some_and(|c| usize::from(c.station.0) == station);
            let horizon = self.plan.lines.get(channel).map_or(Span::ZERO, |l| l.horizon);
            if own && horizon > Span::ZERO {
                self.shorten(channel, minute - horizon);
            }
        }
        for nth in self.places(station) {
            let place = self.place(station, nth);
            let Some(part) = self.plan.parts.get(place) else { continue };
            for series in part.series() {
                let memory = self.plan.memory.get(series.0 as usize).copied().unwrap_or_default();
                self.book.trim(series, minute - memory);
            }
        }
        self.trim_derived(station, minute);
        if let Some(identities) = self.identities.get_mut(station) {
            identities.forget(minute);
        }
        if let Some(beats) = self.beats.get_mut(station) {
            beats.forget(minute - crate::beats::MEMORY);
        }
    }

    /// Takes from a track what is placed at or before `floor`, or is too much; what
    /// counts stands then where the track begins.
    pub(crate) fn shorten(&mut self, channel: usize, floor: Time) {
        let (Some(line), Some(track)) =
            (self.plan.lines.get(channel), self.tracks.get_mut(channel))
        else {
            return;
        };
        let gap = self.options.event_gap;
        track.trim(floor, |point| {
            for &place in &line.instruments {
                if let (Some(part), Some(state), Some(instrument)) = (
                    self.plan.parts.get(place),
                    self.instruments.get_mut(place),
                    self.property.instruments.get(place),
                ) {
                    leave(part, &mut state.floor, instrument, point, gap);
                }
            }
        });
    }

    /// Evaluates everything that is still open: only for an input that does not say up
    /// to when it reaches.
    pub fn close(&mut self, recall: &mut dyn Recall, out: &mut Output) {
        let late = self.stations.iter().any(|s| !s.late.is_empty())
            || self.instruments.iter().any(|i| !i.late.is_empty());
        let soon = self.walked.filter(|_| late).map(|walked| walked + ONE);
        let heard = self.stations.iter().filter_map(|s| Some(s.last?.step_end(ONE))).max();
        if let Some(open) = soon.max(heard).max(self.steps_end()) {
            self.walk(open + self.options.grace, recall, out);
        }
    }

    /// The end of the last step that is still open.
    fn steps_end(&self) -> Option<Time> {
        self.plan
            .parts
            .iter()
            .zip(&self.instruments)
            .filter_map(|(part, state)| match part.work {
                Work::Mean { step, .. } => state.last.map(|last| last.step_end(step)),
                _ => None,
            })
            .max()
    }
}

fn channel_of(instrument: &Instrument) -> usize {
    instrument.channel.0 as usize
}
