//! The readings that stand in a span which is evaluated again, read from the log in one
//! go: to ask for each instant by itself would unpack the same records once a minute and
//! series.

use crate::recall::Recall;
use observation::{Reading, SeriesIndex, Time};
use std::collections::HashMap;

#[derive(Debug)]
pub(crate) struct Sheet {
    series: Vec<SeriesIndex>,
    from: Time,
    to: Time,
    lines: HashMap<(SeriesIndex, Time), Reading>,
}

impl Sheet {
    /// Reads the highest revisions of some series in `[from, to]`; `pending` are readings
    /// made but not yet in the log.
    pub(crate) fn read(
        series: Vec<SeriesIndex>,
        from: Time,
        to: Time,
        recall: &mut dyn Recall,
        pending: &[Reading],
    ) -> Self {
        let committed = recall.readings(&series, from, to);
        let mut sheet = Self { series, from, to, lines: HashMap::new() };
        for reading in committed.iter().chain(pending) {
            sheet.put(*reading);
        }
        sheet
    }

    /// Whether it tells what stands of a series at an instant.
    pub(crate) fn covers(&self, series: SeriesIndex, time: Time) -> bool {
        time >= self.from && time <= self.to && self.series.contains(&series)
    }

    /// What stands there.
    pub(crate) fn at(&self, series: SeriesIndex, time: Time) -> Option<Reading> {
        self.lines.get(&(series, time)).copied()
    }

    /// Takes up what was published meanwhile.
    pub(crate) fn put(&mut self, reading: Reading) {
        if self.covers(reading.series, reading.time) {
            self.lines.insert((reading.series, reading.time), reading);
        }
    }
}
