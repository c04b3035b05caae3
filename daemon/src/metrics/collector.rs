//! One registry with one collector, which makes all families anew at each scrape.

use super::exposition;
use crate::snapshot::View;
use prometheus::core::{Collector, Desc};
use prometheus::proto::MetricFamily;
use prometheus::{Registry, TextEncoder};
use std::collections::HashMap;

/// The content type of the text format 0.0.4.
pub const CONTENT_TYPE: &str = "text/plain; version=0.0.4; charset=utf-8";

/// The metrics of one run.
#[derive(Clone)]
pub struct Metrics {
    registry: Registry,
}

impl Metrics {
    /// Collects from a view.
    ///
    /// # Errors
    /// The registry refuses the collector, in one line.
    pub fn new(view: View) -> Result<Self, String> {
        let registry = Registry::new();
        let description = Desc::new(
            "isobarn_build_info".to_owned(),
            "Stands for all metrics, which are made at each scrape.".to_owned(),
            Vec::new(),
            HashMap::new(),
        )
        .map_err(|e| e.to_string())?;
        registry
            .register(Box::new(FromSnapshot { view, description }))
            .map_err(|e| e.to_string())?;
        Ok(Self { registry })
    }

    /// The exposition as text.
    ///
    /// # Errors
    /// The encoder's, in one line.
    pub fn text(&self) -> Result<String, String> {
        encode(&self.registry.gather())
    }
}

/// Families as text.
pub(super) fn encode(families: &[MetricFamily]) -> Result<String, String> {
    TextEncoder::new().encode_to_string(families).map_err(|e| e.to_string())
}

struct FromSnapshot {
    view: View,
    description: Desc,
}

impl Collector for FromSnapshot {
    fn desc(&self) -> Vec<&Desc> {
        vec![&self.description]
    }

    fn collect(&self) -> Vec<MetricFamily> {
        exposition(
            &self.view.snapshot(),
            &self.view.counts,
            self.view.settings.http.doubtful,
            self.view.clock.now(),
        )
        .into_families()
    }
}
