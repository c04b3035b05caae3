//! What the processor may ask of the log.

use observation::{ChannelIndex, Reading, SeriesIndex, Stated, StationIndex, Time, Value};
use std::sync::Arc;

/// What identifies a sample: only what its sender stated.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Key {
    /// The sender's own time.
    Time(Time),
    /// The sender's run and number. Without a boot identifier `boot` names the epoch
    /// that the processor opened.
    Sequence {
        /// Boot identifier, or the number of the epoch as text.
        boot: Arc<str>,
        /// Number.
        sequence: u64,
    },
}

/// A sample as the log holds it.
#[derive(Clone, Debug, PartialEq)]
pub struct Held {
    /// The log number of its record.
    pub number: u64,
    /// When it was received.
    pub received: Time,
    /// Its event time: the stated one, or that of its arrival.
    pub time: Time,
    /// What its sender said about the time.
    pub stated: Stated,
    /// The sender's run.
    pub boot: Option<Arc<str>>,
    /// The sender's number.
    pub sequence: Option<u64>,
    /// Whether it came early in a session (see `Message::early`).
    pub early: bool,
    /// Its channel.
    pub channel: ChannelIndex,
    /// The raw value.
    pub value: Value,
}

/// Read access to what is committed. An implementation that fails to read answers as
/// if nothing were there and keeps the error for its owner, who then gives no receipt.
pub trait Recall {
    /// The samples of one station in one record.
    fn record(&mut self, number: u64, station: StationIndex) -> Vec<Held>;
    /// The samples of one station whose event time lies in the UTC day, in log order.
    fn day(&mut self, station: StationIndex, utc_day: i64) -> Vec<Held>;
    /// The samples of one channel with event time in `[from, to]`, ordered by event
    /// time, then log order; with the last before `from` and the first after `to`
    /// (looked for within a day) where there are such.
    fn samples(&mut self, channel: ChannelIndex, from: Time, to: Time) -> Vec<Held>;
    /// The highest revision of one reading.
    fn reading(&mut self, series: SeriesIndex, time: Time) -> Option<Reading>;
    /// The highest revisions of some series in `[from, to]`, ordered by time.
    fn readings(&mut self, series: &[SeriesIndex], from: Time, to: Time) -> Vec<Reading>;
}
