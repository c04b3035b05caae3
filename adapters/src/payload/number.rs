//! A payload that is one plain number, or one word where the channel takes words.

use super::scalar::Scalar;
use super::{Decoded, LONGEST_LINE, Reader, Refused, text, within};
use observation::{ChannelIndex, Measured, Refusal, Stated};

impl Reader {
    /// Reads one number (decimal point, optional exponent, blanks around it) for one
    /// channel.
    ///
    /// # Errors
    /// Anything else: `malformed`, `not_finite`, `too_long`. An empty payload is
    /// `malformed` too; a caller that knows what it means asks first.
    pub fn number(&self, channel: ChannelIndex, bytes: &[u8]) -> Result<Decoded, Refused> {
        let declared = self.channel_of(channel)?;
        self.one(channel, bytes).map_err(|refused| refused.of(declared.station))
    }

    fn one(&self, channel: ChannelIndex, bytes: &[u8]) -> Result<Decoded, Refused> {
        let declared = self.channel_of(channel)?;
        within(bytes, LONGEST_LINE)?;
        let value = Scalar::untyped(text(bytes)?)
            .value(declared, None)?
            .ok_or_else(|| Refused::new(Refusal::Malformed, "the payload is empty"))?;
        Ok(Decoded {
            station: declared.station,
            boot: None,
            sequence: None,
            samples: vec![Measured { channel, value, stated: Stated::Nothing }],
        })
    }
}
