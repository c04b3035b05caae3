//! What was published lately, so that a later evaluation becomes a revision only where
//! something changed.

use crate::recall::Recall;
use observation::{Flag, Reading, Reasons, SeriesIndex, Span, Time};
use std::collections::VecDeque;

/// How long readings are remembered.
pub(crate) const MEMORY: Span = Span::minutes(45);
/// Most readings remembered of one series.
const MOST: usize = 4_096;

#[derive(Clone, Copy, Debug)]
struct Published {
    time: Time,
    value: Option<i64>,
    flag: Flag,
    reasons: Reasons,
    revision: u32,
}

#[derive(Debug, Default)]
struct Page {
    /// In order of time.
    lines: VecDeque<Published>,
    /// Every reading later than this is on the page; none while nothing was dropped.
    floor: Option<Time>,
}

/// What is to be published.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Draft {
    pub(crate) series: SeriesIndex,
    pub(crate) time: Time,
    pub(crate) value: Option<i64>,
    pub(crate) flag: Flag,
    pub(crate) reasons: Reasons,
    pub(crate) made_by: u32,
}

/// The newest readings of every series.
#[derive(Debug)]
pub(crate) struct Book {
    pages: Vec<Page>,
}

impl Book {
    pub(crate) fn new(series: usize) -> Self {
        Self { pages: (0..series).map(|_| Page::default()).collect() }
    }

    /// Says that nothing at or before `floor` is known of any series.
    pub(crate) fn begin_after(&mut self, floor: Time) {
        for page in &mut self.pages {
            page.floor = Some(floor);
        }
    }

    /// Takes a reading read back from the log.
    pub(crate) fn refill(&mut self, reading: &Reading) {
        let Some(page) = self.pages.get_mut(reading.series.0 as usize) else { return };
        if page.floor.is_some_and(|floor| reading.time <= floor) {
            return;
        }
        let published = Published {
            time: reading.time,
            value: reading.value,
            flag: reading.flag,
            reasons: reading.reasons,
            revision: reading.revision,
        };
        page.put(published);
    }

    /// Publishes a draft, as a revision if the reading was published with something
    /// else, not at all if it was published like this. `unique` says that no earlier
    /// reading can stand at this time, so that the log need not be asked.
    pub(crate) fn publish(
        &mut self,
        draft: Draft,
        unique: bool,
        recall: &mut dyn Recall,
        out: &mut Vec<Reading>,
    ) {
        let Some(page) = self.pages.get_mut(draft.series.0 as usize) else { return };
        let known = match page.lines.back() {
            None if page.floor.is_none() => None,
            Some(last) if last.time < draft.time => None,
            _ => page.find(draft.time).copied().or_else(|| {
                let beyond = page.floor.is_some_and(|floor| draft.time <= floor) && !unique;
                beyond.then(|| older(draft, recall, out)).flatten()
            }),
        };
        let revision = match known {
            None => 0,
            Some(old) => {
                let same = old.value == draft.value
                    && old.flag == draft.flag
                    && old.reasons == draft.reasons;
                if same {
                    return;
                }
                old.revision.saturating_add(1)
            }
        };
        let Draft { series, time, value, flag, reasons, made_by } = draft;
        page.put(Published { time, value, flag, reasons, revision });
        out.push(Reading { series, time, value, flag, reasons, revision, made_by });
    }

    /// The value published at an instant, if it is remembered.
    pub(crate) fn value(&self, series: SeriesIndex, time: Time) -> Option<i64> {
        self.pages.get(series.0 as usize)?.find(time)?.value
    }

    /// Whether something was published at an instant, as far as is remembered.
    pub(crate) fn knows(&self, series: SeriesIndex, time: Time) -> Option<bool> {
        let page = self.pages.get(series.0 as usize)?;
        match page.find(time) {
            Some(_) => Some(true),
            None if page.floor.is_some_and(|floor| time <= floor) => None,
            None => Some(false),
        }
    }

    /// The newest value at or before an instant, no older than `oldest`, with its time.
    pub(crate) fn newest(
        &self,
        series: SeriesIndex,
        time: Time,
        oldest: Time,
    ) -> Option<(Time, i64, Flag)> {
        let page = self.pages.get(series.0 as usize)?;
        let end = page.lines.partition_point(|l| l.time <= time);
        let line = page.lines.get(end.checked_sub(1)?)?;
        (line.time >= oldest).then_some((line.time, line.value?, line.flag))
    }

    /// The published readings of a series in a span, for marking them anew.
    pub(crate) fn between(&self, series: SeriesIndex, from: Time, to: Time) -> Vec<Draft> {
        let Some(page) = self.pages.get(series.0 as usize) else { return Vec::new() };
        page.lines
            .iter()
            .filter(|l| l.time > from && l.time <= to)
            .map(|l| Draft {
                series,
                time: l.time,
                value: l.value,
                flag: l.flag,
                reasons: l.reasons,
                made_by: 0,
            })
            .collect()
    }

    /// Forgets what lies at or before `floor`.
    pub(crate) fn trim(&mut self, series: SeriesIndex, floor: Time) {
        if let Some(page) = self.pages.get_mut(series.0 as usize) {
            while page.lines.front().is_some_and(|l| l.time <= floor) {
                page.lines.pop_front();
            }
            page.floor = Some(page.floor.map_or(floor, |f| f.max(floor)));
        }
    }
}

/// The newest revision in the log or in the record being made.
fn older(draft: Draft, recall: &mut dyn Recall, out: &[Reading]) -> Option<Published> {
    let here = |r: &&Reading| r.series == draft.series && r.time == draft.time;
    let reading = out
        .iter()
        .rev()
        .find(here)
        .copied()
        .or_else(|| recall.reading(draft.series, draft.time))?;
    Some(Published {
        time: reading.time,
        value: reading.value,
        flag: reading.flag,
        reasons: reading.reasons,
        revision: reading.revision,
    })
}

impl Page {
    fn find(&self, time: Time) -> Option<&Published> {
        let end = self.lines.partition_point(|l| l.time <= time);
        self.lines.get(end.checked_sub(1)?).filter(|l| l.time == time)
    }

    fn put(&mut self, published: Published) {
        let end = self.lines.partition_point(|l| l.time <= published.time);
        let newest = end == self.lines.len();
        let beyond = self.floor.is_some_and(|floor| published.time <= floor);
        let here = end.checked_sub(1).and_then(|i| self.lines.get_mut(i));
        if let Some(line) = here.filter(|l| l.time == published.time) {
            *line = published;
        } else if newest {
            self.lines.push_back(published);
        } else if !beyond {
            // What is older than the page reaches stays in the log only.
            self.lines.insert(end, published);
        }
        while self.lines.len() > MOST {
            if let Some(gone) = self.lines.pop_front() {
                self.floor = Some(self.floor.map_or(gone.time, |f| f.max(gone.time)));
            }
        }
    }
}
