//! The page's listener: what is known and kept, for people and programs, read only.
//!
//! The rules kept here: no viewer, however slow or many, slows a source; every answer
//! is bounded; every name is escaped; nothing here can change anything.

mod connection;
mod display;
mod graphics;
mod health;
mod latest;
mod listener;
mod live;
mod outlook;
mod problem;
mod query;
mod readings;
mod sheet;
mod stations;
mod summaries;
#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used)]
mod tests;

pub use listener::{bind, serve};

use crate::lines::diagnosis::Row;
use crate::metrics::{self, Metrics};
use crate::snapshot::View;
use axum::extract::State;
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router};
use problem::Problem;
use std::sync::Arc;
use tokio_util::sync::CancellationToken;

/// Everything the answers are made of.
pub struct Page {
    view: View,
    metrics: Metrics,
    archive: readings::Archive,
    live: live::Live,
    shelf: sheet::Shelf,
    records: sheet::Records,
    stop: CancellationToken,
}

impl Page {
    /// Shows a view until `stop`.
    ///
    /// # Errors
    /// In one line, why there can be no metrics.
    pub fn new(view: View, stop: CancellationToken) -> Result<Arc<Self>, String> {
        Ok(Arc::new(Self {
            metrics: Metrics::new(view.clone())?,
            archive: readings::Archive::new(&view),
            live: live::Live::default(),
            shelf: sheet::Shelf::default(),
            records: sheet::Records::default(),
            view,
            stop,
        }))
    }
}

/// All paths.
fn router(page: Arc<Page>) -> Router {
    Router::new()
        .route("/", get(sheet::sheet))
        .route("/page/style.css", get(sheet::style))
        .route("/page/live.js", get(sheet::script))
        .route("/display/{file}", get(display::display))
        .route("/health", get(health::health))
        .route("/metrics", get(scrape))
        .route("/v1/latest", get(latest::latest))
        .route("/v1/stations", get(stations::stations))
        .route("/v1/diagnoses", get(diagnoses))
        .route("/v1/outlook", get(outlook::outlook))
        .route("/v1/readings", get(readings::readings))
        .route("/v1/summaries", get(summaries::summaries))
        .route("/v1/live", get(live::live))
        .route("/v1/openapi.json", get(description))
        .fallback(nothing_here)
        .method_not_allowed_fallback(wrong_method)
        .with_state(page)
}

async fn scrape(State(page): State<Arc<Page>>) -> Result<Response, Problem> {
    let text = page.metrics.text().map_err(Problem::unavailable)?;
    Ok(([(header::CONTENT_TYPE, metrics::CONTENT_TYPE)], text).into_response())
}

/// What is held of which instrument, with what to do about it.
async fn diagnoses(State(page): State<Arc<Page>>) -> Json<serde_json::Value> {
    let snapshot = page.view.snapshot();
    let rows: Vec<Row<'_>> = snapshot.diagnoses.iter().map(Row::from).collect();
    Json(serde_json::json!({ "diagnoses": rows }))
}

async fn description() -> Response {
    let text = include_str!("openapi.json").replacen("VERSION", env!("CARGO_PKG_VERSION"), 1);
    ([(header::CONTENT_TYPE, HeaderValue::from_static("application/json"))], text).into_response()
}

async fn nothing_here() -> Problem {
    Problem::not_found("nothing is served here; GET /v1/openapi.json tells what is")
}

async fn wrong_method() -> Problem {
    Problem::method()
}
