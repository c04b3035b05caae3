//! Lines and payloads of `name=value` pairs apart by commas or blanks.
//!
//! One bad pair voids the whole line: half a line that a loose wire mangled is not half
//! a measurement.

use super::gather::Gather;
use super::scalar::Scalar;
use super::{Checksum, Decoded, LONGEST_LINE, Reader, Refused, shown, text, within};
use observation::{Refusal, StationIndex};

impl Reader {
    /// Reads one line, without its line end. A blank line is a message without samples.
    ///
    /// # Errors
    /// One bad pair voids the whole line; so does a missing or wrong checksum where
    /// one is asked for.
    pub fn key_value(
        &self,
        station: StationIndex,
        checksum: Checksum,
        bytes: &[u8],
    ) -> Result<Decoded, Refused> {
        self.line(station, checksum, bytes).map_err(|refused| refused.of(station))
    }

    fn line(
        &self,
        station: StationIndex,
        checksum: Checksum,
        bytes: &[u8],
    ) -> Result<Decoded, Refused> {
        within(bytes, LONGEST_LINE)?;
        let mut gather = Gather::new(self, station);
        let bytes = bytes.trim_ascii();
        if bytes.is_empty() {
            return Ok(gather.finish());
        }
        let body = text(checksum.strip(bytes)?)?;
        for pair in body.split([',', ' ', '\t', '\r', '\n']).filter(|pair| !pair.is_empty()) {
            let (name, value) = pair
                .split_once('=')
                .filter(|(name, value)| !name.is_empty() && !value.is_empty())
                .ok_or_else(|| bad_pair(pair))?;
            gather.named(name, &Scalar::untyped(value))?;
        }
        Ok(gather.finish())
    }
}

fn bad_pair(pair: &str) -> Refused {
    Refused::new(Refusal::Malformed, format!("`{}` is not a `name=value` pair", shown(pair)))
}
