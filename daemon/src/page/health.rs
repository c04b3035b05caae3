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

impl Health {
    /// What is not as it should be, each in a few words.
    pub(super) fn reasons(self) -> Vec<String> {
        self.reasons
    }
}

/// The answer.
pub(super) async fn health(State(page): State<Arc<Page>>) -> (StatusCode, Json<Health>) {
    let health = of(&page.view.snapshot(), &page.view.counts, page.view.clock.now());
    let status =
        if health.status == "failed" { StatusCode::SERVICE_UNAVAILABLE } else { StatusCode::OK };
    (status, Json(health))
}

pub(super) fn of(snapshot: &Snapshot, counts: &Counts, now: Time) -> Health {
    use adapters::port::State;
    let (mut failed, mut degraded) = (Vec::new(), Vec::new());
    if let Some(fault) = &snapshot.history.fault {
        failed.push(format!("nothing can be committed: {fault}"));
    }
    let still = counts.since_beat();
    if still > STILL {
        failed.push(format!("the processor has made no progress for {} s", still.as_secs()));
    }
    for source in counts.sources() {
        let (State::Down(reason) | State::Fault(reason)) = source.now().state else { continue };
        let list =
            if LISTENERS.contains(&source.kind.as_str()) { &mut failed } else { &mut degraded };
        list.push(format!("source {}: {reason}", source.name));
    }
    for forwarder in counts.forwarders() {
        let standing = forwarder.now();
        if let State::Down(reason) | State::Fault(reason) = standing.state {
            degraded.push(format!("forwarder {}: {reason}", forwarder.name));
        } else if standing.behind_since.is_some_and(|since| now - since > BEHIND) {
            let waiting = forwarder.backlog(&snapshot.history);
            degraded.push(format!("forwarder {}: {waiting} readings wait", forwarder.name));
        }
    }
    for (index, station) in (0_u16..).zip(&snapshot.property.stations) {
        if !snapshot.station_up(StationIndex(index), now) {
            degraded.push(format!("station {} is silent", station.id));
        }
    }
    let status = match (failed.is_empty(), degraded.is_empty()) {
        (false, _) => "failed",
        (true, false) => "degraded",
        (true, true) => "good",
    };
    failed.append(&mut degraded);
    Health { status, reasons: failed }
}
