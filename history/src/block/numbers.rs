//! Columns of integers as bytes: whichever of three ways is shortest.
//!
//! | first byte | what follows |
//! |---|---|
//! | 0 | one signed integer that all are |
//! | 1 | each as the signed difference to the one before, 0 at first |
//! | 2, 3, 4 | `pco` over integers of 16, 32, 64 bits: length, bytes |
//!
//! The count stands elsewhere and bounds what is allocated.

use crate::record::bytes::{Garbage, Input, put, put_signed};
use pco::data_types::Number;
use pco::standalone::{simple_compress, simple_decompress_into};
use pco::{ChunkConfig, DeltaSpec, ModeSpec};

const CONSTANT: u8 = 0;
const DIFFERENCES: u8 = 1;
const BITS_16: u8 = 2;
const BITS_32: u8 = 3;
const BITS_64: u8 = 4;

/// Below this many, what `pco` writes about itself is longer than the gain.
const FEW: usize = 24;

/// The greatest step of which all differences are whole multiples: an instrument is often
/// coarser than its quantity is kept. Not 0.
fn common_step(numbers: &[i64]) -> u64 {
    let mut step = 0;
    for (before, number) in numbers.iter().zip(numbers.iter().skip(1)) {
        let mut rest = number.abs_diff(*before);
        while rest != 0 {
            (step, rest) = (rest, step % rest);
        }
    }
    step.max(1)
}

/// The ways that are tried. What `pco` chooses by itself from a sample of a day is up to a
/// third longer than the shortest of these: a day of irradiance has a night of zeros in it.
fn ways(step: u64) -> impl Iterator<Item = ChunkConfig> {
    let modes = [Some(ModeSpec::Auto), (step > 1).then_some(ModeSpec::TryIntMult(step))];
    modes.into_iter().flatten().flat_map(|mode| {
        [DeltaSpec::NoOp, DeltaSpec::TryConsecutive(1), DeltaSpec::TryConsecutive(2)]
            .map(|delta| ChunkConfig::default().with_mode_spec(mode.clone()).with_delta_spec(delta))
    })
}

fn compressed<T: Number + TryFrom<i64>>(numbers: &[i64], step: u64) -> Option<Vec<u8>> {
    let narrow: Vec<T> = numbers.iter().map(|&n| T::try_from(n).ok()).collect::<Option<_>>()?;
    let bytes =
        ways(step).filter_map(|way| simple_compress(&narrow, &way).ok()).min_by_key(Vec::len)?;
    // What cannot be read back bit by bit is not written.
    let mut again = vec![T::default(); narrow.len()];
    let same = simple_decompress_into(&bytes, &mut again).is_ok()
        && again.iter().zip(&narrow).all(|(a, b)| a.to_latent_ordered() == b.to_latent_ordered());
    same.then_some(bytes)
}

pub(super) fn put_numbers(out: &mut Vec<u8>, numbers: &[i64]) {
    if let Some((first, rest)) = numbers.split_first()
        && rest.iter().all(|n| n == first)
    {
        out.push(CONSTANT);
        put_signed(out, *first);
        return;
    }
    let mut plain = Vec::with_capacity(numbers.len());
    let mut before = 0_i64;
    for &number in numbers {
        put_signed(&mut plain, number.wrapping_sub(before));
        before = number;
    }
    let packed = (numbers.len() >= FEW)
        .then(|| {
            let step = common_step(numbers);
            compressed::<i16>(numbers, step)
                .map(|b| (BITS_16, b))
                .or_else(|| compressed::<i32>(numbers, step).map(|b| (BITS_32, b)))
                .or_else(|| compressed::<i64>(numbers, step).map(|b| (BITS_64, b)))
        })
        .flatten()
        .filter(|(_, bytes)| bytes.len() + 2 < plain.len());
    if let Some((tag, bytes)) = packed {
        out.push(tag);
        put(out, bytes.len() as u64);
        out.extend_from_slice(&bytes);
    } else {
        out.push(DIFFERENCES);
        out.extend_from_slice(&plain);
    }
}

fn decompressed<T: Number + Into<i64>>(bytes: &[u8], count: usize) -> Result<Vec<i64>, Garbage> {
    let mut numbers = vec![T::default(); count];
    let progress = simple_decompress_into(bytes, &mut numbers)
        .map_err(|_| Garbage("a column cannot be decompressed"))?;
    if progress.n_processed != count {
        return Err(Garbage("a column is too short"));
    }
    Ok(numbers.into_iter().map(Into::into).collect())
}

pub(super) fn read_numbers(input: &mut Input<'_>, count: usize) -> Result<Vec<i64>, Garbage> {
    match input.byte()? {
        CONSTANT => Ok(vec![input.signed()?; count]),
        DIFFERENCES => {
            let mut before = 0_i64;
            (0..count)
                .map(|_| {
                    before = before.wrapping_add(input.signed()?);
                    Ok(before)
                })
                .collect()
        }
        tag @ (BITS_16 | BITS_32 | BITS_64) => {
            let length = input.count()?;
            let bytes = input.take(length)?;
            match tag {
                BITS_16 => decompressed::<i16>(bytes, count),
                BITS_32 => decompressed::<i32>(bytes, count),
                _ => decompressed::<i64>(bytes, count),
            }
        }
        _ => Err(Garbage("unknown way of a column")),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_common_step_divides_all_differences() {
        assert_eq!(common_step(&[7, 17, -13, 7]), 10);
        assert_eq!(common_step(&[4, 4, 4]), 1);
        assert_eq!(common_step(&[i64::MIN, i64::MAX]), u64::MAX);
        assert_eq!(common_step(&[]), 1);
    }

    #[test]
    fn a_coarse_instrument_with_quiet_nights_takes_no_more_than_its_own_steps() {
        // Half a day of nothing, then whole watts kept in tenths.
        let mut random = fastrand::Rng::with_seed(1);
        let coarse: Vec<i64> =
            (0..1_440).map(|n| if n < 720 { 0 } else { random.i64(0..256) }).collect();
        let fine: Vec<i64> = coarse.iter().map(|n| n * 10).collect();
        let length = |numbers: &[i64]| {
            come_back(numbers);
            let mut out = Vec::new();
            put_numbers(&mut out, numbers);
            out.len()
        };
        // Half of them are a byte each of pure chance; one bit each says which half.
        assert!((720..720 + 180 + 60).contains(&length(&coarse)), "{}", length(&coarse));
        assert!(length(&fine) <= length(&coarse) + 16, "{} {}", length(&fine), length(&coarse));
    }

    fn come_back(numbers: &[i64]) {
        let mut out = Vec::new();
        put_numbers(&mut out, numbers);
        let mut input = Input::new(&out);
        assert_eq!(read_numbers(&mut input, numbers.len()).unwrap(), numbers);
        assert!(input.done().is_ok());
    }

    proptest! {
        #[test]
        fn columns_come_back(numbers: Vec<i64>) {
            come_back(&numbers);
        }

        #[test]
        fn columns_of_coarse_steps_come_back(
            steps in prop::collection::vec(-300_i64..300, 0..400), step in 1_i64..10_000, first: i32
        ) {
            let numbers: Vec<i64> = steps.iter().map(|s| i64::from(first) + s * step).collect();
            come_back(&numbers);
        }

        #[test]
        fn columns_of_small_steps_come_back(steps in prop::collection::vec(-3_i64..4, 0..3_000), first: i32) {
            let mut at = i64::from(first);
            let numbers: Vec<i64> = steps.iter().map(|s| { at += s; at }).collect();
            come_back(&numbers);
        }
    }
}
