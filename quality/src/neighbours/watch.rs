//! Suspicions of the tests that look at whole hours: opened with the evidence, closed a
//! day after it is gone.

use super::suspicion::{Kind, State, Suspicion, confidence};
use observation::{Quantity, Time};
use serde::{Deserialize, Serialize};

/// Hours without evidence after which a suspicion closes.
const QUIET_HOURS: usize = 24;

/// What a test holds in this hour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Evidence {
    pub(super) kind: Kind,
    pub(super) station: usize,
    pub(super) quantity: Quantity,
    pub(super) since: Time,
    pub(super) size: Option<f64>,
    pub(super) score: f64,
    pub(super) limit: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Watch {
    kind: Kind,
    station: usize,
    quantity: Quantity,
    /// Milliseconds since 1970.
    since: i64,
    size: Option<f64>,
    score: f64,
    confidence: f64,
    quiet: usize,
}

/// What is open.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Watches {
    open: Vec<Watch>,
}

impl Watch {
    fn suspicion(&self, state: State) -> Suspicion {
        Suspicion {
            state,
            station: Some(self.station),
            quantity: self.quantity,
            kind: self.kind,
            since: Time(self.since),
            size: self.size,
            error: None,
            score: self.score,
            confidence: self.confidence,
        }
    }

    fn is(&self, evidence: &Evidence) -> bool {
        self.kind == evidence.kind
            && self.station == evidence.station
            && self.quantity == evidence.quantity
    }
}

impl Watches {
    /// Whether an instrument is thought to stand still.
    pub(super) fn stuck(&self, station: usize, quantity: Quantity) -> bool {
        self.holds(Kind::Stuck, station, |of| of == quantity)
    }

    /// Whether a value is explained by what is open: it then says nothing of the weather.
    pub(super) fn explains(&self, station: usize, quantity: Quantity) -> bool {
        self.stuck(station, quantity) || self.holds(Kind::Clock, station, |_| true)
    }

    /// Whether anything is open.
    pub(super) const fn any(&self) -> bool {
        !self.open.is_empty()
    }

    /// Drops what is open of an instrument.
    pub(super) fn drop_of(&mut self, station: usize, quantity: Quantity) {
        self.open.retain(|watch| (watch.station, watch.quantity) != (station, quantity));
    }

    fn holds(&self, kind: Kind, station: usize, of: impl Fn(Quantity) -> bool) -> bool {
        self.open.iter().any(|w| w.kind == kind && w.station == station && of(w.quantity))
    }

    /// Takes all evidence of one hour.
    pub(super) fn take(&mut self, evidence: &[Evidence], out: &mut Vec<Suspicion>) {
        for watch in &mut self.open {
            watch.quiet += 1;
        }
        for found in evidence {
            let confidence = confidence(found.score, found.limit);
            if let Some(watch) = self.open.iter_mut().find(|watch| watch.is(found)) {
                watch.quiet = 0;
                if confidence > watch.confidence {
                    (watch.size, watch.score, watch.confidence) =
                        (found.size, found.score, confidence);
                }
            } else {
                let watch = Watch {
                    kind: found.kind,
                    station: found.station,
                    quantity: found.quantity,
                    since: found.since.0,
                    size: found.size,
                    score: found.score,
                    confidence,
                    quiet: 0,
                };
                out.push(watch.suspicion(State::Opened));
                self.open.push(watch);
            }
        }
        self.open.retain(|watch| {
            let over = watch.quiet >= QUIET_HOURS;
            if over {
                out.push(watch.suspicion(State::Closed));
            }
            !over
        });
    }
}
