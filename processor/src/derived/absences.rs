//! Why what could be derived is not there at present: for people who look at a station,
//! not for computing.

use super::recipes::Input;
use meteorology::validity::OutOfRange;
use observation::{SeriesIndex, Time};
use std::collections::BTreeMap;

/// A reason.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Why {
    /// No reading to compute with.
    NoReading(Input),
    /// Outside the validity of the formula.
    Formula(OutOfRange),
    /// Something else, in words.
    Words(&'static str),
}

impl Why {
    pub(crate) fn text(&self) -> String {
        match self {
            Self::NoReading(input) => {
                format!("no usable reading of {} in this minute", input.quantity())
            }
            Self::Formula(out_of_range) => out_of_range.reason(),
            Self::Words(words) => (*words).to_owned(),
        }
    }
}

/// What is absent, since which minute and why, by series.
#[derive(Debug, Default)]
pub(crate) struct Absences {
    held: BTreeMap<SeriesIndex, (Time, Why)>,
    newest: BTreeMap<SeriesIndex, Time>,
}

impl Absences {
    /// Tells what came of a series at a minute; what is said of an earlier one afterwards
    /// makes no difference.
    pub(crate) fn tell(&mut self, series: SeriesIndex, minute: Time, why: Option<Why>) {
        let newest = self.newest.entry(series).or_insert(minute);
        if minute < *newest {
            return;
        }
        *newest = minute;
        match why {
            Some(why) => {
                let since = self.held.get(&series).map_or(minute, |held| held.0);
                self.held.insert(series, (since, why));
            }
            None => {
                self.held.remove(&series);
            }
        }
    }

    /// All of them: series, the first minute without a value, why.
    pub(crate) fn all(&self) -> impl Iterator<Item = (SeriesIndex, Time, &Why)> {
        self.held.iter().map(|(&series, (since, why))| (series, *since, why))
    }
}
