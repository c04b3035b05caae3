//! Families of metrics put together by hand, so that a series is there in one scrape
//! and gone in the next. No sample ever gets a time stamp: that would hide the end of
//! a series from whoever scrapes.

use prometheus::proto::{
    Bucket, Counter, Gauge, Histogram, LabelPair, Metric, MetricFamily, MetricType,
};
use std::collections::{BTreeMap, HashSet};

/// The families of one scrape, ordered by name.
#[derive(Debug, Default)]
pub struct Exposition {
    families: BTreeMap<String, MetricFamily>,
    /// Names and labels of what is there: a series that stood twice would make the
    /// whole scrape void.
    seen: HashSet<String>,
}

/// A label: name and value. Values come from the settings only, never from a payload.
pub type Label<'a> = (&'static str, &'a str);

impl Exposition {
    /// Adds a sample of a gauge.
    pub fn gauge(&mut self, name: &str, help: &str, labels: &[Label<'_>], value: f64) {
        let mut metric = labelled(labels);
        let mut gauge = Gauge::default();
        gauge.set_value(value);
        metric.set_gauge(gauge);
        self.add(name, help, MetricType::GAUGE, metric);
    }

    /// Adds a sample of a counter, whose name ends in `_total`.
    pub fn counter(&mut self, name: &str, help: &str, labels: &[Label<'_>], value: f64) {
        let mut metric = labelled(labels);
        let mut counter = Counter::default();
        counter.set_value(value);
        metric.set_counter(counter);
        self.add(name, help, MetricType::COUNTER, metric);
    }

    /// Adds a histogram without labels. `buckets` are upper bounds with the count of
    /// what is at most that much.
    pub fn histogram(
        &mut self,
        name: &str,
        help: &str,
        buckets: &[(f64, u64)],
        sum: f64,
        count: u64,
    ) {
        let mut metric = labelled(&[]);
        let mut histogram = Histogram::default();
        histogram.set_sample_sum(sum);
        histogram.set_sample_count(count);
        histogram.set_bucket(
            buckets
                .iter()
                .map(|&(bound, below)| {
                    let mut bucket = Bucket::default();
                    bucket.set_upper_bound(bound);
                    bucket.set_cumulative_count(below);
                    bucket
                })
                .collect(),
        );
        metric.set_histogram(histogram);
        self.add(name, help, MetricType::HISTOGRAM, metric);
    }

    fn add(&mut self, name: &str, help: &str, kind: MetricType, metric: Metric) {
        let mut series = name.to_owned();
        for label in metric.get_label() {
            series.extend(["\0", label.name(), "\0", label.value()]);
        }
        if !self.seen.insert(series) {
            return;
        }
        if let Some(family) = self.families.get_mut(name) {
            family.mut_metric().push(metric);
            return;
        }
        let mut family = MetricFamily::default();
        family.set_name(name.to_owned());
        family.set_help(help.to_owned());
        family.set_field_type(kind);
        family.set_metric(vec![metric]);
        self.families.insert(name.to_owned(), family);
    }

    /// The families.
    pub fn into_families(self) -> Vec<MetricFamily> {
        self.families.into_values().collect()
    }
}

fn labelled(labels: &[Label<'_>]) -> Metric {
    Metric::from_label(
        labels
            .iter()
            .map(|&(name, value)| {
                let mut pair = LabelPair::default();
                pair.set_name(name.to_owned());
                pair.set_value(value.to_owned());
                pair
            })
            .collect(),
    )
}
