//! Which evidence waits: one bad instrument can raise suspicions of several groups, those
//! whose terms hold it.

use super::Panel;
use crate::neighbours::limits::Limits;
use crate::neighbours::score::Score;
use crate::neighbours::suspicion::Reason;
use crate::neighbours::values::Group;

/// Dew point and humidity of one station come from one sensor: a suspicion of the dew point
/// within so many hours of one of the air is the same.
const SAME_SENSOR_HOURS: usize = 72;

/// The groups whose open suspicions a group waits for: its terms hold their instruments.
const fn waits_for(group: Group) -> &'static [Group] {
    match group {
        Group::Air | Group::Pressure => &[Group::Speed, Group::Vane],
        Group::Dew => &[Group::Air, Group::Speed, Group::Vane],
        Group::Speed => &[Group::Vane],
        Group::Vane => &[Group::Air, Group::Speed],
    }
}

impl Panel {
    /// Why nothing may be opened of what this group finds, if there is a reason.
    pub(super) fn must_wait(
        &self,
        place: usize,
        scores: &[Score],
        limits: &Limits,
    ) -> Option<Reason> {
        let judge = &self.judges[place];
        let group = judge.group();
        let best = (0..scores.len())
            .max_by(|a, b| scores[*a].value.abs().total_cmp(&scores[*b].value.abs()))?;
        let station = best % self.stations;
        let clock = self.clock_doubt.get(station).copied().unwrap_or(0.0);
        if group == Group::Pressure && clock >= limits.clock_doubt {
            return Some(Reason::ClockDoubted);
        }
        if group == Group::Air {
            let since = (judge.seen() / self.steps_per_hour).saturating_sub(scores[best].window);
            let quantity = group.quantities()[best / self.stations];
            if self.hollow.explains(station, quantity, since, scores[best].size) {
                return Some(Reason::Cold);
            }
        }
        if scores[best].value.abs() > limits.held * limits.of(group).score {
            return None;
        }
        let same_sensor = match group {
            Group::Dew => self.air_open[station],
            Group::Air if best / self.stations == 1 => self.dew_open[station],
            _ => None,
        };
        let lately = SAME_SENSOR_HOURS * self.steps_per_hour;
        if same_sensor.is_some_and(|open| judge.seen() - open <= lately) {
            return Some(Reason::SameSensor);
        }
        waits_for(group)
            .iter()
            .find(|other| self.judges.iter().any(|j| j.group() == **other && j.open().is_some()))
            .map(|other| Reason::Waits(*other))
    }
}
