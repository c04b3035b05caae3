//! The tests that look at whole hours: clocks, standing still, missed rain.

use super::{Panel, Verdict};
use crate::neighbours::limits::Limits;
use crate::neighbours::suspicion::{Kind, State};
use crate::neighbours::values::Values;
use crate::neighbours::watch::Evidence;
use observation::time::HOUR;
use observation::{Quantity, Time};

/// What was laid to instruments of a station within so many hours before its clock was found
/// wrong came of the clock.
const OF_THE_CLOCK_HOURS: usize = 96;

impl Panel {
    /// The tests that look at whole hours.
    pub(super) fn take_hour(
        &mut self,
        index: i64,
        values: &[Values],
        limits: &Limits,
        out: &mut Verdict,
    ) {
        for (sum, value) in self.rain.iter_mut().zip(values) {
            if value.rain.is_finite() {
                *sum = Some(sum.unwrap_or(0.0) + value.rain);
            }
        }
        if (index + 1).rem_euclid(self.steps_per_hour as i64) != 0 {
            return;
        }
        let mut hour = values.to_vec();
        for (value, sum) in hour.iter_mut().zip(&mut self.rain) {
            value.rain = sum.take().unwrap_or(f64::NAN);
        }
        let end = (index + 1) * self.step();
        let before = |hours: usize| Time(end - i64::try_from(hours).unwrap_or(0) * HOUR);
        let mut evidence = Vec::new();
        let mut moving = hour.clone();
        for (station, value) in moving.iter_mut().enumerate() {
            if self.watches.stuck(station, Quantity::AirPressureAtMeanSeaLevel) {
                value.pressure = f64::NAN;
            }
        }
        let clocks = self.clock.take(&moving);
        out.clock = clocks.iter().map(|c| c.score).fold(0.0, f64::max);
        self.clock_doubt = clocks.iter().map(|c| c.doubt).collect();
        let worst = (0..clocks.len()).max_by(|a, b| clocks[*a].score.total_cmp(&clocks[*b].score));
        let warm =
            self.judges.first().is_some_and(|j| j.seen() > limits.warm * 24 * self.steps_per_hour);
        if let Some(station) = worst
            && clocks[station].score >= limits.clock
            && warm
        {
            evidence.push(Evidence {
                kind: Kind::Clock,
                station,
                quantity: Quantity::AirPressureAtMeanSeaLevel,
                since: before(72),
                size: Some(f64::from(clocks[station].lag)),
                score: clocks[station].score,
                limit: limits.clock,
            });
        }
        for found in self.stuck.take(&hour) {
            evidence.push(Evidence {
                kind: Kind::Stuck,
                station: found.station,
                quantity: found.quantity,
                since: before(found.hours),
                size: None,
                score: found.score,
                limit: found.limit,
            });
        }
        for (station, missed) in self.gauge.take(&hour, limits.gauge.0).into_iter().enumerate() {
            // Snow and shelter of the place are to be learned first.
            if warm && missed.score >= limits.gauge.0 && missed.depth >= limits.gauge.1 {
                evidence.push(Evidence {
                    kind: Kind::Blocked,
                    station,
                    quantity: Quantity::PrecipitationDepth,
                    since: before(missed.hours),
                    size: Some(missed.depth),
                    score: missed.score,
                    limit: limits.gauge.0,
                });
            }
        }
        let before = out.suspicions.len();
        self.watches.take(&evidence, &mut out.suspicions);
        let new = out.suspicions[before..].iter();
        let clocks: Vec<usize> = new
            .filter(|said| said.kind == Kind::Clock && said.state == State::Opened)
            .filter_map(|said| said.station)
            .collect();
        for suspicion in &mut out.suspicions[before..] {
            // A value that stands still is evidence of its own; the others need a majority.
            if self.stations < 3 && suspicion.kind != Kind::Stuck {
                suspicion.station = None;
            }
        }
        for station in clocks {
            for place in 0..self.judges.len() {
                let judge = &mut self.judges[place];
                let (group, now) = (judge.group(), judge.seen());
                if let Some(turn) = judge.withdraw(station, OF_THE_CLOCK_HOURS) {
                    self.tell(turn, group, now, index, limits, out);
                }
            }
        }
    }
}
