//! What is being put together while the tables are read one after the other.

use crate::calibration::Entry;
use crate::reader::Report;
use crate::signal::Family;
use crate::token::TokenFile;
use jiff::tz::TimeZone;
use observation::property::Reports;
use observation::{Property, Span, StationIndex};
use std::collections::HashSet;
use std::ops::Range;

/// What the instruments of a station take from it where they say nothing.
pub(crate) struct Usual {
    pub(crate) station: StationIndex,
    pub(crate) interval: Span,
    pub(crate) reports: Reports,
    pub(crate) elevation: f64,
}

/// Everything being put together.
pub(crate) struct Plan<'r> {
    pub(crate) report: &'r Report<'r>,
    pub(crate) zone: TimeZone,
    pub(crate) property: Property,
    /// One for each instrument of the property, in the same order.
    pub(crate) drafts: Vec<Draft>,
    /// The ids of all instruments, those that cannot be used too: a name that is known
    /// is no fault of whoever refers to it.
    pub(crate) named: HashSet<(StationIndex, String)>,
    /// Whether the sensors were read without a fault.
    pub(crate) sensors_sound: bool,
    pub(crate) credentials: Vec<TokenFile>,
    pub(crate) secrets: bool,
}

/// What is known of an instrument besides itself until the timeline is merged.
pub(crate) struct Draft {
    pub(crate) span: Range<usize>,
    pub(crate) family: Family,
    /// Its own calibrations, oldest first.
    pub(crate) own: Vec<Entry>,
    /// Whether its calibrations were read without a fault.
    pub(crate) sound: bool,
}
