//! Readings in the order of their times, a bounded stretch at a time. A block of a day is
//! decoded once, one of a week again for each stretch that touches it.

use crate::columns::Columns;
use crate::fault::ReadError;
use crate::look::Look;
use crate::select::Kept;
use crate::weeks::monday;
use observation::time::{DAY, HOUR};
use observation::{Span, Time};

/// Fewer in one stretch: the next is twice as long. A week of a station of twelve series at
/// one a minute is no more; to hold a week of five such costs more time than it saves.
const FEW: usize = 131_072;
/// More in one stretch: the next is half as long.
const MANY: usize = 524_288;
const SHORTEST: i64 = HOUR;
const LONGEST: i64 = 32 * DAY;
/// A part ends with the window in which it has so many: it is to stay near the processor.
const PART: usize = if cfg!(test) { 5 } else { 4_096 };

/// Highest revisions ordered by time and series, as [`Look::walk`] gives them. No read
/// transaction is held between two parts.
#[derive(Debug)]
pub struct Walk<'a> {
    look: Look<'a>,
    wanted: Vec<bool>,
    from: Time,
    to: Time,
    span: i64,
    columns: Columns,
    part: Vec<Kept>,
}

impl<'a> Walk<'a> {
    pub(crate) fn new(look: Look<'a>, wanted: Vec<bool>, from: Time, to: Time) -> Self {
        Self { look, wanted, from, to, span: DAY, columns: Columns::default(), part: Vec::new() }
    }

    /// The next readings; none at the end. What has one and the same time is in one part.
    ///
    /// # Errors
    /// When the database cannot be read, or a record cannot be decoded.
    pub fn next_part(&mut self) -> Result<Option<&[Kept]>, ReadError> {
        self.part.clear();
        loop {
            self.columns.tell(&mut self.part, PART);
            if !self.part.is_empty() {
                return Ok(Some(&self.part));
            }
            if self.from >= self.to {
                return Ok(None);
            }
            self.gather()?;
        }
    }

    /// Whether nothing follows the last part. Where it is not, something may.
    pub fn is_done(&self) -> bool {
        self.columns.is_told() && self.from >= self.to
    }

    fn gather(&mut self) -> Result<(), ReadError> {
        let end = self.end();
        let Self { look, wanted, from, columns, .. } = self;
        columns.clear();
        look.each_part(*from, end - Span(1), wanted, &mut |number, place, run| {
            columns.take(number, place, run);
            Ok(())
        })?;
        let count = columns.ready();
        if count < FEW {
            self.span = (self.span * 2).min(LONGEST);
        } else if count > MANY {
            self.span = (self.span / 2).max(SHORTEST);
        }
        self.from = end;
        Ok(())
    }

    /// Where the next stretch ends: with a day or a week, because blocks do.
    fn end(&self) -> Time {
        let start = self.from.0.div_euclid(self.span.min(DAY)) * self.span.min(DAY);
        let end = Time(start.saturating_add(self.span));
        let whole = if self.span < 7 * DAY { end } else { Time(monday(end.utc_day()) * DAY) };
        whole.min(self.to)
    }
}
