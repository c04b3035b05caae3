//! Diagnoses of what a change of the settings took away or made another.

use super::plan::SLOTS;
use super::roster::keeps;
use super::slots;
use crate::Processor;
use observation::Diagnosis;
use observation::property::Instrument;
use quality::diagnosis::Cause;
use quality::neighbours::Root;

impl Processor {
    /// Ends diagnoses of stations and instruments that are no more, or are not what they were.
    /// `before` is how many were compared, `known` whether stations and instruments are known by
    /// their names.
    pub(super) fn end_what_changed(
        &mut self,
        (before, known): (usize, bool),
        roots: &[Option<Root>],
    ) {
        let Self { compare, property, .. } = self;
        let seats = &compare.seats;
        let all = before == roots.iter().flatten().count()
            && roots.iter().flatten().all(|root| root.anew.is_empty());
        let stands = |said: &Diagnosis| {
            let Some(id) = &said.station else { return all };
            let Some(station) = property.stations.iter().position(|s| s.id == *id) else {
                return false;
            };
            let cause = Cause::parse(&said.cause);
            let by_place = [Cause::SensorFault, Cause::BatteryFailing, Cause::RadioDropouts];
            if cause.is_some_and(|cause| by_place.contains(&cause)) && !known {
                return false;
            }
            let seat = seats.seat_of.get(station).copied().flatten();
            let holds = |slot: usize| {
                let root = seat.and_then(|seat| roots.get(seat)?.as_ref());
                root.is_some_and(|root| keeps(root, slot))
            };
            let Some(name) = &said.instrument else {
                return cause != Some(Cause::StationClockWrong) || holds(slots::PRESSURE);
            };
            let own = |i: &Instrument| usize::from(i.station.0) == station && i.id == *name;
            let Some(instrument) = property.instruments.iter().position(own) else { return false };
            let voice = |slot: usize| seat.and_then(|seat| seats.voice(seat, slot));
            let slot = (0..SLOTS).find(|&s| voice(s).is_some_and(|v| v.instrument == instrument));
            slot.is_none_or(holds)
        };
        compare.opinions.end(stands);
    }
}
