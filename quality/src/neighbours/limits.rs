//! The numbers of the judgement: one set for all places and all faults.

use super::values::Group;
use crate::charts::ChartLimits;
use crate::cusum::Chart;

/// What differs from group to group.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GroupLimits {
    /// Score at which a suspicion opens.
    pub score: f64,
    /// By so much must its square exceed that of every other station.
    pub margin: f64,
    /// Penalty on each coefficient of the expected contrast, in hours of support.
    pub ridge: f64,
    /// A residual is drawn in at this many spreads.
    pub drawn_in: f64,
    /// Shortest window, hours.
    pub first_window: usize,
    /// Share of a window that must hold values.
    pub presence: f64,
    /// The standard error of a size is wider than its window says: a suspicion opens when the
    /// weather helps, and the windows that are looked at are the strongest. By so much when it
    /// opens, and when it is looked at again.
    pub wider: [f64; 2],
    /// To it comes this share of the size itself, likewise: the window of the first word begins
    /// before what it tells, and hours in which a vane stands too far off are left out.
    pub of_size: [f64; 2],
    /// Smaller offsets are not worth telling, in the unit of the contrast, by the quantities
    /// of the group: what instruments in the field reach at best (achievable uncertainty of
    /// WMO-No. 8, Vol. I, Annex 1.A; from memory).
    pub least: [f64; 2],
}

/// How fast is learned, how much is asked for. The defaults were chosen on the odd months
/// of one year of three airports (`tests/judging` prints what they give on the even ones).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Memory of the expected contrasts, days.
    pub memory: f64,
    /// Memory of the spreads, days.
    pub spread_memory: f64,
    /// A day is learned when it is this many days old.
    pub hold_back: usize,
    /// Half the decay of variance with the length of a window: 0.5 for white noise.
    pub decay: f64,
    /// Longer windows are looked at less often anew: so much easier are they.
    pub tilt: f64,
    /// Power of the expected variance in the weight of a step.
    pub weighting: f64,
    /// Share of the opening score below which a suspicion may close.
    pub close: f64,
    /// By so much must the square of another score be larger to take over.
    pub hand_over: f64,
    /// A suspicion that exceeds the limit by this factor opens whatever the margin.
    pub beyond: f64,
    /// A group that waits for another opens nevertheless if its limit is exceeded by this
    /// factor: what raises it is then more than a bad instrument in its terms.
    pub held: f64,
    /// Days of learning before anything is said.
    pub warm: usize,
    /// Longest time in days in which nothing is learned because a suspicion is open.
    pub frozen: usize,
    /// Score of the clock test.
    pub clock: f64,
    /// Evidence against a clock at which its station's barometer is not yet doubted.
    pub clock_doubt: f64,
    /// Rain missed: -ln of its chance, and the depth in mm that the neighbours agree on.
    pub gauge: (f64, f64),
    /// The charts of what shows under one condition only.
    pub charts: ChartLimits,
    /// Group by group, in the order of `Group::ALL`.
    pub groups: [GroupLimits; Group::ALL.len()],
}

impl Limits {
    /// Standard error of a size whose window says `error`: when it opens, or later.
    pub(super) fn error(&self, group: Group, later: bool, size: f64, error: f64) -> f64 {
        let (own, nth) = (self.of(group), usize::from(later));
        (own.wider[nth] * error).hypot(own.of_size[nth] * size)
    }

    /// Those of one group.
    pub const fn of(&self, group: Group) -> &GroupLimits {
        &self.groups[group as usize]
    }
}

const fn own(score: f64, margin: f64, ridge: f64, wider: [f64; 2], least: [f64; 2]) -> GroupLimits {
    let (drawn_in, first_window, presence) = (2.5, 6, 0.35);
    let of_size = [0.0, 0.0];
    GroupLimits { score, margin, ridge, drawn_in, first_window, presence, wider, of_size, least }
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            memory: 60.0,
            spread_memory: 90.0,
            hold_back: 4,
            decay: 0.375,
            tilt: 0.15,
            weighting: 0.8,
            close: 0.5,
            hand_over: 4.0,
            beyond: 1.2,
            held: 1.5,
            warm: 45,
            frozen: 30,
            clock: 9.3,
            clock_doubt: 3.0,
            gauge: (4.6, 4.0),
            charts: ChartLimits { chart: Chart { reference: 1.0, interval: 5.0 }, spread: 1.0 },
            groups: [
                // Cel and %, Cel, hPa, a tenth of the speed, deg.
                own(5.6, 8.0, 100.0, [1.7, 1.5], [0.2, 3.0]),
                own(5.4, 8.0, 100.0, [1.5, 1.4], [0.25, 0.0]),
                GroupLimits { drawn_in: 6.0, ..own(5.1, 4.0, 100.0, [1.2, 1.4], [0.15, 0.0]) },
                own(5.5, 8.0, 300.0, [1.5, 1.3], [0.1, 0.0]),
                GroupLimits {
                    first_window: 24,
                    of_size: [0.2, 0.04],
                    ..own(5.1, 8.0, 100.0, [2.3, 1.3], [5.0, 0.0])
                },
            ],
        }
    }
}
