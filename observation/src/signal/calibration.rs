//! A read value becomes a true one by the calibration that held at its time.
//!
//! The rule: the raw value in its unit is converted to the canonical unit first and
//! corrected after; each result names the calibration that made it.

use crate::Time;
use crate::property::{Calibration, Transfer};
use crate::unit::Scale;

/// The calibration that holds at an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Active<'a> {
    /// Its number in the merged timeline, counted from 1.
    pub made_by: u32,
    /// The relation.
    pub transfer: &'a Transfer,
}

/// A value in the canonical unit and what made it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Corrected {
    /// The value.
    pub value: f64,
    /// The number of the calibration, 0 for none.
    pub made_by: u32,
}

/// The calibration of a merged timeline (oldest first) that holds at an instant: the
/// last that begins at or before it. None before the first.
pub fn active(timeline: &[Calibration], at: Time) -> Option<Active<'_>> {
    let begun = timeline.partition_point(|c| c.from <= at);
    let transfer = &timeline.get(begun.checked_sub(1)?)?.transfer;
    Some(Active { made_by: u32::try_from(begun).unwrap_or(u32::MAX), transfer })
}

/// Corrects a value in the canonical unit by a linear or table relation. None if the
/// relation is of another kind (those of cups and gauges do not correct values), the
/// table is empty, or the result is no finite number.
pub fn correct(transfer: &Transfer, value: f64) -> Option<f64> {
    let corrected = match transfer {
        Transfer::Linear { factor, offset } => factor * value + offset,
        Transfer::Table(pairs) => by_table(pairs, value)?,
        Transfer::Wind { .. } | Transfer::Depth(_) => return None,
    };
    corrected.is_finite().then_some(corrected)
}

/// A direct value: from its raw unit to the canonical one by `scale`, then corrected
/// by what held at its time; without a calibration it stands as it is. None if the
/// calibration does not correct values or the result is no finite number.
pub fn direct(raw: f64, scale: Scale, timeline: &[Calibration], at: Time) -> Option<Corrected> {
    let value = scale.apply(raw);
    match active(timeline, at) {
        None => value.is_finite().then_some(Corrected { value, made_by: 0 }),
        Some(Active { made_by, transfer }) => {
            correct(transfer, value).map(|value| Corrected { value, made_by })
        }
    }
}

/// Straight lines between the pairs, the end segments carried on; one pair shifts.
fn by_table(pairs: &[(f64, f64)], value: f64) -> Option<f64> {
    if let [(read, truth)] = *pairs {
        return Some(value - read + truth);
    }
    let above = pairs.partition_point(|&(read, _)| read <= value);
    let right = above.clamp(1, pairs.len().checked_sub(1)?.max(1));
    let (&(x0, y0), &(x1, y1)) = (pairs.get(right - 1)?, pairs.get(right)?);
    if value.to_bits() == x1.to_bits() {
        // Exact at the pairs, which the division below is not.
        return Some(y1);
    }
    Some(y0 + (value - x0) * (y1 - y0) / (x1 - x0))
}
