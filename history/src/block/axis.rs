//! A time axis: runs of equal steps, in the greatest unit that fits.

use crate::record::bytes::{Garbage, Input, put};
use observation::time::DAY;

/// An axis still packed.
#[derive(Clone, Debug)]
pub(super) struct Axis {
    count: usize,
    unit: i64,
    runs: Vec<(u64, u64)>,
}

fn greatest_common(mut a: i64, mut b: i64) -> i64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// `times` rise and lie within the length of a block.
pub(super) fn put_axis(out: &mut Vec<u8>, times: &[i64]) {
    let unit = times.iter().fold(0, |u, &t| greatest_common(u, t)).max(1);
    let mut runs: Vec<(i64, u64)> = Vec::new();
    let mut before = 0;
    for time in times {
        let step = (time - before) / unit;
        before = *time;
        match runs.last_mut() {
            Some((same, often)) if *same == step => *often += 1,
            _ => runs.push((step, 1)),
        }
    }
    put(out, times.len() as u64);
    put(out, unit.cast_unsigned());
    put(out, runs.len() as u64);
    for (step, often) in runs {
        put(out, step.cast_unsigned());
        put(out, often);
    }
}

impl Axis {
    pub(super) fn read(input: &mut Input<'_>) -> Result<Self, Garbage> {
        let count = input.number()?;
        // A day has no more milliseconds, and a week of more is not made.
        let count = i64::try_from(count)
            .ok()
            .filter(|&n| n <= DAY)
            .and_then(|n| usize::try_from(n).ok())
            .ok_or(Garbage("more times than a day has"))?;
        let unit = i64::from(input.small()?);
        let runs = input.count()?;
        let runs = (0..runs)
            .map(|_| Ok((input.number()?, input.number()?)))
            .collect::<Result<Vec<_>, Garbage>>()?;
        Ok(Self { count, unit, runs })
    }

    pub(super) fn count(&self) -> u64 {
        self.count as u64
    }

    /// Milliseconds since the start of a block of this length.
    pub(super) fn times(&self, length: i64) -> Result<Vec<i64>, Garbage> {
        const BEYOND: Garbage = Garbage("a time beyond its block");
        let mut times = Vec::new();
        let mut at = 0_i64;
        for &(step, often) in &self.runs {
            let step =
                i64::try_from(step).ok().and_then(|s| s.checked_mul(self.unit)).ok_or(BEYOND)?;
            for _ in 0..often {
                at = at.checked_add(step).filter(|&t| (0..length).contains(&t)).ok_or(BEYOND)?;
                if times.len() == self.count {
                    return Err(Garbage("more times than told"));
                }
                times.push(at);
            }
        }
        if times.len() == self.count { Ok(times) } else { Err(Garbage("fewer times than told")) }
    }
}
