//! A cheap hash that is the same on every machine and in every run: 64-bit FNV-1a of
//! Fowler, Noll and Vo (constants from memory). For keys that no sender chooses.

use std::hash::{BuildHasherDefault, Hasher};

const PRIME: u64 = 0x0000_0100_0000_01b3;

/// The hash so far.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Fnv(u64);

/// For maps.
pub(crate) type ByFnv = BuildHasherDefault<Fnv>;

impl Default for Fnv {
    fn default() -> Self {
        Self(0xcbf2_9ce4_8422_2325)
    }
}

impl Hasher for Fnv {
    fn write(&mut self, bytes: &[u8]) {
        self.0 = bytes.iter().fold(self.0, |hash, &b| (hash ^ u64::from(b)).wrapping_mul(PRIME));
    }

    fn finish(&self) -> u64 {
        self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_the_published_function() {
        // Test vectors of the authors' own list (from memory).
        for (text, expected) in [
            ("", 0xcbf2_9ce4_8422_2325_u64),
            ("a", 0xaf63_dc4c_8601_ec8c),
            ("foobar", 0x8594_4171_f739_67e8),
        ] {
            let mut hasher = Fnv::default();
            hasher.write(text.as_bytes());
            assert_eq!(hasher.finish(), expected, "{text}");
        }
    }
}
