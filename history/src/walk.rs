//! Readings in the order of their times, a bounded stretch at a time, each block decoded
//! once.

use crate::fault::ReadError;
use crate::look::Look;
use crate::select::Kept;
use observation::time::{DAY, HOUR};
use observation::{Span, Time};

/// Fewer in one stretch: the next is twice as long.
const FEW: usize = 32_768;
/// More in one stretch: the next is half as long.
const MANY: usize = 524_288;
const SHORTEST: i64 = HOUR;
const LONGEST: i64 = 32 * DAY;

/// Highest revisions ordered by time and series, as [`Look::walk`] gives them. No read
/// transaction is held between two parts.
#[derive(Debug)]
pub struct Walk<'a> {
    look: Look<'a>,
    wanted: Vec<bool>,
    from: Time,
    to: Time,
    span: i64,
    found: Vec<Kept>,
    /// Time and series as one number, and the place in `found`.
    order: Vec<(u64, u32)>,
    part: Vec<Kept>,
}

impl<'a> Walk<'a> {
    pub(crate) fn new(look: Look<'a>, wanted: Vec<bool>, from: Time, to: Time) -> Self {
        let (found, order, part) = (Vec::new(), Vec::new(), Vec::new());
        Self { look, wanted, from, to, span: DAY, found, order, part }
    }

    /// The next readings; none at the end.
    ///
    /// # Errors
    /// When the database cannot be read, or a record cannot be decoded.
    pub fn next_part(&mut self) -> Result<Option<&[Kept]>, ReadError> {
        self.part.clear();
        while self.part.is_empty() && self.from < self.to {
            let end = self.end();
            let Self { look, wanted, from, found, .. } = self;
            found.clear();
            look.each_reading(*from, end - Span(1), wanted, &mut |kept| {
                found.push(kept);
                Ok(())
            })?;
            self.put_in_order();
            if self.found.len() < FEW {
                self.span = (self.span * 2).min(LONGEST);
            } else if self.found.len() > MANY {
                self.span = (self.span / 2).max(SHORTEST);
            }
            self.from = end;
        }
        Ok((!self.part.is_empty()).then_some(&self.part))
    }

    /// Whether nothing follows the last part. Where it is not, something may.
    pub fn is_done(&self) -> bool {
        self.from >= self.to
    }

    /// Where the next stretch ends: with a day, because blocks do.
    fn end(&self) -> Time {
        let start = self.from.0.div_euclid(self.span.min(DAY)) * self.span.min(DAY);
        Time(start.saturating_add(self.span)).min(self.to)
    }

    /// Of each series and time the highest revision, of equal ones the last found.
    fn put_in_order(&mut self) {
        let Self { found, order, part, from, .. } = self;
        order.clear();
        order.extend((0_u32..).zip(found.iter()).map(|(place, kept)| {
            // A stretch has less than 2^32 milliseconds.
            let offset = (kept.reading.time.0 - from.0).unsigned_abs();
            ((offset << 32) | u64::from(kept.reading.series.0), place)
        }));
        // Stable, and quick where there are long runs in order, as blocks give them.
        order.sort_by_key(|(key, _)| *key);
        let mut last = None;
        for &(key, place) in order.iter() {
            let Some(kept) = found.get(place as usize) else { continue };
            match part.last_mut().filter(|_| last == Some(key)) {
                Some(held) if kept.reading.revision >= held.reading.revision => *held = *kept,
                Some(_) => {}
                None => part.push(*kept),
            }
            last = Some(key);
        }
    }
}
