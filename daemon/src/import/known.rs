//! Which samples the log holds already, a few days at a time.

use history::Look;
use observation::{ChannelIndex, StationIndex, Time, Value};
use std::collections::{HashMap, VecDeque};

/// Days of stations that are remembered.
const DAYS: usize = 16;

/// How a sample stands to those that are held.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Standing {
    /// Nothing is held at its place.
    New,
    /// The same value is.
    Same,
    /// Another value is: the first stays.
    Other,
}

/// The samples of one station and UTC day.
type Day = HashMap<(ChannelIndex, Time), Value>;

/// See the module.
#[derive(Debug, Default)]
pub(super) struct Known {
    days: VecDeque<((StationIndex, i64), Day)>,
}

impl Known {
    /// Compares a sample with what is held, and remembers it.
    pub(super) fn put(
        &mut self,
        look: Look<'_>,
        station: StationIndex,
        channel: ChannelIndex,
        time: Time,
        value: &Value,
    ) -> Result<Standing, String> {
        let key = (station, time.utc_day());
        if self.days.back().is_none_or(|(held, _)| *held != key) {
            let place = self.days.iter().position(|(held, _)| *held == key);
            let remembered = place.and_then(|place| self.days.remove(place));
            let day = if let Some((_, day)) = remembered {
                day
            } else {
                let mut day = Day::new();
                look.each_of_day(station, key.1, &mut |held| {
                    day.entry((held.channel, held.time)).or_insert(held.value);
                })
                .map_err(|e| e.to_string())?;
                day
            };
            self.days.push_back((key, day));
            if self.days.len() > DAYS {
                self.days.pop_front();
            }
        }
        let Some((_, day)) = self.days.back_mut() else { return Ok(Standing::New) };
        Ok(match day.get(&(channel, time)) {
            None => {
                day.insert((channel, time), value.clone());
                Standing::New
            }
            Some(held) if held == value => Standing::Same,
            Some(_) => Standing::Other,
        })
    }
}
