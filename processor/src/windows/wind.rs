//! Means and gust of a wind speed.

use super::{COVERED_WIND, Samples, Window, within};
use crate::book::Draft;
use crate::judge::convert;
use crate::plan::{LONG, SHORT};
use crate::tally::Counted;
use observation::property::Signal;
use observation::signal::calibration;
use observation::signal::cup::{Cup, Stretch, gust, turns};
use observation::{Flag, Quantity, Reason, Reasons, SeriesIndex, Span, Time};
use quality::single::check;

/// Values of a window that pass the range.
#[derive(Default)]
struct Passed {
    values: Vec<f64>,
    reasons: Reasons,
    made_by: u32,
}

impl Window<'_> {
    /// Turns are summed over the window, then converted, once.
    pub(super) fn wind_by_turns(
        &self,
        short: SeriesIndex,
        long: SeriesIndex,
        gust_series: SeriesIndex,
        over: Span,
        drafts: &mut Vec<Draft>,
    ) {
        let minute = self.asked.minute;
        let Some(active) = calibration::active(&self.instrument.calibrations, minute) else {
            return;
        };
        let Some(cup) = Cup::of(active.transfer) else { return };
        let (stretches, counted) = self.stretches();
        for (series, period) in [(short, SHORT), (long, LONG)] {
            let sum = turns(&stretches, minute - period, minute);
            let Some(speed) = sum.hertz().and_then(|hertz| cup.speed(hertz)) else { continue };
            let trust = trust(&counted, minute - period, minute, sum.covered, period);
            let quantity = Quantity::WindSpeed;
            drafts.extend(self.draft(series, quantity, speed.value, trust, active.made_by));
        }
        let found = gust(&stretches, minute - LONG, minute, over);
        if let Some(speed) = found.and_then(|g| cup.speed(g.hertz)) {
            let covered = turns(&stretches, minute - LONG, minute).covered;
            let trust = trust(&counted, minute - LONG, minute, covered, LONG);
            let quantity = Quantity::WindSpeedOfGust;
            drafts.extend(self.draft(gust_series, quantity, speed.value, trust, active.made_by));
        }
    }

    fn stretches(&self) -> (Vec<Stretch>, Vec<Counted>) {
        if matches!(self.instrument.signal, Signal::Frequency) {
            return (self.by_frequency(), Vec::new());
        }
        let Samples { points, tally, .. } = self.samples;
        let counted = tally.all(self.instrument, points, self.asked.event_gap);
        let made = counted
            .iter()
            .filter(|c| !c.left_out)
            .filter_map(|c| Stretch::of(&c.increment))
            .collect();
        (made, counted)
    }

    /// A frequency holds since the sample before, or for one interval.
    fn by_frequency(&self) -> Vec<Stretch> {
        let interval = self.instrument.interval;
        let patience = Span(interval.0 + interval.0 / 2);
        let mut before: Option<Time> = None;
        let mut made = Vec::new();
        for point in self.samples.points.iter().filter(|p| !p.left_out()) {
            let Some(hertz) = point.number().map(|n| self.part.scale.apply(n)) else { continue };
            let from = before.filter(|&b| point.time - b <= patience);
            let from = from.unwrap_or(point.time - interval);
            before = Some(point.time);
            made.extend(Stretch::of_frequency(hertz, from, point.time));
        }
        made
    }

    pub(super) fn wind_by_values(
        &self,
        short: SeriesIndex,
        long: SeriesIndex,
        gust_series: SeriesIndex,
        drafts: &mut Vec<Draft>,
    ) {
        for (series, period) in [(short, SHORT), (long, LONG)] {
            let Passed { values, reasons, made_by } = self.passed(period);
            if values.is_empty() {
                continue;
            }
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            let reasons = reasons.union(self.complete(values.len(), period, COVERED_WIND));
            let trust = (Flag::Unchecked, reasons);
            drafts.extend(self.draft(series, Quantity::WindSpeed, mean, trust, made_by));
        }
        drafts.extend(self.greatest(gust_series));
    }

    /// The greatest of ten minutes.
    pub(super) fn greatest(&self, series: SeriesIndex) -> Option<Draft> {
        let Passed { values, reasons, made_by } = self.passed(LONG);
        let most = values.iter().copied().max_by(f64::total_cmp)?;
        let reasons = reasons.union(self.complete(values.len(), LONG, COVERED_WIND));
        let trust = (Flag::Unchecked, reasons);
        self.draft(series, Quantity::WindSpeedOfGust, most, trust, made_by)
    }

    fn passed(&self, period: Span) -> Passed {
        let minute = self.asked.minute;
        let mut passed = Passed::default();
        for point in within(self.samples.points, minute - period, minute) {
            if point.left_out() {
                continue;
            }
            let converted = convert(self.instrument, self.part, point, self.samples.supply);
            let Some(converted) = converted else {
                passed.reasons = passed.reasons.with(Reason::Fault);
                continue;
            };
            let own = self.instrument.plausible;
            let checked = check(self.instrument.quantity, converted.value, own, None);
            passed.made_by = converted.made_by;
            if checked.flag == Flag::Erroneous {
                passed.reasons = passed.reasons.union(checked.reasons);
            } else {
                passed.values.push(checked.value);
            }
        }
        passed
    }
}

/// Trust in what was counted in a window, `covered` of which is known.
fn trust(
    counted: &[Counted],
    from: Time,
    to: Time,
    covered: Span,
    period: Span,
) -> (Flag, Reasons) {
    let mut flag = Flag::Unchecked;
    let mut reasons = Reasons::NONE;
    let inside = |c: &&Counted| c.increment.to > from && c.increment.to <= to && !c.left_out;
    for Counted { increment, .. } in counted.iter().filter(inside) {
        flag = flag.worse(increment.flag);
        reasons = reasons.union(increment.reasons);
    }
    if (covered.0 as f64) < COVERED_WIND * period.0 as f64 {
        reasons = reasons.with(Reason::Incomplete);
    }
    (flag, reasons)
}
