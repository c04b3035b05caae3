//! Everything as Prometheus metrics, made from one snapshot at each scrape.
//!
//! The rules kept here: labels come from the settings and from closed lists only; a
//! value series is there while its channel speaks by its own rule and gone when it does
//! not, its time stays; counters never decrease within one process.

mod base;
mod collector;
mod diagnoses;
mod exposition;
mod outlook;
#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used)]
pub mod tests;
mod values;

pub use collector::{CONTENT_TYPE, Metrics};

use crate::counts::{Counts, SampleResult};
use crate::snapshot::{COMMIT_BUCKETS, HistoryState, Snapshot};
use adapters::port::State;
use exposition::Exposition;
use observation::refusal::Stage;
use observation::{Refusal, StationIndex, Time};
use std::collections::BTreeMap;

/// All families at one moment.
fn exposition(snapshot: &Snapshot, counts: &Counts, doubtful: bool, now: Time) -> Exposition {
    let mut out = Exposition::default();
    out.gauge(
        "isobarn_build_info",
        "Always 1; the label names the version.",
        &[("version", env!("CARGO_PKG_VERSION"))],
        1.0,
    );
    out.gauge(
        "isobarn_start_timestamp_seconds",
        "When the process started, in seconds since 1970.",
        &[],
        snapshot.started.seconds(),
    );
    values::add(&mut out, snapshot, doubtful, now);
    diagnoses::add(&mut out, snapshot);
    outlook::add(&mut out, snapshot);
    stations(&mut out, snapshot, now);
    sources(&mut out, counts);
    forwarders(&mut out, counts, &snapshot.history);
    refusals(&mut out, snapshot, counts);
    history(&mut out, &snapshot.history);
    out
}

fn stations(out: &mut Exposition, snapshot: &Snapshot, now: Time) {
    for (index, (station, state)) in
        (0_u16..).zip(snapshot.property.stations.iter().zip(&snapshot.stations))
    {
        let labels = [("station", station.id.as_str())];
        out.gauge(
            "isobarn_station_up",
            "1 while any sample of the station came within five of its intervals.",
            &labels,
            truth(snapshot.station_up(StationIndex(index), now)),
        );
        if let Some(seen) = state.seen {
            out.gauge(
                "isobarn_station_seen_timestamp_seconds",
                "When anything last came from the station, in seconds since 1970.",
                &labels,
                seen.seconds(),
            );
        }
    }
}

fn sources(out: &mut Exposition, counts: &Counts) {
    for source in counts.sources() {
        let labels = [("source", source.name.as_str())];
        out.gauge(
            "isobarn_source_up",
            "1 while the source is connected, subscribed or listening; 0 when down or at fault.",
            &labels,
            truth(source.now().state == State::Up),
        );
        out.counter(
            "isobarn_source_sessions_total",
            "Sessions the source began.",
            &labels,
            source.sessions() as f64,
        );
        for result in SampleResult::ALL {
            out.counter(
                "isobarn_samples_total",
                "Samples that came through the source, by what became of them.",
                &[("source", source.name.as_str()), ("result", result.word())],
                source.samples(result) as f64,
            );
        }
    }
}

fn forwarders(out: &mut Exposition, counts: &Counts, history: &HistoryState) {
    for forwarder in counts.forwarders() {
        let labels = [("forwarder", forwarder.name.as_str())];
        out.gauge(
            "isobarn_forwarder_up",
            "1 while the receiver takes what it is given; 0 when it does not or is at fault.",
            &labels,
            truth(forwarder.now().state == State::Up),
        );
        out.gauge(
            "isobarn_forwarder_backlog_readings",
            "Readings in the log that the forwarder has not passed yet.",
            &labels,
            forwarder.backlog(history) as f64,
        );
        let mut counter = |name: &str, help: &str, count: u64| {
            out.counter(name, help, &labels, count as f64);
        };
        counter(
            "isobarn_forwarder_delivered_total",
            "Readings that the receiver took since the start of the process.",
            forwarder.delivered(),
        );
        counter(
            "isobarn_forwarder_given_up_total",
            "Readings given up because of the backlog's limits, ever.",
            forwarder.given_up(),
        );
        counter(
            "isobarn_forwarder_dead_letters_total",
            "Readings that the receiver refused for good, ever.",
            forwarder.dead(),
        );
    }
}

