//! Readings made anew from kept samples: they take the place of those that stand, in the
//! blocks of their days, and a record for each series says so.
//!
//! The rule kept here: blocks and records go in one transaction, so that a forwarder that
//! meets the record finds the readings, and nothing is replaced of which no record tells.
//! A day that is not sealed yet gets its blocks early; it stays marked as not sealed, so
//! that its log is read beside them and it is sealed again when it is over.

use crate::block::{Block, Run};
use crate::entry::{Entry, Head, Revised};
use crate::fault::WriteError;
use crate::record::{Row, encode_rare, kind};
use crate::row;
use crate::seal::OfDay;
use crate::sealed::{put as put_block, put_days};
use crate::transaction::transact;
use crate::writer::History;
use observation::{Reading, Span, StationIndex, Time};

/// Whether a reading made anew says something else than the one that stands.
pub type Differs = dyn Fn(&Reading, &Reading) -> bool;

/// What was replaced.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Remade {
    /// Readings.
    pub readings: u64,
    /// Series with at least one of them, each with a record.
    pub series: u64,
}

/// A range of one series that changed.
struct Changed {
    number: u32,
    first: Time,
    last: Time,
}

impl History {
    /// Puts readings of one station and UTC day in the place of those that stand where
    /// they differ from them, or stand nowhere; their revision is one more than the
    /// highest of that station and day. Readings of other stations, days or of series
    /// that were never registered are passed over. Nothing is written if nothing differs.
    ///
    /// # Errors
    /// See [`WriteError`]; what cannot be read is `Failed`. The call may be repeated.
    pub fn revise(
        &mut self,
        station: StationIndex,
        day: i64,
        made: &[Reading],
        differs: &Differs,
    ) -> Result<Remade, WriteError> {
        if self.damage_of_day(day)? {
            // What is damaged is not written over.
            self.told = self.set_noticed_aside()?;
        }
        let (Some(number), Some(id)) =
            (self.names.station_number(station), self.names.station(station))
        else {
            return Ok(Remade::default());
        };
        let look = self.look();
        let OfDay { mut series, lowest, .. } = look.of_day(id, day).map_err(|e| self.unread(e))?;
        let highest = series.iter().flat_map(|(_, run)| run).map(|r| r.revision).max();
        let revision = highest.map_or(0, |r| r.saturating_add(1));
        let mut remade = Remade::default();
        let mut changed: Vec<Changed> = Vec::new();
        for reading in made {
            let named = self.names.series(reading.series).filter(|s| s.station == id);
            let stable = named.and(self.names.series_number(reading.series));
            let Some(stable) = stable.filter(|_| reading.time.utc_day() == day) else { continue };
            if !put(&mut series, stable, Reading { revision, ..*reading }, differs) {
                continue;
            }
            remade.readings += 1;
            match changed.iter_mut().find(|c| c.number == stable) {
                Some(c) => {
                    (c.first, c.last) = (c.first.min(reading.time), c.last.max(reading.time));
                }
                None => {
                    changed.push(Changed {
                        number: stable,
                        first: reading.time,
                        last: reading.time,
                    });
                }
            }
        }
        remade.series = changed.len() as u64;
        let Some(last) = self.last.filter(|_| !changed.is_empty()) else {
            return Ok(Remade::default());
        };
        let rows = self.revised_rows(last, revision, &changed)?;
        let end = rows.last().map_or(last, |(row, _)| Head { number: row.number, ..last });
        let block = Block {
            station: number,
            day,
            week: false,
            revision,
            lowest: lowest.min(last.number + 1),
            highest: end.number,
        };
        let body = block.pack(&series);
        block.proven(&body, &series, &|n| self.names.series_at(n))?;
        let parted = self.parted(number, day)?;
        transact(&mut self.connection, &mut self.frames, &|c| {
            for (row, body) in &rows {
                row::insert(c, row, body, &[])?;
            }
            put_days(c, &parted)?;
            put_block(c, &block, &body)?;
            c.prepare_cached("INSERT OR IGNORE INTO sealed (day, through) VALUES (?1, 0)")?
                .execute([day])?;
            Ok(())
        })?;
        self.done(end);
        Ok(remade)
    }

    /// The records that tell of it, one a series.
    fn revised_rows(
        &self,
        last: Head,
        revision: u32,
        changed: &[Changed],
    ) -> Result<Vec<(Row, Vec<u8>)>, WriteError> {
        let mut rows = Vec::with_capacity(changed.len());
        for (number, changed) in (last.number + 1..).zip(changed) {
            let Some(series) = self.names.series_at(changed.number) else { continue };
            let (from, to) = (changed.first, changed.last + Span(1));
            let mut body = Vec::new();
            let entry = Entry::Revised(Revised { series, from, to, revision });
            encode_rare(&mut body, &self.names, &entry)?;
            let row = Row {
                number,
                kind: kind::REVISED,
                received: last.received,
                walked: last.walked,
                first: None,
                last: None,
            };
            row.seal(&mut body);
            rows.push((row, body));
        }
        Ok(rows)
    }
}

/// Puts a reading into its series, unless one that says the same stands there.
fn put(series: &mut Vec<(u32, Run)>, number: u32, reading: Reading, differs: &Differs) -> bool {
    let place = series.partition_point(|(n, _)| *n < number);
    if series.get(place).is_none_or(|(n, _)| *n != number) {
        series.insert(place, (number, vec![reading]));
        return true;
    }
    let Some((_, run)) = series.get_mut(place) else { return false };
    let at = run.partition_point(|r| r.time < reading.time);
    match run.get_mut(at) {
        Some(old) if old.time == reading.time => {
            let other = differs(old, &reading);
            if other {
                *old = reading;
            }
            other
        }
        _ => {
            run.insert(at, reading);
            true
        }
    }
}
