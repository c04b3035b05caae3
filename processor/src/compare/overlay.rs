//! What others say of a reading stands over what its own checks said: the flag is computed
//! from all evidence, whenever it is published.

use crate::book::Draft;
use observation::{Flag, Reason, Reasons, Time};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Most readings of which something is remembered.
const MOST: usize = 4_096;

/// What is said of one reading.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Said {
    /// At least this flag,
    flag: Flag,
    /// for these reasons.
    more: Reasons,
    /// These reasons are explained.
    lifted: Reasons,
}

/// See the module.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Overlay {
    said: BTreeMap<(u32, Time), Said>,
    /// By series: from when on it is surely wrong.
    wrong: BTreeMap<u32, Time>,
}

/// As it is saved.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct SavedOverlay {
    said: Vec<(u32, Time, Said)>,
    wrong: Vec<(u32, Time)>,
}

impl Overlay {
    fn said(&mut self, series: u32, time: Time) -> &mut Said {
        if self.said.len() >= MOST {
            // The oldest of all, whatever series it is of.
            let oldest = self.said.keys().min_by_key(|(s, t)| (*t, *s)).copied();
            oldest.and_then(|key| self.said.remove(&key));
        }
        self.said.entry((series, time)).or_default()
    }

    /// A reading is at least so doubtful.
    pub(crate) fn doubt(&mut self, series: u32, time: Time, flag: Flag, reason: Reason) {
        let said = self.said(series, time);
        said.flag = said.flag.worse(flag);
        said.more = said.more.with(reason);
    }

    /// A reason is explained.
    pub(crate) fn lift(&mut self, series: u32, time: Time, reason: Reason) {
        let said = self.said(series, time);
        said.lifted = said.lifted.with(reason);
    }

    /// From now on, or no longer, a series is surely wrong.
    pub(crate) fn set_wrong(&mut self, series: u32, since: Option<Time>) {
        match since {
            Some(since) => self.wrong.insert(series, since),
            None => self.wrong.remove(&series),
        };
    }

    /// The draft with everything that is said of it.
    pub(crate) fn apply(&self, mut draft: Draft) -> Draft {
        if (self.said.is_empty() && self.wrong.is_empty())
            || draft.value.is_none()
            || draft.flag == Flag::Missing
        {
            return draft;
        }
        if let Some(said) = self.said.get(&(draft.series.0, draft.time)) {
            let left = Reasons::from_bits(draft.reasons.bits() & !said.lifted.bits());
            if left != draft.reasons && draft.flag == Flag::Doubtful {
                draft.reasons = left;
                let benign = Reasons::NONE.with(Reason::Saturated).with(Reason::Incomplete);
                if left.bits() & !benign.bits() == 0 {
                    draft.flag = Flag::Good;
                }
            }
            draft.flag = draft.flag.worse(said.flag);
            draft.reasons = draft.reasons.union(said.more);
        }
        if self.wrong.get(&draft.series.0).is_some_and(|since| draft.time >= *since) {
            draft.flag = draft.flag.worse(Flag::Doubtful);
            draft.reasons = draft.reasons.with(Reason::Neighbours);
        }
        draft
    }

    /// Forgets what lies before an instant.
    pub(crate) fn forget(&mut self, before: Time) {
        if self.said.len() > MOST / 4 {
            self.said.retain(|(_, time), _| *time >= before);
        }
    }

    pub(crate) fn save(&self) -> SavedOverlay {
        SavedOverlay {
            said: self.said.iter().map(|(&(series, time), &said)| (series, time, said)).collect(),
            wrong: self.wrong.iter().map(|(&series, &since)| (series, since)).collect(),
        }
    }

    /// Takes up what was saved; `number` gives the number that a series has now.
    pub(crate) fn restore(&mut self, saved: &SavedOverlay, number: &dyn Fn(u32) -> Option<u32>) {
        let said = saved.said.iter();
        self.said =
            said.filter_map(|&(then, at, said)| Some(((number(then)?, at), said))).collect();
        let wrong = saved.wrong.iter();
        self.wrong = wrong.filter_map(|&(then, since)| Some((number(then)?, since))).collect();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use observation::SeriesIndex;

    #[test]
    fn a_step_that_a_neighbour_shares_is_lifted_and_other_reasons_stay() {
        let mut overlay = Overlay::default();
        let draft = |reasons: Reasons| Draft {
            series: SeriesIndex(3),
            time: Time(60_000),
            value: Some(5),
            flag: Flag::Doubtful,
            reasons,
            made_by: 0,
        };
        let step = Reasons::from(Reason::Step);
        assert_eq!(overlay.apply(draft(step)).flag, Flag::Doubtful);
        overlay.lift(3, Time(60_000), Reason::Step);
        assert_eq!(overlay.apply(draft(step)).flag, Flag::Good);
        assert_eq!(overlay.apply(draft(step.with(Reason::Clock))).flag, Flag::Doubtful);
        overlay.doubt(3, Time(60_000), Flag::Inconsistent, Reason::Consistency);
        let both = overlay.apply(draft(step));
        assert_eq!(both.flag, Flag::Inconsistent);
        assert!(both.reasons.contains(Reason::Consistency) && !both.reasons.contains(Reason::Step));
        overlay.set_wrong(3, Some(Time(0)));
        assert_eq!(overlay.apply(draft(step)).flag, Flag::Doubtful);
        let mut again = Overlay::default();
        again.restore(&overlay.save(), &Some);
        assert_eq!(again, overlay);
    }
}
