//! SenML in JSON and in CBOR: Jennings et al., Sensor Measurement Lists (SenML),
//! RFC 8428 (2018); versions after RFC 9100 (2021).
//!
//! A pack is read in one pass without building a tree: each record is resolved as soon
//! as it ends ([`each`]), and its name, unit and value become a sample at once.
//! Names are `STATION/CHANNEL`, else the full name that a channel's `senml_name` gives.
//! `STATION/boot` and `STATION/sequence` say something about the whole pack.

mod cbor;
mod fields;
mod json;
mod pack;
mod record;

pub use record::{Data, Resolved};

use super::{Decoded, Reader, Refused};
use crate::credentials::Grant;

/// How a pack is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Notation {
    /// `application/senml+json`.
    Json,
    /// `application/senml+cbor`.
    Cbor,
}

impl Notation {
    /// Tells the two apart by the first byte, where nothing else says it: an array of
    /// CBOR begins with 0x80 to 0x9F, a tag in front of it with 0xD9, and no text in UTF-8
    /// that is JSON begins with any of these.
    pub fn of(bytes: &[u8]) -> Self {
        match bytes.first() {
            Some(0x80..=0x9F | 0xD9) => Self::Cbor,
            _ => Self::Json,
        }
    }
}

/// Reads a pack and hands every resolved record with a value or a sum to `sink`, in
/// order.
///
/// # Errors
/// The first thing that makes the pack void, or what `sink` refuses. What `sink` took
/// before is void with it.
pub fn each<F>(notation: Notation, bytes: &[u8], sink: F) -> Result<(), Refused>
where
    F: FnMut(&Resolved<'_>) -> Result<(), Refused>,
{
    match notation {
        Notation::Json => json::each(bytes, sink),
        Notation::Cbor => cbor::each(bytes, sink),
    }
}

impl Reader {
    /// Reads a SenML pack: one [`Decoded`] for each station in it, in the order of
    /// their first records.
    ///
    /// # Errors
    /// Whatever makes the pack void; the whole of it is refused. A station outside the
    /// grant is `credentials`, known or not; with [`Grant::every`] an unknown one is
    /// `unknown_station`.
    pub fn senml(
        &self,
        grant: &Grant,
        notation: Notation,
        bytes: &[u8],
    ) -> Result<Vec<Decoded>, Refused> {
        let mut pack = pack::Pack::new(self, grant);
        match each(notation, bytes, |record| pack.take(record)) {
            Ok(()) => Ok(pack.finish()),
            Err(mut refused) => {
                // What is wrong with a pack of one station's own sender is that station's.
                refused.station = refused.station.or_else(|| grant.sole());
                Err(refused)
            }
        }
    }
}
