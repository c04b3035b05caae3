//! What stands beside the values: flags, reasons, revisions and calibrations, which stay
//! the same for hours, and which readings have a value at all.

use super::numbers::{put_numbers, read_numbers};
use crate::record::bytes::{Garbage, Input, put};
use observation::{Flag, Reading, Reasons};

/// What a reading carries beside time and value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Kind {
    pub(super) flag: Flag,
    pub(super) reasons: Reasons,
    pub(super) revision: u32,
    pub(super) made_by: u32,
}

/// The kinds of a run of readings.
#[derive(Debug)]
pub(super) struct Kinds {
    list: Vec<Kind>,
    /// Place and length.
    runs: Vec<(usize, usize)>,
}

impl Kinds {
    /// Each kind and for how many times it holds.
    pub(super) fn runs(&self) -> impl Iterator<Item = (Kind, usize)> + '_ {
        self.runs.iter().filter_map(|&(place, length)| Some((*self.list.get(place)?, length)))
    }
}

fn kind_of(reading: &Reading) -> Kind {
    let Reading { flag, reasons, revision, made_by, .. } = *reading;
    Kind { flag, reasons, revision, made_by }
}

pub(super) fn put_kinds(out: &mut Vec<u8>, run: &[Reading]) {
    let mut list: Vec<Kind> = Vec::new();
    let mut runs: Vec<(usize, u64)> = Vec::new();
    for reading in run {
        let kind = kind_of(reading);
        let place = list.iter().position(|k| *k == kind).unwrap_or_else(|| {
            list.push(kind);
            list.len() - 1
        });
        match runs.last_mut() {
            Some((same, length)) if *same == place => *length += 1,
            _ => runs.push((place, 1)),
        }
    }
    put(out, list.len() as u64);
    for kind in &list {
        out.push(kind.flag.number());
        put(out, u64::from(kind.reasons.bits()));
        put(out, u64::from(kind.revision));
        put(out, u64::from(kind.made_by));
    }
    if list.len() > 1 {
        put(out, runs.len() as u64);
        for (place, length) in runs {
            put(out, place as u64);
            put(out, length);
        }
    }
}

pub(super) fn read_kinds(input: &mut Input<'_>, count: usize) -> Result<Kinds, Garbage> {
    let kinds = input.count()?;
    let mut list = Vec::with_capacity(kinds);
    for _ in 0..kinds {
        let flag = Flag::from_number(input.byte()?).ok_or(Garbage("unknown flag"))?;
        let bits = u16::try_from(input.number()?).map_err(|_| Garbage("unknown reasons"))?;
        let reasons = Reasons::from_bits(bits);
        if reasons.bits() != bits {
            return Err(Garbage("unknown reasons"));
        }
        list.push(Kind { flag, reasons, revision: input.small()?, made_by: input.small()? });
    }
    if kinds <= 1 {
        return Ok(Kinds { list, runs: vec![(0, count)] });
    }
    let number = input.count()?;
    let mut left = count;
    let mut runs = Vec::with_capacity(number);
    for _ in 0..number {
        let place = input.small()? as usize;
        let length = input.small()? as usize;
        left = left.checked_sub(length).ok_or(Garbage("kinds beyond the times"))?;
        if place >= kinds {
            return Err(Garbage("no such kind"));
        }
        runs.push((place, length));
    }
    if left == 0 { Ok(Kinds { list, runs }) } else { Err(Garbage("kinds do not reach")) }
}

pub(super) fn put_values(out: &mut Vec<u8>, run: &[Reading]) {
    let there: Vec<i64> = run.iter().filter_map(|r| r.value).collect();
    if there.len() == run.len() {
        out.push(0);
    } else {
        out.push(1);
        let mut runs: Vec<u64> = vec![0];
        let mut with = true;
        for reading in run {
            if reading.value.is_some() != with {
                with = !with;
                runs.push(0);
            }
            if let Some(length) = runs.last_mut() {
                *length += 1;
            }
        }
        put(out, runs.len() as u64);
        for length in runs {
            put(out, length);
        }
    }
    if !there.is_empty() {
        put_numbers(out, &there);
    }
}

pub(super) fn read_values(
    input: &mut Input<'_>,
    count: usize,
) -> Result<Vec<Option<i64>>, Garbage> {
    if input.byte()? == 0 {
        if count == 0 {
            return Ok(Vec::new());
        }
        return Ok(read_numbers(input, count)?.into_iter().map(Some).collect());
    }
    let number = input.count()?;
    let mut runs = Vec::with_capacity(number);
    let (mut left, mut there) = (count, 0_usize);
    for place in 0..number {
        let length = input.small()? as usize;
        left = left.checked_sub(length).ok_or(Garbage("values beyond the times"))?;
        if place % 2 == 0 {
            there += length;
        }
        runs.push(length);
    }
    if left != 0 {
        return Err(Garbage("values do not reach"));
    }
    let mut numbers = if there == 0 { Vec::new() } else { read_numbers(input, there)? }.into_iter();
    let mut values = Vec::with_capacity(count);
    for (place, length) in runs.into_iter().enumerate() {
        for _ in 0..length {
            values.push(if place % 2 == 0 { numbers.next() } else { None });
        }
    }
    Ok(values)
}
