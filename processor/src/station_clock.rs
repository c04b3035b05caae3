//! Stations whose clock runs ahead: ten samples in a row that state a time beyond what their
//! station may state. What they say is set aside and is in no record of samples, so that this
//! is a view of the running service, like what it counts: it is neither logged nor replayed,
//! and is counted anew after a restart.

use crate::Processor;
use observation::diagnosis::{Stage, told};
use observation::time::HOUR;
use observation::{Diagnosis, Evidence, Span, Time};
use quality::diagnosis::Cause;
use std::collections::VecDeque;

/// Samples in a row after which the clock is thought to be wrong.
const IN_A_ROW: usize = 10;
/// Their clock is all that they agree on.
const CONFIDENCE: f64 = 0.95;

/// Of one station: when each of its last samples came and how far ahead the time was that it
/// stated, as long as all of them were.
#[derive(Clone, Debug, Default)]
pub(crate) struct StationClock {
    row: VecDeque<(Time, Span)>,
    since: Option<Time>,
}

impl StationClock {
    /// A sample states a time beyond what is believed.
    pub(crate) fn ahead(&mut self, received: Time, by: Span) {
        self.since.get_or_insert(received);
        if self.row.len() >= IN_A_ROW {
            self.row.pop_front();
        }
        self.row.push_back((received, by));
    }

    /// A sample states a time that is believed.
    pub(crate) fn believed(&mut self) {
        self.row.clear();
        self.since = None;
    }

    fn diagnosis(&self, station: &str) -> Option<Diagnosis> {
        let since = self.since.filter(|_| self.row.len() >= IN_A_ROW)?;
        let (to, _) = self.row.back()?;
        let mut spans: Vec<Span> = self.row.iter().map(|(_, by)| *by).collect();
        spans.sort();
        let (low, high) = (spans.get((IN_A_ROW - 1) / 2)?, spans.get(IN_A_ROW / 2)?);
        let hours = f64::midpoint(low.0 as f64, high.0 as f64) / HOUR as f64;
        Some(Diagnosis {
            time: *to,
            station: Some(station.to_owned()),
            instrument: None,
            cause: Cause::StationClockWrong.word().to_owned(),
            stage: Stage::Opened,
            since,
            size: told(hours, 3),
            confidence: CONFIDENCE,
            evidence: Evidence {
                words: format!(
                    "{IN_A_ROW} samples in a row state a time {hours:.2} h after their arrival; they are set aside"
                ),
                numbers: vec![("samples".to_owned(), IN_A_ROW as f64)],
                from: since,
                to: *to,
            },
        })
    }
}

impl Processor {
    /// Stations whose clock is ahead of what is believed, now.
    pub fn clocks_ahead(&self) -> Vec<Diagnosis> {
        let stations = self.property.stations.iter().zip(&self.clocks);
        stations.filter_map(|(station, clock)| clock.diagnosis(&station.id)).collect()
    }
}
