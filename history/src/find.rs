//! Finding records by event time without an index entry for each sample.
//!
//! Between two clock steps `received` never decreases, so a bound on it is found by
//! halving the log numbers. Nearly all that is measured arrives within the hour, so
//! what lies in a span of event time stands in records received within an hour of the
//! span; `first` and `last` beside each body pass over those that do not touch it,
//! without reading the body. A record that holds anything further from its `received`
//! has a row in `late` for each UTC day of such contents. Ordinary traffic writes no
//! such row, a backlog one or two a commit.

use crate::entry::Head;
use crate::fault::ReadError;
use crate::look::Look;
use crate::record::{NEAR, Row};
use crate::row::{COLUMNS, body_of, row_of};
use observation::time::DAY;
use observation::{Span, Time};
use rusqlite::OptionalExtension;
use std::collections::BTreeMap;
use std::ops::RangeInclusive;

/// Rows read in one statement.
const ROWS: i64 = 256;

/// What is called for each record found, in the order of the log.
pub(crate) type Each<'a> = dyn FnMut(&Row, &[u8]) -> Result<(), ReadError> + 'a;

/// Ranges in order, each number in one of them only.
fn joined(mut spans: Vec<(u64, u64)>) -> Vec<RangeInclusive<u64>> {
    spans.sort_unstable();
    spans.dedup_by(|later, earlier| {
        let joins = later.0 <= earlier.1.saturating_add(1);
        if joins {
            earlier.1 = earlier.1.max(later.1);
        }
        joins
    });
    spans.into_iter().map(|(low, high)| low..=high).collect()
}

