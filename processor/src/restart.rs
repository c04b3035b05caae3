//! Leaving and coming back: what is saved, and how the rest is filled from the log.
//!
//! A restart goes: [`Processor::restore`] with what was saved at a log number; then
//! [`Processor::refill`] for every record up to that number, as far back as
//! [`Processor::reach`] asks; then every later record's messages through
//! [`Processor::take`] again, and [`Processor::walk`] to where the record says it
//! walked, their output thrown away. After that the processor stands exactly where it
//! stood.

use crate::Processor;
use crate::state::{InstrumentState, Saved, SavedStation, VERSION};
use crate::take::nameless;
use crate::track::{Doubt, Point};
use crate::walk::ONE;
use observation::{Message, Reading, Span, Time};
use std::collections::BTreeMap;

/// A number for settings: 64-bit FNV-1a of their debug text (constants from memory).
fn fingerprint(text: &str) -> u64 {
    observation::signal::counter::boot_number(text)
}

impl Processor {
    fn fingerprint_of(&self, station: usize) -> u64 {
        let places = self.plan.by_station.get(station).map_or(&[][..], Vec::as_slice);
        let instruments: Vec<_> =
            places.iter().map(|&place| self.property.instruments.get(place)).collect();
        fingerprint(&format!(
            "{:?}{:?}{instruments:?}{:?}",
            self.property.stations.get(station),
            (self.options.grace, self.options.event_gap),
            self.property.point_step
        ))
    }

    /// What must be kept of the present state.
    pub fn save(&self) -> Saved {
        let stations = self
            .property
            .stations
            .iter()
            .zip(&self.stations)
            .enumerate()
            .map(|(place, (station, state))| {
                let places = self.plan.by_station.get(place).map_or(&[][..], Vec::as_slice);
                let instruments = places
                    .iter()
                    .filter_map(|&p| {
                        let id = self.property.instruments.get(p)?.id.clone();
                        Some((id, self.instruments.get(p)?.clone()))
                    })
                    .collect();
                let floors = self
                    .property
                    .channels
                    .iter()
                    .zip(&self.tracks)
                    .filter(|(channel, _)| usize::from(channel.station.0) == place)
                    .map(|(channel, track)| (channel.name.clone(), (track.floor, track.gone)))
                    .collect();
                SavedStation {
                    station: station.id.clone(),
                    fingerprint: self.fingerprint_of(place),
                    state: state.clone(),
                    instruments,
                    floors,
                    past: self.identities.get(place).map(|i| i.past().clone()).unwrap_or_default(),
                }
            })
            .collect();
        Saved {
            version: VERSION,
            walked: self.walked,
            stations,
            doubts: self.doubts.iter().copied().collect(),
            number: self.number,
            stepped_back: self.stepped_back,
            compare: self.save_compare(),
            outlook: Some(self.save_outlook()),
        }
    }

    /// Takes up what was saved. Gives the stations whose settings have changed since:
    /// they begin anew, with what [`Self::refill`] brings.
    pub fn restore(&mut self, saved: &Saved) -> Vec<String> {
        if saved.version != VERSION {
            return self.property.stations.iter().map(|s| s.id.clone()).collect();
        }
        self.walked = saved.walked;
        self.doubts = saved.doubts.iter().copied().collect();
        self.number = saved.number;
        self.stepped_back = saved.stepped_back;
        self.begun = saved.number > 0;
        self.restore_compare(&saved.compare);
        self.restore_outlook(saved.outlook.as_ref());
        if let Some(walked) = saved.walked {
            self.book.begin_at(walked, &self.plan.memory);
        }
        let known: BTreeMap<&str, &SavedStation> =
            saved.stations.iter().map(|s| (s.station.as_str(), s)).collect();
        let mut stale = Vec::new();
        for place in 0..self.property.stations.len() {
            let Some(station) = self.property.stations.get(place) else { continue };
            let id = station.id.clone();
            let fresh =
                known.get(id.as_str()).filter(|s| s.fingerprint == self.fingerprint_of(place));
            let Some(saved_station) = fresh else {
                self.household_changed(place);
                stale.push(id);
                continue;
            };
            if let Some(state) = self.stations.get_mut(place) {
                state.clone_from(&saved_station.state);
            }
            if let Some(identities) = self.identities.get_mut(place) {
                identities.restore(&saved_station.past);
            }
            for &p in self.plan.by_station.get(place).map_or(&[][..], Vec::as_slice) {
                let state: Option<&InstrumentState> = self
                    .property
                    .instruments
                    .get(p)
                    .and_then(|i| saved_station.instruments.get(&i.id));
                if let (Some(to), Some(from)) = (self.instruments.get_mut(p), state) {
                    to.clone_from(from);
                }
            }
            for (channel, track) in self.property.channels.iter().zip(&mut self.tracks) {
                if usize::from(channel.station.0) == place {
                    let begins = saved_station.floors.get(&channel.name).copied();
                    (track.floor, track.gone) = begins.unwrap_or_default();
                }
            }
        }
        if let Some(walked) = self.walked {
            // A station that begins anew reaches back as far as its windows.
            for (channel, (line, track)) in
                self.property.channels.iter().zip(self.plan.lines.iter().zip(&mut self.tracks))
            {
                let anew = self
                    .property
                    .stations
                    .get(usize::from(channel.station.0))
                    .is_some_and(|s| stale.contains(&s.id));
                if anew && line.horizon > Span::ZERO {
                    track.floor = Some(walked - line.horizon);
                }
            }
        }
        stale
    }

    /// How far before the saved state records must be refilled: first for readings and
    /// tracks, second for identities, both before the last minute evaluated.
    pub fn reach(&self) -> (Span, Span) {
        let longest = self.plan.lines.iter().map(|l| l.horizon).max().unwrap_or_default();
        // Event times may lie a little beyond the arrival.
        let slack = self.property.stations.iter().map(|s| s.newest).max().unwrap_or_default();
        let remembered = self.plan.memory.iter().copied().max().unwrap_or_default();
        (longest.max(remembered) + slack, Self::memory() + slack)
    }

    /// Takes a record from before the saved state, read back from the log: nothing is
    /// judged or made of it.
    pub fn refill(&mut self, number: u64, messages: &[Message], readings: &[Reading]) {
        let mut locals = Vec::new();
        let doubts: Vec<Doubt> = self.doubts.iter().copied().collect();
        self.begun |= !messages.is_empty();
        for message in messages {
            self.redeliveries.seen(message, |sample| nameless(message, sample));
            locals.clear();
            let station = usize::from(message.station.0);
            for sample in &message.samples {
                let Some(line) = self.plan.line(sample.channel) else { continue };
                locals.push(line.local);
                let mut point = Point::of(message, sample, number, &doubts);
                if let Some(beats) = self.beats.get_mut(station) {
                    beats.set(point.time.step_end(ONE));
                }
                if let Some(track) = self.tracks.get_mut(sample.channel.0 as usize) {
                    track.arrived(&mut point, line.periodic);
                    if line.is_kept() {
                        track.insert(point);
                    }
                }
            }
            if let Some(identities) = self.identities.get_mut(station) {
                identities.refill(message, &locals, number);
            }
        }
        for reading in readings {
            self.book.refill(reading);
        }
    }

    /// The refill is done: what lies further back than it reached is asked of the log.
    pub fn refilled(&mut self, received: Time) {
        for identities in &mut self.identities {
            identities.forget(received);
        }
        for beats in &mut self.beats {
            beats.begin_after(received - crate::beats::MEMORY);
        }
    }
}
