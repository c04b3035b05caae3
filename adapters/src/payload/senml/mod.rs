//! SenML in JSON: Jennings et al., Sensor Measurement Lists (SenML), RFC 8428 (2018);
//! versions after RFC 9100 (2021).
//!
//! A pack is read in one pass without building a tree: each record is resolved as soon
//! as its object ends ([`each`]), and its name, unit and value become a sample at once.
//! Names are `STATION/CHANNEL`, else the full name that a channel's `senml_name` gives.
//! `STATION/boot` and `STATION/sequence` say something about the whole pack.

mod fields;
mod pack;
mod record;

pub use record::{Data, Resolved, each};

use super::{Decoded, Reader, Refused};
use crate::credentials::Grant;

impl Reader {
    /// Reads a SenML pack: one [`Decoded`] for each station in it, in the order of
    /// their first records.
    ///
    /// # Errors
    /// Whatever makes the pack void; the whole of it is refused. A station outside the
    /// grant is `credentials`, known or not; with [`Grant::every`] an unknown one is
    /// `unknown_station`.
    pub fn senml(&self, grant: &Grant, bytes: &[u8]) -> Result<Vec<Decoded>, Refused> {
        let mut pack = pack::Pack::new(self, grant);
        match each(bytes, |record| pack.take(record)) {
            Ok(()) => Ok(pack.finish()),
            Err(mut refused) => {
                // What is wrong with a pack of one station's own sender is that station's.
                refused.station = refused.station.or_else(|| grant.sole());
                Err(refused)
            }
        }
    }
}
