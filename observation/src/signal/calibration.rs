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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]
    use super::*;
    use crate::Unit;
    use proptest::prelude::*;

    fn offset(from: i64, offset: f64) -> Calibration {
        Calibration {
            from: Time(from),
            transfer: Transfer::Linear { factor: 1.0, offset },
            sensor: None,
        }
    }

    #[test]
    fn the_last_that_begins_at_or_before_the_instant_holds() {
        let timeline = [offset(100, 1.0), offset(200, 2.0), offset(200, 3.0), offset(300, 4.0)];
        for (at, made_by) in
            [(99, None), (100, Some(1)), (199, Some(1)), (200, Some(3)), (900, Some(4))]
        {
            assert_eq!(active(&timeline, Time(at)).map(|a| a.made_by), made_by, "{at}");
        }
        assert_eq!(active(&[], Time(0)), None);
    }

    #[test]
    fn tables_are_straight_between_and_carried_on_beyond() {
        let table = Transfer::Table(vec![(0.0, 0.5), (50.0, 50.0), (100.0, 98.0)]);
        for (read, truth) in [
            (0.0, 0.5),
            (50.0, 50.0),
            (100.0, 98.0),
            (25.0, 25.25),
            (75.0, 74.0),
            (-10.0, -9.4),
            (110.0, 107.6),
        ] {
            let got = correct(&table, read).unwrap();
            assert!((got - truth).abs() < 1e-9, "{read}: {got}");
        }
        assert_eq!(correct(&Transfer::Table(vec![(20.0, 19.5)]), 30.0), Some(29.5));
        assert_eq!(correct(&Transfer::Table(Vec::new()), 30.0), None);
        assert_eq!(correct(&Transfer::Table(vec![(1.0, 1.0), (1.0, 2.0)]), 0.0), None);
        assert_eq!(correct(&Transfer::Depth(0.25), 30.0), None);
        assert_eq!(correct(&Transfer::Linear { factor: 1e300, offset: 0.0 }, 1e300), None);
    }

    #[test]
    fn units_are_converted_before_the_correction() {
        let scale = Unit::parse("[degF]").unwrap().scale_to(&Unit::parse("Cel").unwrap()).unwrap();
        let timeline = [offset(100, -0.2)];
        let got = direct(50.0, scale, &timeline, Time(100)).unwrap();
        assert!((got.value - 9.8).abs() < 1e-9);
        assert_eq!(got.made_by, 1);
        let before = direct(32.0, scale, &timeline, Time(0)).unwrap();
        assert_eq!((before.value.to_bits(), before.made_by), (0.0_f64.to_bits(), 0));
        assert_eq!(direct(f64::INFINITY, scale, &[], Time(0)), None);
    }

    proptest! {
        #[test]
        fn a_table_meets_its_pairs_and_rises_with_them(
            steps in prop::collection::vec((0.1_f64..10.0, 0.1_f64..10.0), 2..10),
            values in prop::collection::vec(-100.0_f64..200.0, 2),
        ) {
            let (mut read, mut truth) = (0.0, 0.0);
            let pairs: Vec<(f64, f64)> = steps
                .into_iter()
                .map(|(a, b)| {
                    read += a;
                    truth += b;
                    (read, truth)
                })
                .collect();
            let table = Transfer::Table(pairs.clone());
            for &(read, truth) in &pairs {
                let got = correct(&table, read).unwrap();
                prop_assert!((got - truth).abs() < 1e-9);
            }
            let (low, high) = (values[0].min(values[1]), values[0].max(values[1]));
            prop_assert!(correct(&table, low).unwrap() <= correct(&table, high).unwrap() + 1e-9);
        }
    }
}
