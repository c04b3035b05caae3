//! What was published lately, so that a later evaluation becomes a revision only where
//! something changed.

use crate::compare::{Overlay, Told};
use crate::recall::Recall;
use crate::sheet::Sheet;
use observation::{Flag, Reading, Reasons, SeriesIndex, Span, Time};
use std::collections::VecDeque;

/// Most readings remembered of one series.
const MOST: usize = 4_096;

#[derive(Clone, Copy, Debug)]
struct Published {
    time: Time,
    value: Option<i64>,
    flag: Flag,
    reasons: Reasons,
    revision: u32,
    made_by: u32,
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
    /// What others say of readings.
    pub(crate) overlay: Overlay,
    /// What was published lately of series that are compared.
    told: Vec<Told>,
    /// By series: whether it is compared.
    compared: Vec<bool>,
    /// What stands in the span that is evaluated again.
    sheet: Option<Sheet>,
}

impl Book {
    pub(crate) fn new(series: usize) -> Self {
        Self {
            pages: (0..series).map(|_| Page::default()).collect(),
            overlay: Overlay::default(),
            told: Vec::new(),
            compared: vec![false; series],
            sheet: None,
        }
    }

    /// Reads what stands of some series in `[from, to]`, as far as it lies before what
    /// the pages remember, so that not each instant is asked for by itself. It is kept
    /// until [`Self::close_sheet`].
    pub(crate) fn open_sheet(
        &mut self,
        series: &[SeriesIndex],
        from: Time,
        to: Time,
        recall: &mut dyn Recall,
        out: &[Reading],
    ) {
        let beyond = |s: &SeriesIndex| {
            self.pages.get(s.0 as usize).is_some_and(|p| p.floor.is_some_and(|f| from <= f))
        };
        let series: Vec<SeriesIndex> = series.iter().copied().filter(beyond).collect();
        self.sheet = (!series.is_empty()).then(|| Sheet::read(series, from, to, recall, out));
    }

    /// Forgets what was read by [`Self::open_sheet`].
    pub(crate) fn close_sheet(&mut self) {
        self.sheet = None;
    }

    /// What stands at an instant before what the page remembers.
    fn older(
        &self,
        series: SeriesIndex,
        time: Time,
        recall: &mut dyn Recall,
        out: &[Reading],
    ) -> Option<Published> {
        let reading = match &self.sheet {
            Some(sheet) if sheet.covers(series, time) => sheet.at(series, time),
            _ => newest_revision(series, time, recall, out),
        };
        reading.as_ref().map(Published::of)
    }

    /// Says of a series that it is compared.
    pub(crate) fn compare(&mut self, series: SeriesIndex) {
        if let Some(compared) = self.compared.get_mut(series.0 as usize) {
            *compared = true;
        }
    }

    /// What was published of compared series since this was called last.
    pub(crate) fn take_told(&mut self) -> Vec<Told> {
        std::mem::take(&mut self.told)
    }

    /// Says that of no series is more known than what it remembers before `walked`.
    pub(crate) fn begin_at(&mut self, walked: Time, memory: &[Span]) {
        for (page, &memory) in self.pages.iter_mut().zip(memory) {
            page.floor = Some(walked - memory);
        }
    }

    /// Takes a reading read back from the log.
    pub(crate) fn refill(&mut self, reading: &Reading) {
        let Some(page) = self.pages.get_mut(reading.series.0 as usize) else { return };
        if page.floor.is_some_and(|floor| reading.time <= floor) {
            return;
        }
        page.put(Published::of(reading));
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
        if self.compared.get(draft.series.0 as usize) == Some(&true) {
            let Draft { series, time, value, flag, reasons, .. } = draft;
            self.told.push(Told { series, time, value, flag, reasons });
        }
        let draft = self.overlay.apply(draft);
        let Some(page) = self.pages.get(draft.series.0 as usize) else { return };
        let beyond = page.floor.is_some_and(|floor| draft.time <= floor);
        let known = match page.lines.back() {
            _ if beyond && unique => None,
            _ if beyond => self.older(draft.series, draft.time, recall, out),
            Some(last) if last.time >= draft.time => page.find(draft.time).copied(),
            _ => None,
        };
        out.extend(self.take(draft, known));
    }

    /// Publishes a draft over what is known to stand at its time; gives the reading if
    /// there is a new one.
    pub(crate) fn publish_over(
        &mut self,
        draft: Draft,
        known: Option<&Reading>,
        out: &mut Vec<Reading>,
    ) -> Option<Reading> {
        let draft = self.overlay.apply(draft);
        let made = self.take(draft, known.map(Published::of));
        out.extend(made);
        made
    }

