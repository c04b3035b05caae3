//! Numbers as bytes: variable-length integers, seven bits a byte, lowest first; signed
//! ones folded so that small ones of either sign stay short.

/// Why bytes are no record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Garbage(pub(crate) &'static str);

impl std::fmt::Display for Garbage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.0)
    }
}

pub(crate) fn put(out: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        out.push(number.to_le_bytes()[0] | 0x80);
        number >>= 7;
    }
    out.push(number.to_le_bytes()[0]);
}

pub(crate) const fn fold(number: i64) -> u64 {
    ((number << 1) ^ (number >> 63)).cast_unsigned()
}

pub(crate) const fn unfold(number: u64) -> i64 {
    (number >> 1).cast_signed() ^ -((number & 1).cast_signed())
}

pub(crate) fn put_signed(out: &mut Vec<u8>, number: i64) {
    put(out, fold(number));
}

pub(crate) fn put_text(out: &mut Vec<u8>, text: &str) {
    put(out, text.len() as u64);
    out.extend_from_slice(text.as_bytes());
}

/// Bytes still to be read. Nothing here panics or allocates more than is there.
#[derive(Clone, Debug)]
pub(crate) struct Input<'a> {
    rest: &'a [u8],
}

impl<'a> Input<'a> {
    pub(crate) const fn new(bytes: &'a [u8]) -> Self {
        Self { rest: bytes }
    }

    pub(crate) const fn left(&self) -> usize {
        self.rest.len()
    }

    pub(crate) fn byte(&mut self) -> Result<u8, Garbage> {
        let (&first, rest) = self.rest.split_first().ok_or(Garbage("cut short"))?;
        self.rest = rest;
        Ok(first)
    }

    pub(crate) fn take(&mut self, length: usize) -> Result<&'a [u8], Garbage> {
        let (taken, rest) = self.rest.split_at_checked(length).ok_or(Garbage("cut short"))?;
        self.rest = rest;
        Ok(taken)
    }

    pub(crate) fn array<const N: usize>(&mut self) -> Result<[u8; N], Garbage> {
        let (taken, rest) = self.rest.split_first_chunk::<N>().ok_or(Garbage("cut short"))?;
        self.rest = rest;
        Ok(*taken)
    }

    pub(crate) fn number(&mut self) -> Result<u64, Garbage> {
        let mut number = 0_u64;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            let part = u64::from(byte & 0x7f);
            if shift == 63 && part > 1 {
                break;
            }
            number |= part << shift;
            if byte < 0x80 {
                return Ok(number);
            }
        }
        Err(Garbage("number too long"))
    }

    pub(crate) fn signed(&mut self) -> Result<i64, Garbage> {
        self.number().map(unfold)
    }

    pub(crate) fn small(&mut self) -> Result<u32, Garbage> {
        u32::try_from(self.number()?).map_err(|_| Garbage("number out of range"))
    }

    /// A count of things that take at least one byte each.
    pub(crate) fn count(&mut self) -> Result<usize, Garbage> {
        usize::try_from(self.number()?)
            .ok()
            .filter(|n| *n <= self.rest.len())
            .ok_or(Garbage("count beyond the end"))
    }

    pub(crate) fn text(&mut self) -> Result<&'a str, Garbage> {
        let length = self.count()?;
        str::from_utf8(self.take(length)?).map_err(|_| Garbage("text is not UTF-8"))
    }

    pub(crate) const fn done(&self) -> Result<(), Garbage> {
        if self.rest.is_empty() { Ok(()) } else { Err(Garbage("bytes left over")) }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn numbers_come_back(number: u64, signed: i64, text: String) {
            let mut out = Vec::new();
            put(&mut out, number);
            put_signed(&mut out, signed);
            put_text(&mut out, &text);
            let mut input = Input::new(&out);
            prop_assert_eq!(input.number().unwrap(), number);
            prop_assert_eq!(input.signed().unwrap(), signed);
            prop_assert_eq!(input.text().unwrap(), text);
            prop_assert!(input.done().is_ok());
        }
    }

    #[test]
    fn what_is_no_number_is_refused() {
        for bytes in [&[][..], &[0x80], &[0xff; 10], &[0xff; 11]] {
            assert!(Input::new(bytes).number().is_err(), "{bytes:?}");
        }
        assert!(Input::new(&[5, 1, 2]).count().is_err());
        assert!(Input::new(&[2, 0xff, 0xff]).text().is_err());
    }
}
