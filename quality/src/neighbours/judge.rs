//! One group of quantities judged: expectation, windows, scores, and the suspicion that is
//! open, if any.

#[cfg(test)]
mod tests;
mod turn;

use super::contrast::Contrasts;
use super::expectation::Expectation;
use super::limits::Limits;
use super::score::{Change, LONGEST, Scale, Score};
use super::suspicion::Reason;
use super::terms::{Observed, Terms};
use super::values::Group;
use super::windows::Windows;
use observation::Quantity;
use serde::{Deserialize, Serialize};

pub(super) use turn::{Open, Turn};

/// Half-days of means before anything is scored.
const MEANS_ENOUGH: f64 = 10.0;
/// After a suspicion closed nothing opens for this long, hours.
const REST: usize = 24;
/// A station without values for this long is left out of the comparison, hours.
const ABSENT: usize = 24;
/// A suspicion closes when it was quiet for this long, hours.
const QUIET: usize = 12;

/// The state of one group.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Judge {
    group: Group,
    stations: usize,
    steps_per_hour: usize,
    expectation: Expectation,
    windows: Windows,
    /// Windows begin after this step.
    restarted: usize,
    open: Option<Open>,
    /// By hypothesis: steps in a row without a value, of those that could be compared.
    silent: Vec<usize>,
    #[serde(skip)]
    scale: Option<Scale>,
}

impl Judge {
    pub(super) fn new(
        group: Group,
        stations: usize,
        steps_per_hour: usize,
        limits: &Limits,
    ) -> Self {
        let components = (stations - 1) * group.quantities().len();
        let per_day = 24 * steps_per_hour;
        let terms = Terms::count(group, stations);
        let kept = (LONGEST * steps_per_hour).max((limits.hold_back + 3) * per_day);
        Self {
            group,
            stations,
            steps_per_hour,
            expectation: Expectation::new(terms, components, per_day),
            windows: Windows::new(kept, components),
            restarted: 0,
            open: None,
            silent: vec![0; stations * group.quantities().len()],
            scale: None,
        }
    }

    pub(super) const fn group(&self) -> Group {
        self.group
    }

    pub(super) const fn open(&self) -> Option<&Open> {
        self.open.as_ref()
    }

    /// Steps seen.
    pub(super) const fn seen(&self) -> usize {
        self.windows.seen()
    }

    /// A step in which a value is missing says little of its station and is left out; a
    /// station that has been silent for long must not silence the others.
    fn without_absent(&mut self, observed: Option<Observed>) -> Option<Observed> {
        let observed = observed?;
        for (hypothesis, silent) in self.silent.iter_mut().enumerate() {
            let missing = observed.missing.contains(&hypothesis);
            *silent = if missing { silent.saturating_add(1) } else { 0 };
        }
        let long = ABSENT * self.steps_per_hour;
        let short_gap = self.silent.iter().any(|silent| (1..long).contains(silent));
        (!short_gap).then_some(observed)
    }

    fn contrasts(&self) -> Contrasts {
        Contrasts::new(self.stations, self.group.quantities().len())
    }

    /// Takes one step; returns the scores of all hypotheses, none while still learning.
    pub(super) fn take(
        &mut self,
        terms: &[f64],
        observed: Option<Observed>,
        limits: &Limits,
    ) -> Option<Vec<Score>> {
        let per_day = 24 * self.steps_per_hour;
        if self.windows.seen().is_multiple_of(per_day) {
            let frozen = self
                .open
                .is_some_and(|open| self.windows.seen() - open.spell < limits.frozen * per_day);
            self.expectation.start_day(frozen, limits, limits.of(self.group), &self.windows);
            self.scale = None;
        }
        let contrasts = self.contrasts();
        let observed = self.without_absent(observed).map(|observed| {
            let missing = observed.missing.iter().map(|h| contrasts.signature(*h)).collect();
            (observed.contrasts, missing)
        });
        self.expectation.take(terms, observed, limits, limits.of(self.group), &mut self.windows);
        let learning = self.windows.seen() <= limits.warm * per_day
            || self.expectation.days.count() < MEANS_ENOUGH;
        if learning {
            return None;
        }
        let days = &self.expectation.days;
        let scale = self.scale.get_or_insert_with(|| Scale::new(&contrasts, days));
        Some(scale.scores(
            &self.windows,
            (&self.expectation.steps, days),
            self.restarted,
            self.steps_per_hour,
            (limits, limits.of(self.group)),
        ))
    }

    /// Whether an offset is not worth telling.
    fn is_small(&self, hypothesis: usize, scores: &[Score], limits: &Limits) -> bool {
        let least = limits.of(self.group).least.get(hypothesis / self.stations);
        least.is_some_and(|least| scores[hypothesis].size.abs() < *least)
    }

    /// What keeps the strongest hypothesis, which is beyond its limit, from opening.
    fn kept_back(&self, best: usize, scores: &[Score], limits: &Limits) -> Option<Reason> {
        if self.windows.seen() < self.restarted + REST * self.steps_per_hour {
            return Some(Reason::Rests);
        }
        let own = limits.of(self.group);
        let score = scores[best].value.abs();
        if self.is_small(best, scores, limits) {
            return Some(Reason::Small);
        }
        // Of two stations neither can be told from the other.
        let unclear = score.powi(2) < self.rival(best, scores).powi(2) + own.margin;
        let beyond = score > limits.beyond * own.score;
        (unclear && self.stations > 2 && !beyond).then_some(Reason::Unclear)
    }

