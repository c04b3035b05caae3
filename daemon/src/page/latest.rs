//! `GET /v1/latest`.

use super::Page;
use crate::newest::{self, Newest};
use crate::snapshot::Snapshot;
use axum::Json;
use axum::extract::State;
use observation::reading::decimal_text;
use observation::{Quantity, Time};
use serde::Serialize;
use std::sync::Arc;

/// One newest value, with the fields of a reading's line.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct Row {
    time: String,
    station: String,
    instrument: String,
    quantity: &'static str,
    statistic: &'static str,
    over: Option<String>,
    period: Option<String>,
    value: Option<serde_json::Number>,
    unit: &'static str,
    flag: &'static str,
    reasons: Vec<&'static str>,
    fresh: bool,
}

impl Row {
    pub(super) fn of(newest: &Newest<'_>) -> Self {
        Self {
            time: newest.time.to_string(),
            station: newest.station.to_owned(),
            instrument: newest.instrument.to_owned(),
            quantity: newest.quantity.name(),
            statistic: newest.statistic.word(),
            over: newest.over.map(|s| s.to_string()),
            period: newest.period.map(|s| s.to_string()),
            value: newest.value.and_then(|v| number(newest.quantity, v)),
            unit: newest.quantity.unit(),
            flag: newest.flag.word(),
            reasons: newest.reasons.iter().map(observation::Reason::word).collect(),
            fresh: newest.fresh,
        }
    }
}

/// The steps of a quantity as the same decimal number that a line has.
pub(super) fn number(quantity: Quantity, steps: i64) -> Option<serde_json::Number> {
    decimal_text(steps, quantity.decimals()).parse().ok()
}

/// Rain of one gauge.
#[derive(Debug, Serialize)]
struct RainRow {
    station: String,
    instrument: String,
    since_start: Option<serde_json::Number>,
    rain_day: Option<serde_json::Number>,
    rain_day_began: String,
    unit: &'static str,
}

#[derive(Debug, Serialize)]
pub(super) struct Latest {
    time: String,
    #[serde(rename = "latest")]
    rows: Vec<Row>,
    rain: Vec<RainRow>,
}

/// The answer.
pub(super) async fn latest(State(page): State<Arc<Page>>) -> Json<Latest> {
    Json(of(&page.view.snapshot(), page.view.clock.now()))
}

fn of(snapshot: &Snapshot, now: Time) -> Latest {
    Latest {
        time: now.to_string(),
        rows: newest::all(snapshot, now).map(|n| Row::of(&n)).collect(),
        rain: rain(snapshot),
    }
}

fn rain(snapshot: &Snapshot) -> Vec<RainRow> {
    let depth = Quantity::PrecipitationDepth;
    let row = |rain: &crate::snapshot::Rain| {
        let instrument = snapshot.property.instruments.get(rain.instrument.0 as usize)?;
        let station = snapshot.property.stations.get(usize::from(instrument.station.0))?;
        Some(RainRow {
            station: station.id.clone(),
            instrument: instrument.id.clone(),
            since_start: number(depth, rain.total),
            rain_day: number(depth, rain.day),
            rain_day_began: rain.day_started.to_string(),
            unit: depth.unit(),
        })
    };
    snapshot.rain.iter().filter_map(row).collect()
}
