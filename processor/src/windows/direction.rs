//! Mean and spread of a direction.

use super::{COVERED_WIND, Window, within};
use crate::book::Draft;
use crate::judge::point_at;
use crate::plan::{CONTEXT, LONG};
use observation::reading::to_steps;
use observation::signal::direction::{self, Directions};
use observation::signal::vane::{Seen, Vane};
use observation::{Flag, Quantity, Reason, SeriesIndex};

impl Window<'_> {
    /// Both are absent in a calm, the mean also where the vectors cancel. A vane at rest
    /// is no fault; one that shows what it cannot says so.
    pub(super) fn direction(
        &self,
        vane: Option<&Vane>,
        mean: SeriesIndex,
        spread: SeriesIndex,
        drafts: &mut Vec<Draft>,
    ) {
        let time = self.asked.minute;
        let mut directions = Directions::default();
        let (mut found, mut faults, mut made_by) = (0_usize, 0_usize, 0);
        let mut seen = Seen::default();
        for point in within(self.samples.points, time - LONG - CONTEXT, time) {
            if point.left_out() {
                continue;
            }
            let said =
                point_at(self.instrument, self.part, vane, point, self.samples.supply, &mut seen);
            if point.time <= time - LONG {
                continue;
            }
            found += 1;
            match said {
                Ok(Some(converted)) => {
                    directions.add(converted.value, 1.0);
                    made_by = converted.made_by;
                }
                Ok(None) => {}
                Err(_) => faults += 1,
            }
        }
        if found == 0 {
            return;
        }
        let mut reasons = self.complete(found, LONG, COVERED_WIND);
        if faults > 0 {
            reasons = reasons.with(Reason::Fault);
        }
        if faults == found {
            let flag = Flag::Missing;
            for series in [mean, spread] {
                drafts.push(Draft { series, time, value: None, flag, reasons, made_by });
            }
            return;
        }
        if self.asked.calm {
            return;
        }
        // A quarter of faults leaves little to average (own choice).
        let flag = if faults * 4 > found { Flag::Doubtful } else { Flag::Good };
        let decimals = Quantity::WindFromDirection.decimals();
        let values = [
            (mean, directions.mean().and_then(|d| direction::to_steps(d, decimals))),
            (spread, directions.standard_deviation().and_then(|s| to_steps(s, decimals))),
        ];
        for (series, value) in values {
            if value.is_some() {
                drafts.push(Draft { series, time, value, flag, reasons, made_by });
            }
        }
    }
}
