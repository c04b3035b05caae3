//! Lines and payloads of `name=value` pairs.

use super::{Decoded, Reader, Refused};
use observation::{Refusal, StationIndex};
use serde::Deserialize;

/// How a line proves that it is whole.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Checksum {
    /// Not at all.
    #[default]
    None,
    /// `*HH` at the end: the exclusive or of all bytes before the `*`, as NMEA 0183.
    Xor,
    /// `crc16=HHHH` as the last pair: CRC-16/MODBUS of all bytes before the separator
    /// in front of it.
    Crc16,
}

impl Reader {
    /// Reads one line, without its line end. A blank line is a message without samples.
    ///
    /// # Errors
    /// One bad pair voids the whole line.
    pub fn key_value(&self, station: StationIndex, checksum: Checksum, bytes: &[u8]) -> Result<Decoded, Refused> {
        let _ = (station, checksum);
        Err(Refused::new(Refusal::Malformed, format!("{} bytes are not decoded yet", bytes.len())))
    }
}
