//! A reading on its way out, and what receivers are told of where it comes from.

use observation::{Property, Reading, Series, SeriesIndex, text};
use std::fmt;
use std::sync::Arc;

/// A series as receivers see it.
#[derive(Clone, Debug)]
pub struct SeriesName {
    /// What it is.
    pub series: Series,
    /// Its unit.
    pub unit: String,
    /// Decimals of its steps.
    pub decimals: u8,
    /// The number by which the history has always known it.
    pub number: u32,
}

/// Where readings come from.
#[derive(Clone, Debug)]
pub struct Origin {
    /// The property's UUID.
    pub id: Arc<str>,
    /// The property.
    pub property: Arc<Property>,
    /// All series, by [`SeriesIndex`].
    pub series: Arc<[SeriesName]>,
}

impl Origin {
    /// The series of a reading.
    pub fn series(&self, index: SeriesIndex) -> Option<&SeriesName> {
        self.series.get(index.0 as usize)
    }
}

/// A reading on its way out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outgoing {
    /// Log number of the record that makes it known.
    pub number: u64,
    /// Its place among the record's readings; none for one of a revised range.
    pub place: Option<u32>,
    /// The reading.
    pub reading: Reading,
}

/// The identity of a reading for receivers: the same at every attempt.
pub struct Identity<'a>(pub &'a Origin, pub &'a Outgoing);

impl Identity<'_> {
    /// Appends what its [`fmt::Display`] prints.
    pub fn append(&self, out: &mut Vec<u8>) {
        let Self(origin, Outgoing { number, place, reading }) = self;
        out.extend_from_slice(origin.id.as_bytes());
        out.push(b'/');
        text::whole(*number, out);
        out.push(b'/');
        if let Some(place) = place {
            text::whole(u64::from(*place), out);
            return;
        }
        let series = origin.series(reading.series).map_or(0, |s| s.number);
        text::whole(u64::from(series), out);
        out.push(b'-');
        text::decimal(reading.time.0, 0, out);
    }
}

impl fmt::Display for Identity<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self(origin, Outgoing { number, place, reading }) = self;
        write!(f, "{}/{number}/", origin.id)?;
        if let Some(place) = place {
            return write!(f, "{place}");
        }
        let series = origin.series(reading.series).map_or(0, |s| s.number);
        write!(f, "{series}-{}", reading.time.0)
    }
}
