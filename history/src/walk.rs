//! Readings in the order of their times, a bounded stretch at a time. A block of a day is
//! decoded once, one of a week again for each stretch that touches it.

use crate::fault::ReadError;
use crate::look::Look;
use crate::select::Kept;
use crate::weeks::monday;
use observation::time::{DAY, HOUR, MINUTE};
use observation::{SeriesIndex, Span, Time};

/// Fewer in one stretch: the next is twice as long. A week of a station of twelve series at
/// one a minute is no more; to hold a week of five such costs more time than it saves.
const FEW: usize = 131_072;
/// More in one stretch: the next is half as long.
const MANY: usize = 524_288;
const SHORTEST: i64 = HOUR;
const LONGEST: i64 = 32 * DAY;
/// A part ends with the minute in which it has so many: it is to stay near the processor.
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
    found: Vec<Kept>,
    minutes: Minutes,
    part: Vec<Kept>,
}

/// The readings of a stretch dealt out to its minutes: blocks give long runs of one series,
/// and a minute has few of each.
#[derive(Debug, Default)]
struct Minutes {
    /// Places of readings, minute after minute; within one as they were found.
    places: Vec<u32>,
    /// Where each minute ends in `places`.
    ends: Vec<u32>,
    /// Minutes that are told.
    told: usize,
}

impl<'a> Walk<'a> {
    pub(crate) fn new(look: Look<'a>, wanted: Vec<bool>, from: Time, to: Time) -> Self {
        let (found, part, minutes) = (Vec::new(), Vec::new(), Minutes::default());
        Self { look, wanted, from, to, span: DAY, found, minutes, part }
    }

    /// The next readings; none at the end. What has one and the same time is in one part.
    ///
    /// # Errors
    /// When the database cannot be read, or a record cannot be decoded.
    pub fn next_part(&mut self) -> Result<Option<&[Kept]>, ReadError> {
        self.part.clear();
        loop {
            self.minutes.tell(&self.found, &mut self.part);
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
        self.minutes.is_told() && self.from >= self.to
    }

    fn gather(&mut self) -> Result<(), ReadError> {
        let end = self.end();
        let Self { look, wanted, from, found, minutes, .. } = self;
        found.clear();
        minutes.clear();
        look.each_part(*from, end - Span(1), wanted, &mut |number, place, run| {
            found.extend(run.iter().map(|&reading| Kept { number, place, reading }));
            Ok(())
        })?;
        minutes.deal(found, *from);
        if found.len() < FEW {
            self.span = (self.span * 2).min(LONGEST);
        } else if found.len() > MANY {
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

fn key(kept: &Kept) -> (Time, SeriesIndex) {
    (kept.reading.time, kept.reading.series)
}

impl Minutes {
    fn clear(&mut self) {
        self.places.clear();
        self.ends.clear();
        self.told = 0;
    }

    fn is_told(&self) -> bool {
        self.told >= self.ends.len()
    }

    /// Counts the readings of each minute since `from`, then puts each into its own.
    fn deal(&mut self, found: &[Kept], from: Time) {
        let minute = |kept: &Kept| {
            // A stretch has less than 2^32 minutes.
            usize::try_from((kept.reading.time.0 - from.0) / MINUTE).unwrap_or(0)
        };
        let Some(last) = found.iter().map(minute).max() else { return };
        self.ends.resize(last + 1, 0);
        for kept in found {
            if let Some(count) = self.ends.get_mut(minute(kept)) {
                *count += 1;
            }
        }
        let mut start = 0;
        for end in &mut self.ends {
            // Moved to its end as the minute fills.
            start += std::mem::replace(end, start);
        }
        self.places.resize(found.len(), 0);
        for (place, kept) in (0_u32..).zip(found) {
            if let Some(at) = self.ends.get_mut(minute(kept)) {
                if let Some(slot) = self.places.get_mut(*at as usize) {
                    *slot = place;
                }
                *at += 1;
            }
        }
    }

    /// Tells the next minutes in order: of each series and time the highest revision, of
    /// equal ones the last found.
    fn tell(&mut self, found: &[Kept], part: &mut Vec<Kept>) {
        while part.len() < PART
            && let Some(&end) = self.ends.get(self.told)
        {
            let start = self.told.checked_sub(1).and_then(|m| self.ends.get(m)).copied();
            self.told += 1;
            let range = start.unwrap_or(0) as usize..end as usize;
            let Some(places) = self.places.get_mut(range) else { continue };
            let kept = |place: u32| found.get(place as usize);
            if !places.is_sorted_by_key(|&place| kept(place).map(key)) {
                // Stable: what was found later stays behind.
                places.sort_by_key(|&place| kept(place).map(key));
            }
            for kept in places.iter().filter_map(|&place| kept(place)) {
                match part.last_mut() {
                    Some(held) if key(held) == key(kept) => {
                        if kept.reading.revision >= held.reading.revision {
                            *held = *kept;
                        }
                    }
                    _ => part.push(*kept),
                }
            }
        }
    }
}
