//! What is held of which instrument: opened, looked at again, closed.

use observation::diagnosis::{Stage, told};
use observation::{Diagnosis, Evidence, Span, Time};
use quality::diagnosis::{Cause, SURE};
use serde::{Deserialize, Serialize};

/// What comes and goes closes when it was not seen for so long.
const GONE: Span = Span::days(14);
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
    /// Causes that come and go, by place and name: when they were seen last.
    gone: Vec<Gone>,
    /// What ended with a change of the settings and was not told yet.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    ended: Vec<Diagnosis>,
}

/// Something that was not to be seen lately.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Gone {
    station: Option<String>,
    instrument: Option<String>,
    cause: String,
    since: Time,
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

    /// Ends what no longer stands because the settings changed; it is told with
    /// [`Self::tell_ended`].
    pub(crate) fn end(&mut self, stands: impl Fn(&Diagnosis) -> bool) {
        let open = std::mem::take(&mut self.open);
        for said in open {
            if stands(&said) {
                self.open.push(said);
            } else {
                self.gone.retain(|g| !g.is(&said));
                self.ended.push(said);
            }
        }
    }

    /// Tells what ended with a change of the settings.
    pub(crate) fn tell_ended(&mut self, time: Time, out: &mut Vec<Diagnosis>) {
        for mut said in std::mem::take(&mut self.ended) {
            said.stage = Stage::Closed;
            said.time = time;
            said.evidence.to = time;
            out.push(said);
        }
    }

    /// What is in the log already need not be told again.
    pub(crate) fn was_told(&mut self, told: &[Diagnosis]) {
        let same = |a: &Diagnosis, b: &Diagnosis| {
            (&a.station, &a.instrument, &a.cause) == (&b.station, &b.instrument, &b.cause)
        };
        let closed = |said: &Diagnosis| {
            told.iter().any(|t| t.stage == Stage::Closed && t.since == said.since && same(t, said))
        };
        self.ended.retain(|said| !closed(said));
    }

    /// Whether a cause is held.
    pub(crate) fn open_of(
        &self,
        station: Option<&str>,
        instrument: Option<&str>,
        cause: Cause,
    ) -> bool {
        self.place(station, instrument, cause.word()).is_some()
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
                let mut said = finding.diagnosis(Stage::Changed);
                let seen_again = self.gone.len();
                self.gone.retain(|g| !g.is(&said));
                if let (true, Some(open)) = (self.gone.len() < seen_again, self.open.get(place)) {
                    said.since = said.since.min(open.since);
                }
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

    /// What is open of a cause that comes and goes is not to be seen any more: it closes
    /// when it was not for long.
    pub(crate) fn fade(
        &mut self,
        station: Option<&str>,
        instrument: Option<&str>,
        cause: Cause,
        time: Time,
    ) {
        if self.place(station, instrument, cause.word()).is_some() {
            self.gone.push(Gone {
                station: station.map(str::to_owned),
                instrument: instrument.map(str::to_owned),
                cause: cause.word().to_owned(),
                since: time,
            });
        }
    }

    /// Closes what was not seen for long.
    pub(crate) fn close_gone(&mut self, now: Time, out: &mut Vec<Diagnosis>) {
        while let Some(place) = self.gone.iter().position(|g| now - g.since >= GONE) {
            let gone = self.gone.remove(place);
            if let Some(cause) = Cause::parse(&gone.cause) {
                let (station, instrument) = (gone.station.as_deref(), gone.instrument.as_deref());
                self.close(station, instrument, cause, now, out);
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
            self.gone.retain(|g| !g.is(&said));
            said.stage = Stage::Closed;
            said.time = time;
            said.evidence.to = time;
            out.push(said);
        }
    }
}

impl Gone {
    fn is(&self, said: &Diagnosis) -> bool {
        self.cause == said.cause
            && self.station == said.station
            && self.instrument == said.instrument
    }
}
