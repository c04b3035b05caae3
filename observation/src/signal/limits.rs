//! How many pulses or changes a counter can have counted in a given time. Whatever
//! is more is a wrap misread, a restart or a glitch, never weather.

use crate::{Span, property::Transfer};

/// Speed beyond which no cup is believed, in metres per second: the upper end of the
/// plausible range of wind speed (WMO-No. 488, appendix VI.2).
const FASTEST_WIND: f64 = 75.0;

/// The greatest rain of an hour, in millimetres, and the exponent with which it grows
/// with the number of hours: the envelope of the world's greatest observed point
/// rainfalls, `422 D^0.475` (Jennings, World's greatest observed point rainfalls,
/// Monthly Weather Review 78, 1950, 4-5; from memory).
const GREATEST_RAIN: (f64, f64) = (422.0, 0.475);

/// Senders that stamp whole seconds make an interval up to this much too short.
const STAMP: Span = Span::seconds(1);

/// What bounds the rate besides the dead time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fastest {
    /// Nothing is known.
    Unknown,
    /// So many counts a second, however long it lasts.
    Steady(f64),
    /// No more rain than ever fell in such a time; the depth of one count in millimetres.
    Rain(f64),
}

/// What is known of a counter before it is read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Width of a running total: it rolls over at two to the power of this. 1 to 64;
    /// what lies outside is taken as the nearest of these.
    pub bits: u8,
    /// Shortest believable time between two counts; zero where none is known.
    pub dead_time: Span,
    /// The other bound.
    pub fastest: Fastest,
}

impl Limits {
    /// Limits from the width and the dead time alone.
    pub const fn new(bits: u8, dead_time: Span) -> Self {
        Self { bits, dead_time, fastest: Fastest::Unknown }
    }

    /// Limits of a cup or gauge whose calibration is known: a cup turns no faster
    /// than 75 m/s drives it, a gauge tips no oftener than the greatest rain fills it.
    pub fn of(bits: u8, dead_time: Span, transfer: Option<&Transfer>) -> Self {
        let fastest = match transfer {
            Some(&Transfer::Wind { slope, offset, .. }) if slope > 0.0 => {
                Fastest::Steady(((FASTEST_WIND - offset) / slope).max(1.0))
            }
            Some(&Transfer::Depth(depth)) if depth > 0.0 => Fastest::Rain(depth),
            _ => Fastest::Unknown,
        };
        Self { bits, dead_time, fastest }
    }

    /// The count at which a running total is zero again.
    pub fn modulus(self) -> u128 {
        1_u128 << self.bits.clamp(1, 64)
    }

    /// The most that can have been counted in `elapsed`; negative is taken as zero.
    /// A second is allowed for stamps cut to whole seconds, and one count for the
    /// pulse at the edge.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a bound beyond the integers becomes the greatest of them"
    )]
    pub fn most(self, elapsed: Span) -> u64 {
        let elapsed = Span(elapsed.0.max(0)) + STAMP;
        let by_dead_time = match u64::try_from(self.dead_time.0) {
            Ok(dead) if dead > 0 => elapsed.0.unsigned_abs() / dead,
            _ => u64::MAX,
        };
        let seconds = elapsed.as_seconds();
        let by_rate = match self.fastest {
            Fastest::Unknown => f64::INFINITY,
            Fastest::Steady(rate) => rate * seconds,
            Fastest::Rain(depth) => {
                let (hour, exponent) = GREATEST_RAIN;
                hour * (seconds / 3_600.0).powf(exponent) / depth
            }
        };
        // A bound that is not a number bounds nothing.
        let by_rate = if by_rate.is_nan() { u64::MAX } else { by_rate.max(0.0) as u64 };
        by_dead_time.min(by_rate).saturating_add(1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_most_grows_with_time_and_never_panics() {
        let cup = Limits::of(
            32,
            Span(2),
            Some(&Transfer::Wind { slope: 1.2, offset: 0.0, threshold: 0.5 }),
        );
        // 75 m/s at 1.2 m a turn is 62.5 turns a second.
        assert_eq!(cup.most(Span::seconds(9)), 626);
        let gauge = Limits::of(16, Span(300), Some(&Transfer::Depth(0.25)));
        // The dead time bounds short spans, the greatest rain long ones.
        assert_eq!(gauge.most(Span::ZERO), 4);
        assert_eq!(gauge.most(Span::hours(1) - Span::seconds(1)), 1_689);
        for limits in [
            Limits::new(0, Span(-5)),
            Limits { bits: 255, dead_time: Span(i64::MAX), fastest: Fastest::Steady(f64::NAN) },
            Limits { bits: 8, dead_time: Span(1), fastest: Fastest::Rain(0.0) },
        ] {
            for elapsed in [i64::MIN, -1, 0, 1, i64::MAX] {
                assert!(limits.most(Span(elapsed)) >= 1);
            }
            assert!(limits.modulus() >= 2);
        }
    }
}
