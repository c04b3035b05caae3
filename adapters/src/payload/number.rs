//! A payload that is one plain number, or one word where the channel takes words.

use super::{Decoded, Reader, Refused};
use observation::{ChannelIndex, Refusal};

impl Reader {
    /// Reads one number (decimal point, optional exponent, blanks around it) for one
    /// channel.
    ///
    /// # Errors
    /// Anything else: `malformed`, `not_finite`, `wrong_type`, `too_long`.
    pub fn number(&self, channel: ChannelIndex, bytes: &[u8]) -> Result<Decoded, Refused> {
        let _ = channel;
        Err(Refused::new(Refusal::Malformed, format!("{} bytes are not decoded yet", bytes.len())))
    }
}
