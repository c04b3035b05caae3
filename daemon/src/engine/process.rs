//! What the engine needs of a processor. The one real implementation is
//! [`processor::Processor`]; tests put one that panics in its place.

use crate::snapshot::{Live, Outlook};
use history::StatePart;
use observation::property::InstrumentIndex;
use observation::{Diagnosis, Message, Time};
use processor::{Absent, Output, Recall, UsualPair};

/// Samples in, readings out.
pub trait Process: Send {
    /// Takes one message; walks all boundaries due at its `received` first.
    fn take(&mut self, message: Message, number: u64, recall: &mut dyn Recall, out: &mut Output);
    /// Evaluates all boundaries due at `now`.
    fn walk(&mut self, now: Time, recall: &mut dyn Recall, out: &mut Output);
    /// The instant up to which boundaries were walked.
    fn walked(&self) -> Time;
    /// The server's clock was set.
    fn step_clock(&mut self, old: Time, new: Time, recall: &mut dyn Recall, out: &mut Output);
    /// Closes every open window: the input has ended.
    fn close(&mut self, recall: &mut dyn Recall, out: &mut Output);
    /// The newest converted, checked sample of an instrument.
    fn live(&self, instrument: InstrumentIndex) -> Option<Live>;
    /// Good rain in millimetres since this processor was made, each tip once.
    fn rain(&self, instrument: InstrumentIndex) -> f64;
    /// What is held of which instrument at present.
    fn diagnoses(&self) -> &[Diagnosis] {
        &[]
    }
    /// Stations whose clock is ahead of what is believed, now.
    fn clocks_ahead(&self) -> Vec<Diagnosis> {
        Vec::new()
    }
    /// Instruments whose values would make sense in another unit, now.
    fn units_doubted(&self) -> Vec<Diagnosis> {
        Vec::new()
    }
    /// How far an instrument is from what its neighbours let expect, and usually is from
    /// them, in the canonical unit.
    fn neighbour_difference(&self, _instrument: InstrumentIndex) -> Option<(f64, f64)> {
        None
    }
    /// The hour that was judged last beside its neighbours.
    fn judged_hour(&self) -> Option<i64> {
        None
    }
    /// What is usual between neighbours.
    fn usual_pairs(&self) -> Vec<UsualPair> {
        Vec::new()
    }
    /// What lies ahead; none before the first hour is over.
    fn outlook(&self) -> Option<Outlook> {
        None
    }
    /// What is not derived at present, and why.
    fn absent(&self) -> Vec<Absent> {
        Vec::new()
    }
    /// The state to be kept.
    fn save(&self) -> Vec<StatePart>;
}