impl Look<'_> {
    /// The runs of log numbers between clock steps.
    pub(crate) fn runs(&self) -> Result<Vec<RangeInclusive<u64>>, ReadError> {
        self.runs_behind(0)
    }

    /// The same of the records behind the number `after`.
    fn runs_behind(&self, after: u64) -> Result<Vec<RangeInclusive<u64>>, ReadError> {
        let Some(first) = self.head_from(after.saturating_add(1))? else { return Ok(Vec::new()) };
        let Some(last) = self.last()? else { return Ok(Vec::new()) };
        let mut statement = self.connection.prepare_cached(
            "SELECT number FROM log WHERE kind > 1 AND kind = 5 AND number > ?1 ORDER BY number",
        )?;
        let mut rows = statement.query([after.cast_signed()])?;
        let mut runs = Vec::new();
        let mut from = first.number;
        while let Some(row) = rows.next()? {
            let step = row.get::<_, i64>(0)?.cast_unsigned();
            if step > from {
                runs.push(from..=step - 1);
                from = step;
            }
        }
        runs.push(from..=last.number);
        Ok(runs)
    }

    /// The head of the first record from a number on.
    fn head_from(&self, number: u64) -> Result<Option<Head>, ReadError> {
        Ok(self
            .connection
            .prepare_cached(
                "SELECT number, received, walked FROM log WHERE number >= ?1 ORDER BY number LIMIT 1",
            )?
            .query_row([number.cast_signed()], crate::row::head_of)
            .optional()?)
    }

    /// The first record of a run that was received at or after `time`; one past the
    /// run's end if there is none.
    fn bound(&self, run: &RangeInclusive<u64>, time: Time) -> Result<u64, ReadError> {
        let (mut low, mut high) = (*run.start(), run.end().saturating_add(1));
        while low < high {
            let middle = low + (high - low) / 2;
            match self.head_from(middle)? {
                Some(head) if head.number < high && head.received < time => low = head.number + 1,
                _ => high = middle,
            }
        }
        Ok(low)
    }

    /// The lowest number from which on every record was received at or after `time`;
    /// one more than the last if there is none.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn number_at(&self, time: Time) -> Result<u64, ReadError> {
        let mut number = 1;
        for run in self.runs()?.iter().rev() {
            number = self.bound(run, time)?;
            if number > *run.start() {
                break;
            }
        }
        Ok(number)
    }

    /// Calls `each` for every batch that may hold something with event time in
    /// `[from, to]`, in the order of the log.
    pub(crate) fn touching(
        &self,
        from: Time,
        to: Time,
        each: &mut Each<'_>,
    ) -> Result<(), ReadError> {
        for range in self.ranges(from, to)? {
            self.rows_between(range, from, to, each)?;
        }
        Ok(())
    }

    /// The same of the records in these ranges, but for those of which it is known that they
    /// hold no readings.
    pub(crate) fn with_readings(
        &self,
        ranges: Vec<RangeInclusive<u64>>,
        from: Time,
        to: Time,
        each: &mut Each<'_>,
    ) -> Result<(), ReadError> {
        for range in ranges {
            let parts = match self.carriers {
                Some(carriers) => carriers.within(range),
                None => vec![range],
            };
            for part in parts {
                self.rows_between(part, from, to, each)?;
            }
        }
        Ok(())
    }

    /// Where in the log anything of a span may stand.
    pub(crate) fn ranges(
        &self,
        from: Time,
        to: Time,
    ) -> Result<Vec<RangeInclusive<u64>>, ReadError> {
        let mut spans: Vec<(u64, u64)> = Vec::new();
        for run in self.runs()? {
            spans.extend(self.near(&run, from, to)?);
        }
        // A backlog leaves thousands of such rows a day: which of their records touch the
        // span is asked at once, not record by record.
        let late = "SELECT DISTINCT late.number FROM late JOIN log USING (number)
             WHERE day BETWEEN ?1 AND ?2 AND last >= ?3 AND first <= ?4";
        self.late(late, from, to, &mut spans)?;
        Ok(joined(spans))
    }

    /// Where behind the blocks of sealed days anything of a span of them may stand: `sealed`
    /// has the number up to which the readings of each are in blocks.
    pub(crate) fn ranges_behind(
        &self,
        sealed: &BTreeMap<i64, u64>,
        from: Time,
        to: Time,
    ) -> Result<Vec<RangeInclusive<u64>>, ReadError> {
        let days = sealed.range(from.utc_day()..=to.utc_day());
        let after = days.clone().map(|(_, through)| *through).min().unwrap_or(0);
        let mut spans: Vec<(u64, u64)> = Vec::new();
        for run in self.runs_behind(after)? {
            if self.is_beyond(*run.start(), to)? {
                // What is asked for was over before the run began: usual where samples were
                // trimmed.
                continue;
            }
            for (&day, &through) in days.clone() {
                let (start, end) = (Time(day * DAY), Time((day + 1) * DAY - 1).min(to));
                let rest = through.saturating_add(1).max(*run.start())..=*run.end();
                // Usual behind a sealed day.
                if rest.is_empty() || self.is_beyond(*rest.start(), end)? {
                    continue;
                }
                spans.extend(self.near(&rest, start.max(from), end)?);
            }
        }
        let late = "SELECT DISTINCT late.number FROM late JOIN sealed USING (day)
             JOIN log USING (number)
             WHERE day BETWEEN ?1 AND ?2 AND late.number > through AND last >= ?3 AND first <= ?4";
        self.late(late, from, to, &mut spans)?;
        Ok(joined(spans))
    }

    /// Whether the first record from a number on was received when all up to an instant was
    /// over, or is not there.
    fn is_beyond(&self, number: u64, end: Time) -> Result<bool, ReadError> {
        Ok(self.head_from(number)?.is_none_or(|head| head.received > end + Span(NEAR)))
    }

    /// The records of a run that were received near a span.
    fn near(
        &self,
        run: &RangeInclusive<u64>,
        from: Time,
        to: Time,
    ) -> Result<Option<(u64, u64)>, ReadError> {
        let low = self.bound(run, from - Span(NEAR))?;
        let high = self.bound(run, to + Span(NEAR + 1))?;
        Ok((low < high).then(|| (low, high - 1)))
    }

    /// Adds the records that `late` names for a span.
    fn late(
        &self,
        sql: &str,
        from: Time,
        to: Time,
        spans: &mut Vec<(u64, u64)>,
    ) -> Result<(), ReadError> {
        let mut statement = self.connection.prepare_cached(sql)?;
        let mut rows = statement.query([from.utc_day(), to.utc_day(), from.0, to.0])?;
        while let Some(row) = rows.next()? {
            let number = row.get::<_, i64>(0)?.cast_unsigned();
            spans.push((number, number));
        }
        Ok(())
    }

    /// A damaged record is left out and noted.
    fn rows_between(
        &self,
        range: RangeInclusive<u64>,
        from: Time,
        to: Time,
        each: &mut Each<'_>,
    ) -> Result<(), ReadError> {
        let mut statement = self.connection.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM log WHERE number BETWEEN ?1 AND ?2 AND kind = 1 AND last >= ?3 AND first <= ?4
             ORDER BY number LIMIT ?5"
        ))?;
        let (mut next, high) = range.into_inner();
        while next <= high {
            let mut rows =
                statement.query([next.cast_signed(), high.cast_signed(), from.0, to.0, ROWS])?;
            let mut count = 0;
            while let Some(found) = rows.next()? {
                let number = found.get::<_, i64>(0)?.cast_unsigned();
                next = number + 1;
                count += 1;
                let Ok((row, body)) = row_of(found).and_then(|row| Ok((row, body_of(found)?)))
                else {
                    self.noticed.record(number);
                    continue;
                };
                match each(&row, body) {
                    Err(_) if row.open(body).is_err() => self.noticed.record(number),
                    told => told?,
                }
            }
            if count < ROWS {
                break;
            }
        }
        Ok(())
    }

    /// The span in which all event times lie; none for an empty log.
    pub(crate) fn extent(&self) -> Result<Option<(Time, Time)>, ReadError> {
        let (mut low, mut high) = (i64::MAX, i64::MIN);
        for run in self.runs()? {
            for number in [*run.start(), *run.end()] {
                let received: Option<i64> = self
                    .connection
                    .prepare_cached("SELECT received FROM log WHERE number = ?1")?
                    .query_row([number.cast_signed()], |r| r.get(0))
                    .optional()?;
                // A run that ends in a hole is bounded by its neighbours.
                if let Some(received) = received {
                    low = low.min(received - NEAR);
                    high = high.max(received + NEAR);
                }
            }
        }
        for days in ["SELECT min(day), max(day) FROM late", "SELECT min(day), max(day) FROM sealed"]
        {
            let days: (Option<i64>, Option<i64>) = self
                .connection
                .prepare_cached(days)?
                .query_row([], |r| Ok((r.get(0)?, r.get(1)?)))?;
            if let (Some(first), Some(last)) = days {
                low = low.min(first.saturating_mul(DAY));
                high = high.max(last.saturating_add(1).saturating_mul(DAY));
            }
        }
        Ok((low <= high).then_some((Time(low), Time(high))))
    }
}
