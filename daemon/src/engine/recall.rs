//! The processor's questions, answered from the log.

use history::{Look, ReadError, Selection};
use observation::{ChannelIndex, Reading, SeriesIndex, Span, StationIndex, Time};
use processor::{Held, Recall};
use std::collections::BTreeMap;

/// How far the neighbours of a span are looked for.
const NEIGHBOURS: Span = Span::days(1);

/// Answers from the records below a log number.
///
/// While a restart feeds old records through the processor again, each must find the
/// log as it stood then; so nothing at or above the number of the record in hand is
/// told.
pub struct LogRecall<'a> {
    look: Look<'a>,
    below: u64,
    fault: &'a mut Option<ReadError>,
}

impl<'a> LogRecall<'a> {
    /// Answers from the records below `below`. A failure to read is put into `fault`,
    /// and the answer is as if nothing were there.
    pub const fn new(look: Look<'a>, below: u64, fault: &'a mut Option<ReadError>) -> Self {
        Self { look, below, fault }
    }

    /// Whether the whole log is meant, as nearly always.
    fn is_present(&mut self) -> bool {
        let below = self.below;
        let answer = self.look.last().map(|last| last.is_none_or(|l| l.number < below));
        self.told(answer)
    }

    fn told<T: Default>(&mut self, answer: Result<T, ReadError>) -> T {
        answer.unwrap_or_else(|error| {
            self.fault.get_or_insert(error);
            T::default()
        })
    }

    fn highest(&self, selection: &Selection) -> Result<Vec<Reading>, ReadError> {
        let mut readings = Vec::new();
        let mut walk = self.look.walk(selection)?;
        while let Some(part) = walk.next_part()? {
            readings.extend(part.iter().map(|kept| kept.reading));
        }
        Ok(readings)
    }

    fn held(&mut self, answer: Result<Vec<history::Held>, ReadError>) -> Vec<Held> {
        let below = self.below;
        self.told(answer)
            .into_iter()
            .filter(|h| h.number < below)
            .map(|h| {
                let history::Held {
                    number,
                    received,
                    time,
                    stated,
                    boot,
                    sequence,
                    early,
                    channel,
                    value,
                } = h;
                Held { number, received, time, stated, boot, sequence, early, channel, value }
            })
            .collect()
    }
}

impl Recall for LogRecall<'_> {
    fn record(&mut self, number: u64, station: StationIndex) -> Vec<Held> {
        if number >= self.below {
            return Vec::new();
        }
        let answer = self.look.record(number, station);
        self.held(answer)
    }

    fn day(&mut self, station: StationIndex, utc_day: i64) -> Vec<Held> {
        let answer = self.look.day(station, utc_day);
        self.held(answer)
    }

    fn samples(&mut self, channel: ChannelIndex, from: Time, to: Time) -> Vec<Held> {
        if self.is_present() {
            let answer = self.look.samples(channel, from, to);
            return self.held(answer);
        }
        // The neighbours that the log gives may be younger than the record in hand.
        let answer = self.look.samples(channel, from - NEIGHBOURS, to + NEIGHBOURS);
        let mut held = self.held(answer);
        held.retain(|h| h.time >= from - NEIGHBOURS && h.time <= to + NEIGHBOURS);
        let first = held.partition_point(|h| h.time < from).saturating_sub(1);
        let last = held.partition_point(|h| h.time <= to);
        held.truncate(last + 1);
        held.drain(..first.min(held.len()));
        held
    }

    fn reading(&mut self, series: SeriesIndex, time: Time) -> Option<Reading> {
        if self.is_present() {
            let answer = self.look.reading(series, time);
            return self.told(answer);
        }
        let selection =
            Selection { series: vec![series], ..Selection::between(time, time + Span(1)) };
        let below = self.below;
        let mut found: Option<Reading> = None;
        let answer = self.look.all_revisions(&selection, &mut |kept| {
            if kept.number < below && found.is_none_or(|f| f.revision <= kept.reading.revision) {
                found = Some(kept.reading);
            }
            Ok(())
        });
        self.told(answer);
        found
    }

    fn readings(&mut self, series: &[SeriesIndex], from: Time, to: Time) -> Vec<Reading> {
        let selection =
            Selection { series: series.to_vec(), ..Selection::between(from, to + Span(1)) };
        if self.is_present() {
            let answer = self.highest(&selection);
            return self.told(answer);
        }
        let below = self.below;
        let mut highest: BTreeMap<(Time, SeriesIndex), Reading> = BTreeMap::new();
        let answer = self.look.all_revisions(&selection, &mut |kept| {
            if kept.number < below {
                let reading = kept.reading;
                let held = highest.entry((reading.time, reading.series)).or_insert(reading);
                if held.revision <= reading.revision {
                    *held = reading;
                }
            }
            Ok(())
        });
        self.told(answer);
        highest.into_values().collect()
    }
}
