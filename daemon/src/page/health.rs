//! `GET /health`: 200 while the service does its work, `degraded` where somebody should
//! look, 503 only where it does not: nothing can be committed, the processor stopped or
//! a listener did.

use super::Page;
use crate::counts::Counts;
use crate::snapshot::Snapshot;
use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use observation::{Span, StationIndex, Time};
use serde::Serialize;
use std::fmt;
use std::sync::Arc;
use std::time::Duration;

/// The engine looks up at least once a second; without progress for this long it stands
/// still.
const STILL: Duration = Duration::from_secs(30);

/// A forwarder that was not caught up for this long has a backlog.
const BEHIND: Span = Span::minutes(10);

/// Kinds of sources that others connect to.
const LISTENERS: [&str; 2] = ["http", "mqtt_inlet"];

#[derive(Debug, PartialEq, Eq, Serialize)]
pub(super) struct Health {
    status: &'static str,
    reasons: Vec<String>,
}

/// One thing that is not as it should be. Programs are told in these words; the page has
/// its own.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Wrong {
    /// Nothing can be committed, and why.
    Uncommitted(String),
    /// The processor stands still for so long.
    Still(Duration),
    /// A source that others connect to does not listen.
    Deaf { source: String, reason: String },
    /// A source is down.
    Source { source: String, reason: String },
    /// A receiver does not take anything.
    Forwarder { forwarder: String, reason: String },
    /// So many readings wait for a receiver.
    Behind { forwarder: String, waiting: u64 },
    /// A station says nothing.
    Silent { station: String },
}

impl Wrong {
    /// Whether the service does not do its work.
    const fn is_failure(&self) -> bool {
        matches!(self, Self::Uncommitted(_) | Self::Still(_) | Self::Deaf { .. })
    }
}

impl fmt::Display for Wrong {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Uncommitted(fault) => write!(f, "nothing can be committed: {fault}"),
            Self::Still(still) => {
                write!(f, "the processor has made no progress for {} s", still.as_secs())
            }
            Self::Deaf { source, reason } | Self::Source { source, reason } => {
                write!(f, "source {source}: {reason}")
            }
            Self::Forwarder { forwarder, reason } => write!(f, "forwarder {forwarder}: {reason}"),
            Self::Behind { forwarder, waiting } => {
                write!(f, "forwarder {forwarder}: {waiting} readings wait")
            }
            Self::Silent { station } => write!(f, "station {station} is silent"),
        }
    }
}

/// The answer.
pub(super) async fn health(State(page): State<Arc<Page>>) -> (StatusCode, Json<Health>) {
    let health = of(&page.view.snapshot(), &page.view.counts, page.view.clock.now());
    let status =
        if health.status == "failed" { StatusCode::SERVICE_UNAVAILABLE } else { StatusCode::OK };
    (status, Json(health))
}

fn of(snapshot: &Snapshot, counts: &Counts, now: Time) -> Health {
    let wrong = all(snapshot, counts, now);
    let status = match wrong.first() {
        Some(first) if first.is_failure() => "failed",
        Some(_) => "degraded",
        None => "good",
    };
    Health { status, reasons: wrong.iter().map(Wrong::to_string).collect() }
}

/// What is not as it should be, failures first.
pub(super) fn all(snapshot: &Snapshot, counts: &Counts, now: Time) -> Vec<Wrong> {
    use adapters::port::State;
    let mut found: Vec<Wrong> = Vec::new();
    found.extend(snapshot.history.fault.clone().map(Wrong::Uncommitted));
    let still = counts.since_beat();
    if still > STILL {
        found.push(Wrong::Still(still));
    }
    for one in counts.sources() {
        let (State::Down(reason) | State::Fault(reason)) = one.now().state else { continue };
        let source = one.name.clone();
        found.push(if LISTENERS.contains(&one.kind.as_str()) {
            Wrong::Deaf { source, reason }
        } else {
            Wrong::Source { source, reason }
        });
    }
    for one in counts.forwarders() {
        let (standing, forwarder) = (one.now(), one.name.clone());
        if let State::Down(reason) | State::Fault(reason) = standing.state {
            found.push(Wrong::Forwarder { forwarder, reason });
        } else if standing.behind_since.is_some_and(|since| now - since > BEHIND) {
            let waiting = one.backlog(&snapshot.history);
            found.push(Wrong::Behind { forwarder, waiting });
        }
    }
    for (index, station) in (0_u16..).zip(&snapshot.property.stations) {
        if !snapshot.station_up(StationIndex(index), now) {
            found.push(Wrong::Silent { station: station.id.clone() });
        }
    }
    found.sort_by_key(|wrong| !wrong.is_failure());
    found
}