    /// Opens, hands over, changes or closes. Nothing opens while there is a reason to be
    /// `held`.
    pub(super) fn decide(
        &mut self,
        scores: &[Score],
        held: Option<Reason>,
        limits: &Limits,
    ) -> Option<Turn> {
        let now = self.windows.seen();
        let limit = limits.of(self.group).score;
        let best = (0..scores.len())
            .max_by(|a, b| scores[*a].value.abs().total_cmp(&scores[*b].value.abs()))?;
        let Some(mut open) = self.open else {
            let score = scores[best].value.abs();
            if score <= limit {
                return None;
            }
            if let Some(reason) = held.or_else(|| self.kept_back(best, scores, limits)) {
                return Some(Turn::KeptBack(best, score, reason));
            }
            let open = self.opened(best, scores, limits);
            self.open = Some(open);
            return Some(Turn::Opened(open));
        };
        let own = scores.get(open.hypothesis).copied().unwrap_or_default();
        open.quiet = if own.recent < limits.close * limit { open.quiet + 1 } else { 0 };
        if open.quiet >= QUIET * self.steps_per_hour {
            self.open = None;
            self.restarted = now;
            return Some(Turn::Closed(open));
        }
        let stronger = scores[best].value.powi(2) > own.value.powi(2) + limits.hand_over;
        let cleared = !open.clear && self.opened(open.hypothesis, scores, limits).clear;
        if cleared && best == open.hypothesis && own.value.abs() > limit {
            let successor = Open { spell: open.spell, ..self.opened(best, scores, limits) };
            self.open = Some(successor);
            return Some(Turn::HandedOver(open, successor));
        }
        // What would not be opened is not handed over to either.
        let worth = !self.is_small(best, scores, limits)
            && !matches!(held, Some(Reason::Cold | Reason::ClockDoubted));
        if best != open.hypothesis && stronger && worth && scores[best].value.abs() > limit {
            let successor = Open { spell: now, ..self.opened(best, scores, limits) };
            self.open = Some(successor);
            return Some(Turn::HandedOver(open, successor));
        }
        let day_later = (now - open.opened).is_multiple_of(24 * self.steps_per_hour);
        if day_later && let Some(change) = self.second_look(&open, limits) {
            open.since = now - change.hours * self.steps_per_hour;
            let error = limits.error(self.group, true, change.size, change.error);
            (open.size, open.error) = (change.size, error);
            (open.score, open.rival) = (own.value, self.rival(open.hypothesis, scores));
            self.open = Some(open);
            return Some(Turn::Changed(open));
        }
        self.open = Some(open);
        None
    }

    /// A value that says nothing from now on. What was held of it, or of nobody in particular,
    /// is dropped.
    pub(super) fn deafen(&mut self, station: usize, quantity: Quantity) {
        let Some(place) = self.group.quantities().iter().position(|q| *q == quantity) else {
            return;
        };
        let hypothesis = place * self.stations + station;
        if let Some(silent) = self.silent.get_mut(hypothesis) {
            // It need not be silent for a day before the others are compared without it.
            *silent = ABSENT * self.steps_per_hour;
        }
        if self.open.is_some_and(|open| !open.clear || open.hypothesis == hypothesis) {
            self.open = None;
            self.restarted = self.seen();
        }
    }

    /// Closes what was opened within so many hours against one station: it has another cause.
    pub(super) fn withdraw(&mut self, station: usize, hours: usize) -> Option<Turn> {
        let of = |open: &Open| open.clear && open.hypothesis % self.stations == station;
        let young = |open: &Open| self.seen() - open.opened <= hours * self.steps_per_hour;
        let open = self.open.filter(|open| of(open) && young(open))?;
        self.open = None;
        self.restarted = self.seen();
        Some(Turn::Closed(open))
    }

    fn opened(&self, hypothesis: usize, scores: &[Score], limits: &Limits) -> Open {
        let (score, now) = (scores[hypothesis], self.windows.seen());
        let rival = self.rival(hypothesis, scores);
        Open {
            hypothesis,
            opened: now,
            since: now - score.window * self.steps_per_hour,
            size: score.size,
            error: limits.error(self.group, false, score.size, (score.size / score.value).abs()),
            score: score.value,
            rival,
            clear: score.value.powi(2) > rival.powi(2) + limits.hand_over,
            quiet: 0,
            spell: now,
        }
    }

    fn rival(&self, hypothesis: usize, scores: &[Score]) -> f64 {
        let station = hypothesis % self.stations;
        let others = scores.iter().enumerate().filter(|(h, _)| h % self.stations != station);
        others.map(|(_, s)| s.value.abs()).fold(0.0, f64::max)
    }

    fn second_look(&self, open: &Open, limits: &Limits) -> Option<Change> {
        self.scale.as_ref()?.change(
            open.hypothesis,
            &self.windows,
            &self.expectation.days,
            self.restarted,
            self.steps_per_hour,
            (limits, limits.of(self.group)),
        )
    }
}
