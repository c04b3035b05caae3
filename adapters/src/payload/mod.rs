//! From the bytes of one message to the samples of the stations it speaks for.
//!
//! The rule kept here: **a payload is taken whole or refused whole**, nothing in it can
//! make a decoder panic, recurse deeply or grow beyond its limit, and every name, unit
//! and type is checked before a [`observation::Measured`] exists. What is refused says why in one
//! word of the closed list and in one line for people.
//!
//! A decoder knows no clock: what the sender said about the time is passed on as
//! [`observation::Stated`], and whether that can be believed is judged later, once `received` is known.

pub mod checksum;
pub mod csv;
pub mod form;
pub mod json;
pub mod key_value;
pub mod map;
pub mod nmea;
pub mod number;
pub mod senml;

mod decoded;
mod gather;
mod limits;
mod reader;
mod refused;
mod scalar;
mod strict;
mod when;

pub use checksum::Checksum;
pub use decoded::Decoded;
pub use limits::{DEEPEST, LONGEST, LONGEST_LINE, LONGEST_WORD, RESERVED};
pub use map::Map;
pub use reader::Reader;
pub use refused::{Refused, shown};

use refused::{text, within};