fn refusals(out: &mut Exposition, snapshot: &Snapshot, counts: &Counts) {
    let mut sums: BTreeMap<(Option<StationIndex>, Stage, Refusal), u64> = BTreeMap::new();
    for (station, stage, reason, count) in counts.refusals() {
        *sums.entry((station, stage, reason)).or_default() += count;
    }
    for (index, _) in (0_u16..).zip(&snapshot.property.stations) {
        let station = StationIndex(index);
        let panics = counts.boundary_panics(station);
        if panics > 0 {
            *sums.entry((Some(station), Stage::Process, Refusal::Panic)).or_default() += panics;
        }
    }
    for ((station, stage, reason), count) in sums {
        out.counter(
            "isobarn_samples_refused_total",
            "What arrived and did not become a sample, by station, stage and reason.",
            &[
                ("station", counts.station_name(station)),
                ("stage", stage.word()),
                ("reason", reason.word()),
            ],
            count as f64,
        );
    }
}

fn history(out: &mut Exposition, history: &HistoryState) {
    let mut below = 0;
    let buckets: Vec<(f64, u64)> = COMMIT_BUCKETS
        .iter()
        .zip(&history.commits.buckets)
        .map(|(&bound, &count)| {
            below += count;
            (bound, below)
        })
        .collect();
    out.histogram(
        "isobarn_history_commit_seconds",
        "How long commits took, their sync included.",
        &buckets,
        history.commits.sum,
        history.commits.count,
    );
    for (reason, count) in history.commit_reasons.each() {
        out.counter(
            "isobarn_history_commits_total",
            "Commits of what arrived since the start, by what made each due.",
            &[("reason", reason.word())],
            count as f64,
        );
    }
    out.counter(
        "isobarn_history_written_bytes_total",
        "Bytes handed to the device since the start: write-ahead log, and pages moved from it into the database.",
        &[],
        history.written_bytes as f64,
    );
    out.gauge("isobarn_history_bytes", "Bytes of the history's files.", &[], history.bytes as f64);
    if history.allowed_bytes > 0 {
        out.gauge(
            "isobarn_history_used_bytes",
            "Bytes in use in the history; beyond those allowed the oldest raw samples are deleted.",
            &[],
            history.used_bytes as f64,
        );
        out.gauge(
            "isobarn_history_allowed_bytes",
            "Bytes that `keep_samples` allows.",
            &[],
            history.allowed_bytes as f64,
        );
    }
    out.counter(
        "isobarn_history_deleted_records_total",
        "Records whose raw samples were deleted because they were beyond what is to be kept; their readings stay.",
        &[],
        history.deleted_records as f64,
    );
    out.counter(
        "isobarn_history_repairs_total",
        "Damage found at start and set aside.",
        &[],
        history.repairs.len() as f64,
    );
    out.gauge(
        "isobarn_history_writable",
        "1 while records can be committed.",
        &[],
        truth(history.fault.is_none()),
    );
    if let Some(last) = history.last_commit {
        out.gauge(
            "isobarn_history_last_commit_timestamp_seconds",
            "When the last record was committed, in seconds since 1970.",
            &[],
            last.seconds(),
        );
    }
    for (station, reason, count) in &history.set_aside {
        out.gauge(
            "isobarn_history_set_aside_messages",
            "Messages set aside and not brought in since.",
            &[("station", station), ("reason", reason.word())],
            *count as f64,
        );
    }
    out.counter(
        "isobarn_history_set_aside_given_up_messages_total",
        "Messages set aside and never brought in that were given up, the oldest first, because there were more than may be.",
        &[],
        history.given_up_aside as f64,
    );
}

fn truth(holds: bool) -> f64 {
    if holds { 1.0 } else { 0.0 }
}
