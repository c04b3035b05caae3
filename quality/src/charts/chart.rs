//! One chart: one condition of one station.

use super::conditions::Condition;
use super::day::{Day, Mean};
use super::{ChartLimits, Charted, KEPT};
use crate::cusum::{Cusum, confidence};
use crate::diagnosis::Hour;
use crate::neighbours::State;
use observation::Time;
use observation::time::HOUR;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// A day is worth at most so many spreads, so that no single one is an alarm.
const LARGEST: f64 = 3.0;
/// The sum grows no further than so many intervals: what is over must end.
const HIGHEST: f64 = 2.0;
/// Days under the condition before anything is said.
const LEAST_LEARNED: f64 = 12.0;
/// Days under the condition that make a diagnosis.
const LEAST_DAYS: u32 = 3;
/// Memory of what is usual, in days under the condition.
const MEMORY: f64 = 30.0;
/// What was not to be seen for so many days is over.
const GONE: i64 = 14;
/// A day holds a condition from so many hours on.
const LEAST_HOURS: u16 = 2;

/// One condition of one station.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Chart {
    days: VecDeque<Day>,
    /// What is usual under the condition and beside it.
    usual: Mean,
    usual_beside: Mean,
    /// Square of a day's excess.
    square: Mean,
    pub(super) sum: Cusum,
    /// Since the sum left zero: first hour, days, sum of their excess.
    pub(super) spell: Option<(i64, u32, f64)>,
    pub(super) open: bool,
    /// The day on which it began, if later than all others.
    #[serde(default)]
    first: Option<i64>,
}

impl Chart {
    /// Nothing seen before a day.
    pub(super) fn from(first: Option<i64>) -> Self {
        Self { first, ..Self::default() }
    }

    /// Whether it has seen so many days.
    pub(super) fn is_warm(&self, judged: i64, days: i64) -> bool {
        self.first.is_none_or(|first| judged - first >= days)
    }

    pub(super) fn is_suspicious(&self, limits: &ChartLimits) -> bool {
        self.open || self.sum.value() > 0.5 * limits.chart.interval
    }

    pub(super) fn hour(&mut self, today: i64, condition: &Condition, hour: &Hour, difference: f64) {
        let (under, beside) = (condition.under(hour), condition.beside(hour));
        if !under && !beside {
            return;
        }
        if self.days.back().is_none_or(|day| day.number != today) {
            if self.days.len() >= KEPT {
                self.days.pop_front();
            }
            self.days.push_back(Day { number: today, ..Day::default() });
        }
        if let Some(day) = self.days.back_mut() {
            day.add(under, difference);
        }
    }

    /// Takes up a day that is over.
    pub(super) fn judge(
        &mut self,
        judged: i64,
        from: i64,
        condition: &Condition,
        limits: &ChartLimits,
    ) {
        if judged < from {
            return;
        }
        let Some(day) = self.days.iter().find(|day| day.number == judged) else { return };
        let Some(under) = day.under(LEAST_HOURS) else { return };
        let beside = |from: i64| {
            let days = self.days.iter().filter(|day| day.number >= from);
            let (sum, hours) =
                days.fold((0.0, 0), |(sum, hours), day| (sum + day.beside.0, hours + day.beside.1));
            (hours >= LEAST_HOURS).then(|| sum / f64::from(hours))
        };
        let beside = if condition.alone() {
            Some(0.0)
        } else {
            beside((judged - 1).max(from)).or_else(|| beside(from))
        };
        let Some(beside) = beside else { return };
        let difference = (under - self.usual.mean) - (beside - self.usual_beside.mean);
        let excess = condition.sign * difference;
        let known = self.usual.is_known(LEAST_LEARNED);
        let spread = self.square.mean.sqrt().max(condition.least / 3.0);
        if known {
            let worth = (excess / spread).clamp(-LARGEST, LARGEST);
            self.sum.take(worth, limits.chart);
            self.sum.at_most(HIGHEST * limits.chart.interval);
            if self.sum.above() > 0.0 {
                let (since, days, sum) = self.spell.unwrap_or((judged * 24, 0, 0.0));
                self.spell = Some((since, days + 1, sum + excess));
            } else {
                self.spell = None;
            }
        }
        // What is suspected teaches nothing.
        if !known || !self.is_suspicious(limits) {
            let bounded =
                if known { excess.clamp(-LARGEST * spread, LARGEST * spread) } else { excess };
            if self.usual.is_known(2.0) {
                self.square.learn(bounded * bounded, MEMORY);
            }
            self.usual.learn(under, MEMORY);
            self.usual_beside.learn(beside, MEMORY);
        }
    }

    /// Mean excess since the sum left zero.
    pub(super) fn excess(&self) -> Option<f64> {
        self.spell.map(|(_, days, sum)| sum / f64::from(days.max(1)))
    }

    pub(super) fn turn(
        &self,
        judged: i64,
        condition: &Condition,
        limits: &ChartLimits,
        shared: impl Fn(f64) -> bool,
    ) -> Option<State> {
        let size = self.excess().unwrap_or(0.0);
        let days = self.spell.map_or(0, |(_, days, _)| days);
        let above = self.sum.above();
        let seen = self.days.iter().rev().find(|day| day.under(LEAST_HOURS).is_some());
        if self.open {
            if above <= 0.0 || seen.is_none_or(|day| day.number < judged - GONE) {
                return Some(State::Closed);
            }
            let now = seen.is_some_and(|day| day.number == judged);
            return (now && days.is_multiple_of(5)).then_some(State::Changed);
        }
        let near = self.square.mean.sqrt() <= limits.spread * condition.least;
        let enough = days >= LEAST_DAYS && size >= condition.least;
        (above > condition.intervals() * limits.chart.interval && enough && near && !shared(size))
            .then_some(State::Opened)
    }

    pub(super) fn charted(
        &self,
        state: State,
        station: usize,
        judged: i64,
        (condition, limits): (&Condition, &ChartLimits),
    ) -> Charted {
        let (since, days, _) = self.spell.unwrap_or((judged * 24, 0, 0.0));
        let size = condition.sign * self.excess().unwrap_or(0.0);
        let score = self.sum.above() / (condition.intervals() * limits.chart.interval);
        Charted {
            state,
            station,
            quantity: condition.quantity,
            cause: condition.cause,
            since: Time(since * HOUR),
            size: if condition.is_ratio() { size.exp() } else { size },
            score,
            confidence: confidence(score),
            days,
            sector: condition.sector,
            hours: None,
            alone: None,
        }
    }
}
