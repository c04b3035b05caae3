//! What is held of which instrument: opened, looked at again, closed.

use observation::diagnosis::{Stage, told};
use observation::{Diagnosis, Evidence, Time};
use quality::diagnosis::{Cause, SURE};
use serde::{Deserialize, Serialize};

/// Most that are open at a time; more are not opened.
const MOST: usize = 1_024;

/// A finding, before it has names.
#[derive(Clone, Debug)]
pub(crate) struct Finding {
    pub(crate) time: Time,
    pub(crate) station: Option<String>,
    pub(crate) instrument: Option<String>,
    pub(crate) cause: Cause,
    pub(crate) since: Time,
    pub(crate) size: Option<f64>,
    pub(crate) confidence: f64,
    pub(crate) words: String,
    pub(crate) numbers: Vec<(&'static str, f64)>,
}

impl Finding {
    fn diagnosis(self, stage: Stage) -> Diagnosis {
        let numbers = self
            .numbers
            .into_iter()
            .filter_map(|(name, number)| Some((name.to_owned(), told(number, 3)?)))
            .collect();
        Diagnosis {
            time: self.time,
            station: self.station,
            instrument: self.instrument,
            cause: self.cause.word().to_owned(),
            stage,
            since: self.since,
            size: self.size.and_then(|size| told(size, 3)),
            confidence: told(self.confidence.clamp(0.0, 1.0), 3).unwrap_or(0.0),
            evidence: Evidence { words: self.words, numbers, from: self.since, to: self.time },
        }
    }
}

/// All that are open, oldest first.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Opinions {
    open: Vec<Diagnosis>,
}

impl Opinions {
    /// What is open.
    pub(crate) fn open(&self) -> &[Diagnosis] {
        &self.open
    }

    fn place(&self, station: Option<&str>, instrument: Option<&str>, cause: &str) -> Option<usize> {
        self.open.iter().position(|d| {
            d.cause == cause
                && d.station.as_deref() == station
                && d.instrument.as_deref() == instrument
        })
    }

    /// Whether one of these causes is held of an instrument.
    pub(crate) fn holds(&self, station: &str, instrument: &str, causes: &[Cause]) -> bool {
        causes.iter().any(|c| self.place(Some(station), Some(instrument), c.word()).is_some())
    }

    /// Whether an instrument is surely wrong, and since when.
    pub(crate) fn wrong_since(&self, station: &str, instrument: &str) -> Option<Time> {
        self.open
            .iter()
            .filter(|d| {
                d.station.as_deref() == Some(station)
                    && d.instrument.as_deref() == Some(instrument)
                    && d.confidence >= SURE
            })
            .map(|d| d.time)
            .min()
    }

    /// Opens a finding, or looks again at what is open of it.
    pub(crate) fn hold(&mut self, finding: Finding, out: &mut Vec<Diagnosis>) {
        let cause = finding.cause.word();
        match self.place(finding.station.as_deref(), finding.instrument.as_deref(), cause) {
            Some(place) => {
                let said = finding.diagnosis(Stage::Changed);
                if let Some(open) = self.open.get_mut(place) {
                    *open = said.clone();
                }
                out.push(said);
            }
            None if self.open.len() >= MOST => {}
            None => {
                let said = finding.diagnosis(Stage::Opened);
                self.open.push(said.clone());
                out.push(said);
            }
        }
    }

    /// Closes what is open of a cause, if it is.
    pub(crate) fn close(
        &mut self,
        station: Option<&str>,
        instrument: Option<&str>,
        cause: Cause,
        time: Time,
        out: &mut Vec<Diagnosis>,
    ) {
        if let Some(place) = self.place(station, instrument, cause.word()) {
            let mut said = self.open.remove(place);
            said.stage = Stage::Closed;
            said.time = time;
            said.evidence.to = time;
            out.push(said);
        }
    }
}
