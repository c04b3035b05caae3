//! Days that are sealed and of which nothing came since: what was worked out of them stays
//! right as long as their mark stays the same.

use crate::block::Block;
use crate::fault::ReadError;
use crate::look::Look;
use crate::select::Selection;
use crate::weeks::monday;
use observation::{Reading, SeriesIndex, Span};
use std::collections::BTreeMap;

impl Look<'_> {
    /// The settled days of a station among the UTC days from `first` to `last`, each with a
    /// mark that changes with its readings; 0 for a day without any.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn settled(
        &self,
        station: &str,
        first: i64,
        last: i64,
    ) -> Result<BTreeMap<i64, u64>, ReadError> {
        // A day that was only revised is not sealed: its log still counts.
        let mut days = self.sealed_between(first, last)?;
        days.retain(|_, through| *through > 0);
        let mut late = self.connection.prepare_cached(
            "SELECT day, max(number) FROM late WHERE day BETWEEN ?1 AND ?2 GROUP BY day",
        )?;
        let mut rows = late.query([first, last])?;
        while let Some(row) = rows.next()? {
            let (day, number): (i64, i64) = (row.get(0)?, row.get(1)?);
            if days.get(&day).is_some_and(|through| number.cast_unsigned() > *through) {
                days.remove(&day);
            }
        }
        let mut marks: BTreeMap<i64, u64> = days.into_keys().map(|day| (day, 0)).collect();
        let Some(number) = self.names.station_number_of(station) else { return Ok(marks) };
        let mut blocks = self.connection.prepare_cached(
            "SELECT day, highest, week FROM block WHERE number BETWEEN ?1 AND ?2",
        )?;
        let ends = [monday(first), last].map(|day| Block::row(number, day));
        let mut rows = blocks.query(ends)?;
        while let Some(row) = rows.next()? {
            let (day, highest): (i64, i64) = (row.get(0)?, row.get(1)?);
            // The days of a week have one mark.
            let length = if row.get(2)? { 7 } else { 1 };
            for (_, mark) in marks.range_mut(day..day.saturating_add(length)) {
                *mark = highest.cast_unsigned();
            }
        }
        Ok(marks)
    }

    /// Calls `each` for the selected readings of settled days, all of one series and day
    /// together and in the order of their times; of each series one day comes after the
    /// other. Of days that are not settled what is not sealed yet is missing. A week is
    /// unpacked whole: ask for many days at once.
    ///
    /// # Errors
    /// When the database cannot be read, or a block cannot be decoded.
    pub fn each_sealed(
        &self,
        selection: &Selection,
        each: &mut dyn FnMut(SeriesIndex, &[Reading]),
    ) -> Result<(), ReadError> {
        let mut wanted = vec![false; self.names.all_series().count()];
        for SeriesIndex(index) in &selection.series {
            if let Some(asked) = wanted.get_mut(*index as usize) {
                *asked = true;
            }
        }
        let last = selection.to - Span(1);
        self.each_in_blocks(selection.from, last, &wanted, &mut |_, _, run| {
            let days = run.chunk_by(|a: &Reading, b| a.time.utc_day() == b.time.utc_day());
            for day in days {
                day.first().into_iter().for_each(|first| each(first.series, day));
            }
            Ok(())
        })
        .map(|_| ())
    }
}
