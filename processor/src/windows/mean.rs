//! The mean of a step.

use super::{COVERED, Window, within};
use crate::book::Draft;
use crate::judge::{Before, convert};
use crate::plan::CONTEXT;
use observation::{Flag, Reason, Reasons, SeriesIndex, Span};

/// Values that were added up.
#[derive(Default)]
struct Sum {
    sum: f64,
    count: usize,
}

impl Sum {
    fn add(&mut self, value: f64) {
        self.sum += value;
        self.count += 1;
    }

    fn mean(&self) -> f64 {
        self.sum / self.count as f64
    }
}

impl Window<'_> {
    /// The mean of the trusted samples; of the doubted ones if there are no others.
    pub(super) fn mean(&self, series: SeriesIndex, step: Span) -> Option<Draft> {
        let minute = self.asked.minute;
        let from = minute - step;
        let mut before = Before::default();
        let (mut good, mut doubted, mut wrong) = (Sum::default(), Sum::default(), 0_usize);
        let (mut reasons, mut doubts) = (Reasons::NONE, Reasons::NONE);
        let mut made_by = 0;
        for point in within(self.samples.points, from - CONTEXT, minute) {
            if point.left_out() {
                continue;
            }
            let inside = point.time > from;
            let Some(converted) = convert(self.instrument, self.part, point, self.samples.supply)
            else {
                if inside {
                    wrong += 1;
                    doubts = doubts.with(Reason::Fault);
                }
                continue;
            };
            let checked = before.judge(self.instrument, point.time, converted.value);
            if !inside {
                continue;
            }
            made_by = converted.made_by;
            if checked.flag == Flag::Erroneous {
                wrong += 1;
                doubts = doubts.union(checked.reasons);
            } else if checked.flag.counts() {
                good.add(checked.value);
                reasons = reasons.union(checked.reasons);
            } else {
                doubted.add(checked.value);
                doubts = doubts.union(checked.reasons);
            }
        }
        let (sum, flag) = if good.count > 0 {
            (good, Flag::Unchecked)
        } else {
            reasons = reasons.union(doubts);
            (doubted, Flag::Doubtful)
        };
        if sum.count == 0 {
            // Nothing but values that cannot be.
            return (wrong > 0).then_some(Draft {
                series,
                time: minute,
                value: None,
                flag: Flag::Missing,
                reasons,
                made_by,
            });
        }
        let reasons = reasons.union(self.complete(sum.count, step, COVERED));
        self.draft(series, self.instrument.quantity, sum.mean(), (flag, reasons), made_by)
    }
}
