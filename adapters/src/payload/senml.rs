//! SenML in JSON (RFC 8428).

use super::{Decoded, Reader, Refused};
use crate::credentials::Grant;
use observation::Refusal;

impl Reader {
    /// Reads a SenML pack: one [`Decoded`] for each station in it, in the order of
    /// their first records.
    ///
    /// # Errors
    /// Whatever makes the pack void; the whole of it is refused. A station outside the
    /// grant is `credentials`, known or not; with [`Grant::every`] an unknown one is
    /// `unknown_station`.
    pub fn senml(&self, grant: &Grant, bytes: &[u8]) -> Result<Vec<Decoded>, Refused> {
        let _ = grant;
        Err(Refused::new(Refusal::Malformed, format!("{} bytes are not decoded yet", bytes.len())))
    }
}
