//! A log in which nothing older is ever found, for a processor that is fed in order: every
//! sample is new, and all that is asked for is in memory.

use observation::{ChannelIndex, Reading, SeriesIndex, StationIndex, Time};
use processor::{Held, Recall};

/// See the module.
#[derive(Clone, Copy, Debug)]
pub struct Nothing;

impl Recall for Nothing {
    fn record(&mut self, _: u64, _: StationIndex) -> Vec<Held> {
        Vec::new()
    }
    fn day(&mut self, _: StationIndex, _: i64) -> Vec<Held> {
        Vec::new()
    }
    fn samples(&mut self, _: ChannelIndex, _: Time, _: Time) -> Vec<Held> {
        Vec::new()
    }
    fn reading(&mut self, _: SeriesIndex, _: Time) -> Option<Reading> {
        None
    }
    fn readings(&mut self, _: &[SeriesIndex], _: Time, _: Time) -> Vec<Reading> {
        Vec::new()
    }
}
