//! `GET /v1/stations`.

use super::Page;
use crate::counts::Counts;
use crate::snapshot::Snapshot;
use axum::Json;
use axum::extract::State;
use observation::{StationIndex, Time};
use serde::Serialize;
use std::sync::Arc;

#[derive(Debug, Serialize)]
pub(super) struct Stations {
    time: String,
    /// The property's UUID, made once with its history.
    property_id: String,
    /// Fingerprint of the settings that readings depend on.
    settings_epoch: String,
    /// Up to when minutes were evaluated, and when the figures were last gathered.
    evaluated: String,
    gathered: String,
    stations: Vec<StationRow>,
}

#[derive(Debug, Serialize)]
struct StationRow {
    id: String,
    name: String,
    latitude: f64,
    longitude: f64,
    elevation: f64,
    interval: String,
    up: bool,
    last_received: Option<String>,
    instruments: Vec<InstrumentRow>,
    refused: Vec<RefusedRow>,
}

#[derive(Debug, Serialize)]
struct InstrumentRow {
    id: String,
    quantity: &'static str,
    unit: &'static str,
    channel: String,
    height: Option<f64>,
}

#[derive(Debug, Serialize)]
struct RefusedRow {
    time: String,
    stage: &'static str,
    reason: &'static str,
    detail: String,
}

/// The answer.
pub(super) async fn stations(State(page): State<Arc<Page>>) -> Json<Stations> {
    Json(of(&page.view.snapshot(), &page.view.counts, page.view.clock.now()))
}

fn of(snapshot: &Snapshot, counts: &Counts, now: Time) -> Stations {
    let property = &snapshot.property;
    let rows = (0_u16..).map(StationIndex).zip(&property.stations).map(|(index, station)| {
        let state = snapshot.stations.get(usize::from(index.0)).copied().unwrap_or_default();
        let instruments = property
            .instruments
            .iter()
            .filter(|i| i.station == index)
            .map(|i| InstrumentRow {
                id: i.id.clone(),
                quantity: i.quantity.name(),
                unit: i.quantity.unit(),
                channel: property
                    .channels
                    .get(i.channel.0 as usize)
                    .map(|c| c.name.clone())
                    .unwrap_or_default(),
                height: i.height,
            })
            .collect();
        let refused = counts
            .last_refusals(Some(index))
            .into_iter()
            .map(|r| RefusedRow {
                time: r.time.to_string(),
                stage: r.stage.word(),
                reason: r.reason.word(),
                detail: r.detail,
            })
            .collect();
        StationRow {
            id: station.id.clone(),
            name: station.name.clone(),
            latitude: station.latitude,
            longitude: station.longitude,
            elevation: station.elevation,
            interval: station.interval.to_string(),
            up: snapshot.station_up(index, now),
            last_received: state.seen.map(|t| t.to_string()),
            instruments,
            refused,
        }
    });
    Stations {
        time: now.to_string(),
        property_id: snapshot.property_id.to_string(),
        settings_epoch: format!("{:016x}", snapshot.epoch),
        evaluated: snapshot.walked.to_string(),
        gathered: snapshot.made.to_string(),
        stations: rows.collect(),
    }
}
