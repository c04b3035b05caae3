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

/// A hash that takes eight bytes at a time, for content that is compared by the hundred
/// thousand: each word is mixed in by a rotation and a multiplication. The multiplier is
/// an odd number with its bits well spread (own choice: the golden ratio's fraction).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Words(u64);

/// Fraction of the golden ratio, odd.
const GOLDEN: u64 = 0x9e37_79b9_7f4a_7c15;

impl Default for Words {
    /// Anything but zero, which would swallow leading zeros.
    fn default() -> Self {
        Self(GOLDEN)
    }
}

impl Words {
    /// Mixes in a word.
    pub(crate) fn word(&mut self, word: u64) {
        self.0 = (self.0.rotate_left(23) ^ word).wrapping_mul(GOLDEN);
    }

    /// Mixes in a text and its length.
    pub(crate) fn text(&mut self, text: &str) {
        let (words, rest) = text.as_bytes().as_chunks::<8>();
        for word in words {
            self.word(u64::from_le_bytes(*word));
        }
        let last = rest.iter().rev().fold(0, |word, &byte| word << 8 | u64::from(byte));
        self.word(last);
        self.word(text.len() as u64);
    }

    /// The hash of all that was mixed in.
    pub(crate) fn finish(mut self) -> u64 {
        self.word(self.0 >> 32);
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

    #[test]
    fn other_words_other_order_and_other_lengths_give_another_hash() {
        let of = |texts: &[&str]| {
            let mut words = Words::default();
            for text in texts {
                words.text(text);
            }
            words.finish()
        };
        let mut seen: Vec<u64> =
            (0..20_000).map(|n| of(&["garden/ridge/t", &n.to_string()])).collect();
        seen.push(of(&["a", "b"]));
        seen.push(of(&["b", "a"]));
        seen.push(of(&["ab", ""]));
        seen.push(of(&["", ""]));
        seen.push(of(&[""]));
        let all = seen.len();
        seen.sort_unstable();
        seen.dedup();
        assert_eq!(seen.len(), all);
    }
}