    fn take(&mut self, draft: Draft, known: Option<Published>) -> Option<Reading> {
        let made = self.pages.get_mut(draft.series.0 as usize)?.take(draft, known);
        if let (Some(sheet), Some(reading)) = (&mut self.sheet, made) {
            sheet.put(reading);
        }
        made
    }

    /// What stands at an instant, if anything was published there.
    pub(crate) fn stands(
        &self,
        series: SeriesIndex,
        time: Time,
        recall: &mut dyn Recall,
        out: &[Reading],
    ) -> Option<Draft> {
        let page = self.pages.get(series.0 as usize)?;
        let beyond = page.floor.is_some_and(|floor| time <= floor);
        let line =
            if beyond { self.older(series, time, recall, out)? } else { *page.find(time)? };
        let Published { value, flag, reasons, made_by, .. } = line;
        Some(Draft { series, time, value, flag, reasons, made_by })
    }

    /// Whether everything that was published of a series after `from` is remembered.
    pub(crate) fn covers(&self, series: SeriesIndex, from: Time) -> bool {
        self.pages
            .get(series.0 as usize)
            .is_some_and(|page| page.floor.is_none_or(|floor| floor <= from))
    }

    /// What is remembered of a series in `(from, to]`, in order.
    pub(crate) fn within(
        &self,
        series: SeriesIndex,
        from: Time,
        to: Time,
    ) -> impl DoubleEndedIterator<Item = Draft> + '_ {
        let lines = self.pages.get(series.0 as usize).map(|page| {
            let start = page.lines.partition_point(|l| l.time <= from);
            let end = page.lines.partition_point(|l| l.time <= to);
            page.lines.range(start..end.max(start))
        });
        lines.into_iter().flatten().map(move |line| {
            let Published { time, value, flag, reasons, made_by, .. } = *line;
            Draft { series, time, value, flag, reasons, made_by }
        })
    }

    /// Time and value of the newest reading at or before an instant, if it has one.
    pub(crate) fn newest_at(&self, series: SeriesIndex, time: Time) -> Option<(Time, i64)> {
        let page = self.pages.get(series.0 as usize)?;
        let end = page.lines.partition_point(|l| l.time <= time);
        let line = page.lines.get(end.checked_sub(1)?)?;
        Some((line.time, line.value?))
    }

    /// The newest value at or before an instant and no older than `oldest`, if the newest
    /// reading has one.
    pub(crate) fn newest(
        &self,
        series: SeriesIndex,
        time: Time,
        oldest: Time,
    ) -> Option<(i64, Flag)> {
        let newest = self.within(series, oldest - Span(1), time).next_back()?;
        Some((newest.value?, newest.flag))
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
fn newest_revision(
    series: SeriesIndex,
    time: Time,
    recall: &mut dyn Recall,
    out: &[Reading],
) -> Option<Reading> {
    let here = |r: &&Reading| r.series == series && r.time == time;
    out.iter().rev().find(here).copied().or_else(|| recall.reading(series, time))
}

impl Published {
    const fn of(reading: &Reading) -> Self {
        let Reading { time, value, flag, reasons, revision, made_by, .. } = *reading;
        Self { time, value, flag, reasons, revision, made_by }
    }
}

impl Page {
    fn find(&self, time: Time) -> Option<&Published> {
        let end = self.lines.partition_point(|l| l.time <= time);
        self.lines.get(end.checked_sub(1)?).filter(|l| l.time == time)
    }

    /// Puts a draft over what stands; the reading, unless it says the same.
    fn take(&mut self, draft: Draft, known: Option<Published>) -> Option<Reading> {
        let Draft { series, time, value, flag, reasons, made_by } = draft;
        let same =
            |old: Published| old.value == value && old.flag == flag && old.reasons == reasons;
        if known.is_some_and(same) {
            return None;
        }
        let revision = known.map_or(0, |old| old.revision.saturating_add(1));
        self.put(Published { time, value, flag, reasons, revision, made_by });
        Some(Reading { series, time, value, flag, reasons, revision, made_by })
    }

    fn put(&mut self, published: Published) {
        if self.floor.is_some_and(|floor| published.time <= floor) {
            // Older than the page reaches: it stands in the log only.
            return;
        }
        let end = self.lines.partition_point(|l| l.time <= published.time);
        let same = end
            .checked_sub(1)
            .filter(|&i| self.lines.get(i).is_some_and(|line| line.time == published.time));
        if let Some(line) = same.and_then(|i| self.lines.get_mut(i)) {
            *line = published;
        } else {
            self.lines.insert(end, published);
        }
        while self.lines.len() > MOST {
            if let Some(gone) = self.lines.pop_front() {
                self.floor = Some(self.floor.map_or(gone.time, |f| f.max(gone.time)));
            }
        }
    }
}
