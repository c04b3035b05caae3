//! What the panes and tables of a sheet are drawn from: slots of time, and what each series
//! says of one, in words with its unit.

use super::figures::{NONE, Shown};
use super::gather::{Gathered, Trace};
use super::local::Local;
use super::roles::Role;
use super::slices::Slice;
use super::texts::Texts;
use observation::days::{DayKind, Division};
use observation::{Property, Quantity, Span, Time};

/// Longest span whose slots are hours; of longer ones they are days.
const HOURLY: Span = Span::hours(72);

/// What the panes are drawn from.
pub struct Source<'a> {
    pub gathered: &'a Gathered,
    pub property: &'a Property,
    pub shown: &'a Shown,
    pub local: &'a Local<'a>,
    pub texts: &'a Texts,
}

/// One slot of time and the hours in it.
pub struct Stretch {
    pub from: Time,
    pub to: Time,
}

impl Source<'_> {
    /// Where an instant lies in the span, 0 to 1.
    pub fn share(&self, time: Time) -> f64 {
        let (from, to) = (self.gathered.from, self.gathered.to);
        (time - from).0 as f64 / (to - from).0.max(1) as f64
    }

    /// Whether slots are hours.
    pub fn hourly(&self) -> bool {
        self.gathered.to - self.gathered.from <= HOURLY
    }

    /// The slots that have begun: hours, or days of the kind that rain is summed over.
    pub fn stretches(&self) -> Vec<Stretch> {
        let Gathered { from, to, until, .. } = *self.gathered;
        let division = if self.hourly() { Division::Hour } else { Division::Day };
        let mut found = Vec::new();
        let mut at = from + Span(1);
        while at <= to.min(until + Span::hours(1)) && found.len() < 400 {
            let cut = self.property.days.cut(division, DayKind::Civil, at);
            found.push(Stretch { from: cut.from.max(from), to: cut.to.min(to) });
            at = cut.to.max(at) + Span(1);
        }
        found
    }

    /// What a series says of a slot.
    pub fn of(&self, role: Role, stretch: &Stretch) -> Option<Slice> {
        let trace = self.gathered.trace(role)?;
        let mut sum = Slice::default();
        for (_, slice) in trace.slices.within(stretch.from, stretch.to) {
            sum.add(slice);
        }
        Some(sum)
    }

    /// Readings that a slot would have; those to come are not missing.
    pub fn expected(&self, trace: &Trace, stretch: &Stretch) -> f64 {
        let end = stretch.to.min(self.gathered.until);
        (end - stretch.from).0.max(0) as f64 / trace.spacing.0.max(1) as f64
    }

    /// A slot's name.
    pub fn name(&self, stretch: &Stretch) -> String {
        let (from, to) = (self.local.clock(stretch.from), self.local.clock(stretch.to));
        let day = self.local.day(stretch.from);
        if self.hourly() { format!("{day} {from}\u{2013}{to}") } else { day }
    }

    /// The name of a station.
    pub fn station(&self, id: &str) -> String {
        let station = self.property.station(id);
        let station = station.and_then(|s| self.property.stations.get(usize::from(s.0)));
        station.map_or_else(|| id.to_owned(), |s| s.name.clone())
    }
    /// The mean of a slot with its unit.
    pub fn mean(&self, role: Role, stretch: &Stretch) -> String {
        let quantity = self.gathered.trace(role).map(|t| t.series.quantity);
        let mean = self.of(role, stretch).and_then(|h| h.mean());
        quantity
            .zip(mean)
            .map_or_else(|| NONE.to_owned(), |(q, steps)| self.shown.with_unit(q, steps))
    }

    /// The greatest of a slot with its unit.
    pub fn most(&self, role: Role, stretch: &Stretch) -> String {
        let quantity = self.gathered.trace(role).map(|t| t.series.quantity);
        let most = self.of(role, stretch).filter(|h| h.count > 0).map(|h| h.most);
        quantity
            .zip(most)
            .map_or_else(|| NONE.to_owned(), |(q, steps)| self.shown.with_unit(q, steps))
    }

    /// Direction of the last window of a slot.
    pub fn direction(&self, stretch: &Stretch) -> String {
        self.of(Role::Direction, stretch).and_then(|h| h.last).map_or_else(
            || NONE.to_owned(),
            |(_, steps)| self.shown.with_unit(Quantity::WindFromDirection, steps),
        )
    }

    /// Depth of a slot, with what it lacks.
    pub fn rain(&self, stretch: &Stretch) -> String {
        let (Some(trace), Some(hour)) =
            (self.gathered.trace(Role::Rain), self.of(Role::Rain, stretch))
        else {
            return NONE.to_owned();
        };
        if hour.count == 0 {
            return NONE.to_owned();
        }
        let depth = self.shown.with_unit(Quantity::PrecipitationDepth, hour.sum.round() as i64);
        if self.lacks(trace, stretch, &hour) {
            format!("{} {depth}", self.texts.at_least)
        } else {
            depth
        }
    }

    /// Whether more of a slot is missing than a late window explains.
    pub fn lacks(&self, trace: &Trace, stretch: &Stretch, hour: &Slice) -> bool {
        self.expected(trace, stretch) - f64::from(hour.count) > 2.5
    }
}
