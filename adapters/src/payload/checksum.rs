//! How a line proves that it is whole.
//!
//! The exclusive or is that of NMEA 0183 (IEC 61162-1): of all bytes between `$` or `!`
//! and `*`, as two hexadecimal digits. The CRC is CRC-16/MODBUS (MODBUS over Serial
//! Line, Specification and Implementation Guide V1.02 (2006), section 6.2.2):
//! polynomial 0x8005 bit-reversed (0xA001), start 0xFFFF, no final inversion; it gives
//! 0x4B37 for the text `123456789`, and is what small controllers' libraries offer
//! under the plain name CRC-16 with that start value.

use super::refused::Refused;
use observation::Refusal;
use serde::Deserialize;

/// How a line proves that it is whole.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Checksum {
    /// Not at all.
    #[default]
    None,
    /// `*HH` at the end: the exclusive or of all bytes before the `*`, without a
    /// leading `$`.
    Xor,
    /// `crc16=HHHH` at the end: CRC-16/MODBUS of all bytes before the comma or blank
    /// in front of it.
    Crc16,
}

impl Checksum {
    /// Takes the checksum off a line that has one.
    ///
    /// # Errors
    /// `checksum` where it is missing or wrong.
    pub(super) fn strip(self, line: &[u8]) -> Result<&[u8], Refused> {
        match self {
            Self::None => Ok(line),
            Self::Xor => {
                let (body, digits) = line
                    .iter()
                    .rposition(|b| *b == b'*')
                    .and_then(|at| Some((line.get(..at)?, line.get(at + 1..)?)))
                    .ok_or_else(|| wrong("the line has no `*HH` at its end"))?;
                let body = body.strip_prefix(b"$").unwrap_or(body);
                let stated = hexadecimal(digits, 2)
                    .ok_or_else(|| wrong("`*` is not followed by two hexadecimal digits"))?;
                compare(stated, u16::from(exclusive_or(body)), 2)?;
                Ok(body)
            }
            Self::Crc16 => {
                const NAME: &[u8] = b"crc16=";
                let missing = || wrong("the line has no `crc16=HHHH` at its end");
                let at = line.len().checked_sub(NAME.len() + 4).ok_or_else(missing)?;
                let (body, tail) = line.split_at(at);
                let digits = tail.strip_prefix(NAME).ok_or_else(missing)?;
                let stated = hexadecimal(digits, 4)
                    .ok_or_else(|| wrong("`crc16=` is not followed by four hexadecimal digits"))?;
                let (last, body) = body.split_last().ok_or_else(missing)?;
                if !matches!(last, b',' | b';' | b' ' | b'\t') {
                    return Err(missing());
                }
                compare(stated, crc16(body), 4)?;
                Ok(body)
            }
        }
    }
}

fn compare(stated: u16, counted: u16, width: usize) -> Result<(), Refused> {
    if stated == counted {
        Ok(())
    } else {
        Err(wrong(&format!("the line says {stated:0width$X} and counts {counted:0width$X}")))
    }
}

fn wrong(why: &str) -> Refused {
    Refused::new(Refusal::Checksum, why)
}

fn hexadecimal(digits: &[u8], count: usize) -> Option<u16> {
    (digits.len() == count && digits.iter().all(u8::is_ascii_hexdigit))
        .then(|| std::str::from_utf8(digits).ok().and_then(|d| u16::from_str_radix(d, 16).ok()))?
}

/// The exclusive or of all bytes.
pub fn exclusive_or(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, byte| sum ^ byte)
}

/// CRC-16/MODBUS.
pub fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, byte| {
        (0..8).fold(crc ^ u16::from(*byte), |crc, _| {
            if crc & 1 == 0 { crc >> 1 } else { (crc >> 1) ^ 0xA001 }
        })
    })
}

#[cfg(test)]
mod tests {
    use super::{crc16, exclusive_or};

    // Check value of CRC-16/MODBUS: Cook, Catalogue of parametrised CRC algorithms,
    // entry CRC-16/MODBUS (from memory). The second: MODBUS over Serial Line V1.02
    // (2006), appendix B, frame 02 07 -> CRC bytes 41 12, low byte first.
    #[test]
    fn the_crc_gives_its_check_values() {
        assert_eq!(crc16(b"123456789"), 0x4B37);
        assert_eq!(crc16(&[0x02, 0x07]), 0x1241);
        assert_eq!(crc16(b""), 0xFFFF);
    }

    // NMEA 0183 (IEC 61162-1), checksum field; sentences as recorded in public parser tests.
    #[test]
    fn the_exclusive_or_is_that_of_nmea_0183() {
        for (body, sum) in [
            ("WIMWV,,T,,N,V", 0x32),
            ("WIMDA,29.4473,I,0.9972,B,17.2,C,,,,,,,,,,,,,,", 0x3E),
            ("WIMDA,29.8578,I,1.0111,B,26.1,C,,,16.1,,-1.6,C,0.0,T,1.4,M,0.0,N,0.0,M", 0x7C),
            ("HCXDR,A,171,D,PITCH,A,-37,D,ROLL,G,367,,MAGX,G,2420,,MAGY,G,-8984,,MAGZ", 0x41),
        ] {
            assert_eq!(exclusive_or(body.as_bytes()), sum, "{body}");
        }
    }
}
