//! The readings that a derivation looks at: those in memory, or for a minute that is too
//! long ago those of the log.

use crate::book::{Book, Draft};
use crate::recall::Recall;
use observation::{Flag, Reading, Reasons, SeriesIndex, Span, Time};
use std::collections::BTreeMap;

/// One reading with a value that may be computed with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Known {
    pub(crate) steps: i64,
    pub(crate) flag: Flag,
    pub(crate) reasons: Reasons,
}

impl Known {
    fn of(draft: &Draft) -> Option<Self> {
        let usable = !matches!(draft.flag, Flag::Erroneous | Flag::Missing);
        let (flag, reasons) = (draft.flag, draft.reasons);
        draft.value.filter(|_| usable).map(|steps| Self { steps, flag, reasons })
    }
}

/// What follows for a value that is computed from others: as good as all of them.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Trust {
    pub(crate) flag: Flag,
    pub(crate) reasons: Reasons,
}

impl Trust {
    /// Computed from nothing that could be wrong.
    pub(crate) const GOOD: Self = Self { flag: Flag::Good, reasons: Reasons::NONE };

    pub(crate) fn and(self, known: &Known) -> Self {
        let flag = match (self.flag, known.flag) {
            (Flag::Good, Flag::Good) => Flag::Good,
            (Flag::Good | Flag::Unchecked, Flag::Good | Flag::Unchecked) => Flag::Unchecked,
            _ => Flag::Doubtful,
        };
        Self { flag, reasons: self.reasons.union(known.reasons) }
    }
}

/// Readings fetched from the log, with those that are still to be written.
#[derive(Debug, Default)]
pub(crate) struct Fetched {
    lines: BTreeMap<(SeriesIndex, Time), Reading>,
}

impl Fetched {
    pub(crate) fn new(
        series: &[SeriesIndex],
        from: Time,
        to: Time,
        recall: &mut dyn Recall,
        pending: &[Reading],
    ) -> Self {
        let mut lines = BTreeMap::new();
        let here = |r: &&Reading| r.time >= from && r.time <= to && series.contains(&r.series);
        let committed = recall.readings(series, from, to);
        for reading in committed.iter().chain(pending.iter().filter(here)) {
            lines.insert((reading.series, reading.time), *reading);
        }
        Self { lines }
    }

    /// Takes up what was published meanwhile.
    pub(crate) fn put(&mut self, made: Option<Reading>) {
        self.lines.extend(made.map(|reading| ((reading.series, reading.time), reading)));
    }

    pub(crate) fn at(&self, series: SeriesIndex, time: Time) -> Option<&Reading> {
        self.lines.get(&(series, time))
    }
}

fn draft(reading: &Reading) -> Draft {
    let Reading { series, time, value, flag, reasons, made_by, .. } = *reading;
    Draft { series, time, value, flag, reasons, made_by }
}

/// Where a derivation looks.
#[derive(Clone, Copy)]
pub(crate) struct Past<'a> {
    pub(crate) book: &'a Book,
    pub(crate) fetched: Option<&'a Fetched>,
}

impl Past<'_> {
    /// The newest reading in `(time - reach, time]`.
    pub(crate) fn line(&self, series: SeriesIndex, time: Time, reach: Span) -> Option<Draft> {
        let from = time - reach;
        match self.fetched {
            None => self.book.within(series, from, time).next_back(),
            Some(fetched) => {
                let range = (series, from + Span(1))..(series, time + Span(1));
                fetched.lines.range(range).next_back().map(|(_, reading)| draft(reading))
            }
        }
    }

    /// The newest that says something, if that is a usable value. A mark of silence says
    /// nothing: it is put into the past once the silence is certain.
    pub(crate) fn newest(&self, series: SeriesIndex, time: Time, reach: Span) -> Option<Known> {
        let from = time - reach;
        let says = |line: &Draft| line.value.is_some() || !line.reasons.is_empty();
        match self.fetched {
            None => Known::of(&self.book.within(series, from, time).rfind(says)?),
            Some(fetched) => {
                let range = (series, from + Span(1))..(series, time + Span(1));
                let mut lines = fetched.lines.range(range).map(|(_, reading)| draft(reading));
                Known::of(&lines.rfind(says)?)
            }
        }
    }

    /// Mean in steps of the values in `(from, to]` that count, and how many they are.
    pub(crate) fn mean(&self, series: SeriesIndex, from: Time, to: Time) -> (f64, usize) {
        let (mut sum, mut count) = (0_i64, 0_usize);
        let mut add = |draft: Draft| {
            if let Some(steps) = draft.value.filter(|_| draft.flag.counts()) {
                sum = sum.saturating_add(steps);
                count += 1;
            }
        };
        match self.fetched {
            None => self.book.within(series, from, to).for_each(&mut add),
            Some(fetched) => fetched
                .lines
                .range((series, from + Span(1))..(series, to + Span(1)))
                .for_each(|(_, reading)| add(draft(reading))),
        }
        (sum as f64 / count.max(1) as f64, count)
    }
}
