//! What no payload may exceed, and names that no channel has.

/// Longest payload that is decoded, in bytes.
pub const LONGEST: usize = 64 * 1024;
/// Longest line of `name=value` pairs, CSV or NMEA 0183, in bytes.
pub const LONGEST_LINE: usize = 4_096;
/// Deepest nesting of arrays and objects; the outermost one counts as 1.
pub const DEEPEST: usize = 16;
/// Longest word that a channel takes, and longest boot identifier, in bytes.
pub const LONGEST_WORD: usize = 128;

/// The names that no channel can have: they say something about the whole message.
pub const RESERVED: [&str; 3] = ["time", "boot", "sequence"];
