//! Where a forwarder stands in the log: one lane, in order; or, where new readings go
//! first, a live lane and the gaps that it left behind.

use super::load::Load;
use history::{Cursor, Revised};
use observation::{SeriesIndex, Time};

/// Most gaps that are kept.
pub(super) const MOST_GAPS: usize = 16;

/// How far a revised range was read.
pub(super) type After = Option<(Time, SeriesIndex)>;

/// Where reading goes on.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Place {
    /// The next record.
    pub(super) next: u64,
    /// So many of its readings were taken already.
    pub(super) offset: usize,
    /// A record that revises a range, the range, and how far it was read.
    pub(super) revising: Option<(u64, Revised, After)>,
}

impl Place {
    /// Whether there is something to read up to `last`.
    pub(super) const fn has_more(&self, last: u64) -> bool {
        self.next <= last
    }
}

/// One lane.
#[derive(Debug, Default)]
pub(super) struct Lane {
    /// All records up to this number are done.
    pub(super) done: u64,
    /// Where reading goes on.
    pub(super) place: Place,
    /// The last record of the lane; none for the one that follows the log.
    pub(super) last: Option<u64>,
    /// What was read already.
    pub(super) ready: Option<Load>,
}

impl Lane {
    /// A lane behind a record.
    pub(super) fn behind(done: u64, last: Option<u64>) -> Self {
        let place = Place { next: done + 1, ..Place::default() };
        Self { done, place, last, ready: None }
    }

    /// The last record to be read now.
    pub(super) fn end(&self, head: u64) -> u64 {
        self.last.map_or(head, |last| last.min(head))
    }

    /// Whether there is something to do.
    pub(super) fn has_work(&self, head: u64) -> bool {
        self.ready.is_some() || self.place.has_more(self.end(head))
    }
}

/// All lanes of a forwarder.
#[derive(Debug, Default)]
pub(super) struct Lanes {
    /// The one that follows the log.
    pub(super) main: Lane,
    /// The oldest gap.
    pub(super) gap: Option<Lane>,
    /// The other gaps, both ends included, oldest first.
    pub(super) later: Vec<(u64, u64)>,
    /// Whether the gap was served last, while both had work.
    pub(super) gap_was_last: bool,
}

/// Which lane.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Which {
    Main,
    Gap,
}

impl Lanes {
    /// As the store kept them.
    pub(super) fn of(cursor: &Cursor) -> Self {
        let mut lanes = Self {
            main: Lane::behind(cursor.delivered, None),
            gap: None,
            later: cursor.gaps.clone(),
            gap_was_last: false,
        };
        lanes.next_gap();
        lanes
    }

    /// The durable form; nothing is given up by it.
    pub(super) fn cursor(&self) -> Cursor {
        let mut gaps = Vec::new();
        if let Some(Lane { done, last: Some(last), .. }) = &self.gap
            && done < last
        {
            gaps.push((done + 1, *last));
        }
        gaps.extend(&self.later);
        Cursor { delivered: self.main.done, given_up: 0, gaps }
    }

    /// Which lane is next: both in turns while both have work.
    pub(super) fn choose(&mut self, head: u64) -> Option<Which> {
        let main = self.main.has_work(head);
        let gap = self.gap.as_ref().is_some_and(|g| g.has_work(head));
        let which = match (main, gap) {
            (false, false) => return None,
            (true, false) => Which::Main,
            (true, true) if self.gap_was_last => Which::Main,
            (_, true) => Which::Gap,
        };
        self.gap_was_last = which == Which::Gap;
        Some(which)
    }

    /// Whether anything older than the main lane waits.
    pub(super) fn has_gap(&self) -> bool {
        self.gap.is_some()
    }

    pub(super) fn lane(&mut self, which: Which) -> &mut Lane {
        match (which, &mut self.gap) {
            (Which::Gap, Some(gap)) => gap,
            _ => &mut self.main,
        }
    }

    /// A load of a lane is done.
    pub(super) fn done(&mut self, which: Which, through: u64) {
        let lane = self.lane(which);
        lane.done = lane.done.max(through);
        if self.gap.as_ref().is_some_and(|g| g.last.is_some_and(|last| g.done >= last)) {
            self.gap = None;
            self.next_gap();
        }
    }

    fn next_gap(&mut self) {
        if self.gap.is_none() && !self.later.is_empty() {
            let (first, last) = self.later.remove(0);
            self.gap = Some(Lane::behind(first.saturating_sub(1), Some(last)));
        }
    }

    /// Lets the main lane go on at `next`, and leaves what it jumps over as a gap.
    /// Nothing happens where the gaps are all used or there is nothing to jump over.
    pub(super) fn jump(&mut self, next: u64) {
        let gaps = self.later.len() + usize::from(self.gap.is_some());
        let first = self.main.done + 1;
        if next <= first || gaps >= MOST_GAPS {
            return;
        }
        self.later.push((first, next - 1));
        self.main = Lane::behind(next - 1, None);
        self.next_gap();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_jump_leaves_a_gap_that_closes_and_both_lanes_take_turns() {
        let mut lanes = Lanes::of(&Cursor { delivered: 10, given_up: 0, gaps: Vec::new() });
        assert_eq!(lanes.choose(10), None);
        lanes.jump(101);
        let cursor = Cursor { delivered: 100, given_up: 0, gaps: vec![(11, 100)] };
        assert_eq!(lanes.cursor(), cursor);
        assert_eq!(Lanes::of(&cursor).cursor(), cursor, "as after a restart");
        assert_eq!(lanes.choose(200), Some(Which::Gap));
        assert_eq!(lanes.choose(200), Some(Which::Main));
        lanes.done(Which::Gap, 60);
        assert_eq!(lanes.cursor().gaps, [(61, 100)]);
        lanes.done(Which::Gap, 100);
        lanes.done(Which::Main, 150);
        assert_eq!(lanes.cursor(), Cursor { delivered: 150, given_up: 0, gaps: Vec::new() });
        assert_eq!(lanes.choose(150), Some(Which::Main), "the place was not moved by hand");
    }

    #[test]
    fn no_more_gaps_than_can_be_kept() {
        let mut lanes = Lanes::of(&Cursor::default());
        for i in 1..100 {
            lanes.jump(i * 10);
        }
        assert_eq!(lanes.cursor().gaps.len(), MOST_GAPS);
        assert_eq!(lanes.main.done, 159);
    }
}
