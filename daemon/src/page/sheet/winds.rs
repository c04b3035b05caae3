//! The winds of a span, window by window, for its rose.

use super::gather::Gathered;
use super::roles::Role;
use crate::page::graphics::barb::CALM;
use meteorology::wind::Rose;
use observation::reading::from_steps;
use observation::{Quantity, Reading, Span, Time};
use std::collections::BTreeMap;

/// Lower limits of the classes of speed in a wind rose, m/s: feathers of a barb.
pub const CLASSES: [f64; 4] = [2.5, 5.0, 10.0, 15.0];
/// Wind roses count one window in this time, so that none is counted twice.
pub const WINDOW: Span = Span::minutes(10);

/// Pairs of speed and direction at the same time.
pub struct Winds {
    rose: Option<Rose>,
    /// By end of the window: speed, direction.
    pairs: BTreeMap<Time, (Option<f64>, Option<f64>)>,
}

impl Winds {
    pub fn new(gathered: &Gathered) -> Self {
        let both =
            gathered.trace(Role::Speed).is_some() && gathered.trace(Role::Direction).is_some();
        let rose = both.then(|| Rose::new(&CLASSES)).flatten();
        Self { rose, pairs: BTreeMap::new() }
    }

    pub fn take(&mut self, role: Role, run: &[Reading]) {
        if !matches!(role, Role::Speed | Role::Direction) {
            return;
        }
        for reading in run.iter().filter(|r| r.flag.counts() && r.time.0.rem_euclid(WINDOW.0) == 0)
        {
            if let Some(steps) = reading.value {
                self.put(role, reading.time, steps);
            }
        }
    }

    /// What counts at the end of a window.
    fn put(&mut self, role: Role, time: Time, steps: i64) {
        let pair = self.pairs.entry(time).or_default();
        match role {
            Role::Speed => pair.0 = Some(from_steps(steps, Quantity::WindSpeed.decimals())),
            Role::Direction => {
                pair.1 = Some(from_steps(steps, Quantity::WindFromDirection.decimals()));
            }
            _ => {}
        }
    }

    /// Takes the windows of a whole day, each list in the order of its times.
    pub fn day(&mut self, speeds: &[(Time, i64)], directions: &[(Time, i64)]) {
        let Some(rose) = &mut self.rose else { return };
        let mut directions = directions.iter().peekable();
        for (time, steps) in speeds {
            while directions.next_if(|(then, _)| then < time).is_some() {}
            let from = directions.next_if(|(then, _)| then == time);
            rose.add(
                Some(from_steps(*steps, Quantity::WindSpeed.decimals())),
                from.map(|(_, steps)| from_steps(*steps, Quantity::WindFromDirection.decimals())),
                CALM,
            );
        }
    }

    /// The rose with every window that is not there counted as missing.
    pub fn finish(self, from: Time, to: Time) -> Option<Rose> {
        let mut rose = self.rose?;
        for (speed, direction) in self.pairs.into_values() {
            if let Some(speed) = speed {
                rose.add(Some(speed), direction, CALM);
            }
        }
        let windows = (to.0.div_euclid(WINDOW.0) - from.0.div_euclid(WINDOW.0)).max(0) as u64;
        rose.missing = windows.saturating_sub(rose.total());
        Some(rose)
    }
}
