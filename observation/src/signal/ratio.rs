//! A voltage as a ratio to its supply becomes a value, by bands or in proportion.
//!
//! The rule: what lies between two bands is a fault, not the nearer band: a ladder
//! halfway between two steps has a bad contact (common practice).

use crate::property::Ratio;
use std::fmt;

/// How far noise may carry a potentiometer beyond its ends, as a share of full scale.
const NOISE: f64 = 0.01;

/// Why a ratio means nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RatioFault {
    /// The supply is zero, negative or no number.
    NoSupply,
    /// Between two bands or beyond the outermost.
    BetweenBands,
    /// Below 0 or above 1 by more than noise.
    OffScale,
}

impl fmt::Display for RatioFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NoSupply => "the supply voltage is not above zero",
            Self::BetweenBands => "the ratio lies in no band: a bad contact or a wrong resistor",
            Self::OffScale => "the ratio is below 0 or above 1: a broken wire or a wrong supply",
        })
    }
}

impl std::error::Error for RatioFault {}

/// The ratio of a signal to its supply, both in the same unit.
///
/// # Errors
/// A supply that is not above zero.
pub fn ratio(signal: f64, supply: f64) -> Result<f64, RatioFault> {
    let ratio = signal / supply;
    if supply > 0.0 && ratio.is_finite() { Ok(ratio) } else { Err(RatioFault::NoSupply) }
}

/// What a ratio means, in the quantity's canonical unit: the value of the band it lies
/// in (both ends included, the first if two touch), or where there are no bands the
/// share of full scale, held at the ends within 1 % of noise.
///
/// # Errors
/// Between bands, or off the scale.
pub fn value(signal: &Ratio, ratio: f64) -> Result<f64, RatioFault> {
    if signal.bands.is_empty() {
        return if (-NOISE..=1.0 + NOISE).contains(&ratio) {
            Ok(ratio.clamp(0.0, 1.0) * signal.full_scale)
        } else {
            Err(RatioFault::OffScale)
        };
    }
    signal
        .bands
        .iter()
        .find(|band| (band.low..=band.high).contains(&ratio))
        .map(|band| band.value)
        .ok_or(RatioFault::BetweenBands)
}

/// A direction from the ratio of a ladder or potentiometer vane, with `mounting`
/// degrees added: above 0 and at most 360.
///
/// # Errors
/// As [`value`], and a value that is no finite number is off the scale.
pub fn direction(signal: &Ratio, ratio: f64, mounting: f64) -> Result<f64, RatioFault> {
    super::direction::normalise(value(signal, ratio)? + mounting).ok_or(RatioFault::OffScale)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::property::Band;

    fn ladder() -> Ratio {
        Ratio {
            supply: None,
            bands: vec![
                Band { low: 0.10, high: 0.20, value: 90.0 },
                Band { low: 0.30, high: 0.40, value: 180.0 },
            ],
            full_scale: 0.0,
        }
    }

    // Ratio to the supply, guard gaps between bands: common practice.
    #[test]
    fn bands_give_their_value_and_gaps_are_faults() {
        for (ratio, expected) in [
            (0.10, Ok(90.0)),
            (0.15, Ok(90.0)),
            (0.20, Ok(90.0)),
            (0.25, Err(RatioFault::BetweenBands)),
            (0.35, Ok(180.0)),
            (0.0, Err(RatioFault::BetweenBands)),
            (1.0, Err(RatioFault::BetweenBands)),
            (f64::NAN, Err(RatioFault::BetweenBands)),
        ] {
            assert_eq!(value(&ladder(), ratio), expected, "{ratio}");
        }
    }

    #[test]
    fn without_bands_the_ratio_is_a_share_of_full_scale() {
        let pot = Ratio { supply: None, bands: Vec::new(), full_scale: 360.0 };
        assert_eq!(value(&pot, 0.25), Ok(90.0));
        assert_eq!(value(&pot, 1.005), Ok(360.0));
        assert_eq!(value(&pot, -0.005), Ok(0.0));
        assert_eq!(value(&pot, 1.2), Err(RatioFault::OffScale));
        assert_eq!(value(&pot, f64::NAN), Err(RatioFault::OffScale));
    }

    #[test]
    fn a_ladder_vane_points_above_0_and_at_most_to_360() {
        for (ratio, mounting, expected) in [
            (0.15, 0.0, Ok(90.0)),
            (0.15, -90.0, Ok(360.0)),
            (0.35, 200.0, Ok(20.0)),
            (0.25, 0.0, Err(RatioFault::BetweenBands)),
            (0.35, f64::NAN, Err(RatioFault::OffScale)),
        ] {
            assert_eq!(direction(&ladder(), ratio, mounting), expected, "{ratio} + {mounting}");
        }
    }

    #[test]
    fn a_ratio_needs_a_supply() {
        assert_eq!(ratio(1.65, 3.3), Ok(0.5));
        for supply in [0.0, -3.3, f64::NAN] {
            assert_eq!(ratio(1.0, supply), Err(RatioFault::NoSupply));
        }
        assert_eq!(ratio(f64::INFINITY, 3.3), Err(RatioFault::NoSupply));
        // A falling supply takes the signal with it: the ratio stays.
        assert_eq!(ratio(1.5, 3.0), Ok(0.5));
    }
}
