//! `GET /v1/latest`.

use super::Page;
use crate::newest::{self, Newest};
use crate::snapshot::Snapshot;
use axum::Json;
use axum::extract::State;
use meteorology::rain::Total;
use meteorology::summaries::Extreme;
use observation::reading::{decimal_text, from_steps};
use observation::{Quantity, Time};
use processor::totals::{Fallen, Lately};
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
    totals: Vec<FallenRow>,
    event: Option<EventRow>,
}

/// What fell in a span that ends now.
#[derive(Debug, Serialize)]
struct FallenRow {
    span: &'static str,
    #[serde(flatten)]
    depth: Depth,
}

/// A depth, and of how much time nothing is known.
#[derive(Debug, Serialize)]
struct Depth {
    from: String,
    depth: Option<serde_json::Number>,
    missing: String,
    text: String,
}

impl Depth {
    fn of(fallen: &Fallen) -> Self {
        let depth = Quantity::PrecipitationDepth;
        let total = Total {
            depth: from_steps(fallen.steps, depth.decimals()),
            covered: fallen.covered,
            missing: fallen.missing,
        };
        Self {
            from: fallen.from.to_string(),
            depth: number(depth, fallen.steps),
            missing: fallen.missing.to_string(),
            text: total.text(),
        }
    }
}

/// The rain that falls, else the last.
#[derive(Debug, Serialize)]
struct EventRow {
    #[serde(flatten)]
    depth: Depth,
    last_fall: String,
    lasts: bool,
}

/// The highest gusts of one cup.
#[derive(Debug, Serialize)]
struct GustRow {
    station: String,
    instrument: String,
    over: Option<String>,
    unit: &'static str,
    hour: Option<Highest>,
    day: Option<Highest>,
    day_began: String,
}

#[derive(Debug, Serialize)]
struct Highest {
    value: Option<serde_json::Number>,
    time: String,
}

/// A quantity that is not derived at present.
#[derive(Debug, Serialize)]
struct AbsentRow {
    station: String,
    quantity: &'static str,
    since: Option<String>,
    reason: String,
}

#[derive(Debug, Serialize)]
pub(super) struct Latest {
    time: String,
    #[serde(rename = "latest")]
    rows: Vec<Row>,
    rain: Vec<RainRow>,
    gusts: Vec<GustRow>,
    absent: Vec<AbsentRow>,
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
        gusts: gusts(snapshot),
        absent: absent(snapshot),
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
            rain_day: number(depth, rain.totals.of(Lately::RainDay).steps),
            rain_day_began: rain.totals.of(Lately::RainDay).from.to_string(),
            unit: depth.unit(),
            totals: rain
                .totals
                .all()
                .map(|(l, f)| FallenRow { span: l.word(), depth: Depth::of(f) })
                .collect(),
            event: rain.totals.spell.map(|spell| EventRow {
                depth: Depth::of(&spell.fallen),
                last_fall: spell.last_fall.to_string(),
                lasts: spell.lasts,
            }),
        })
    };
    snapshot.rain.iter().filter_map(row).collect()
}

fn gusts(snapshot: &Snapshot) -> Vec<GustRow> {
    let row = |gusts: &processor::totals::Gusts| {
        let series = snapshot.series.get(gusts.series.0 as usize)?;
        let highest = |e: Extreme| Highest {
            value: number(series.quantity, e.steps),
            time: e.at.to_string(),
        };
        Some(GustRow {
            station: series.station.clone(),
            instrument: series.instrument.clone(),
            over: series.over.map(|s| s.to_string()),
            unit: series.quantity.unit(),
            hour: gusts.hour.map(highest),
            day: gusts.day.map(highest),
            day_began: gusts.day_from.to_string(),
        })
    };
    snapshot.gusts.iter().filter_map(row).collect()
}

fn absent(snapshot: &Snapshot) -> Vec<AbsentRow> {
    let row = |absent: &processor::Absent| AbsentRow {
        station: absent.station.clone(),
        quantity: absent.quantity.name(),
        since: absent.since.map(|t| t.to_string()),
        reason: absent.reason.clone(),
    };
    snapshot.absent.iter().map(row).collect()
}
