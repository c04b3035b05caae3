//! The tables that there is one of: `[property]`, `[history]`, `[http]`, `[control]` and
//! `[processor]`. A table that is left out reads as its usual values.

use crate::plan::Plan;
use crate::reader::{Item, Table};
use crate::settings::{ControlSettings, HistorySettings, HttpSettings, ProcessorSettings};
use crate::station::elevation;
use observation::Span;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;

pub(crate) fn property(root: &Table<'_>, plan: &mut Plan<'_>) {
    let Some(item) = root.required("property", "{ name, latitude, longitude, elevation, time_zone, rain_day_starts }, as a table [property]") else { return };
    let Some(table) = item.table("[property]") else { return };
    let property = &mut plan.property;
    if let Some(name) = table.required("name", "\"Alder Croft\"").and_then(|i| i.line()) {
        name.clone_into(&mut property.name);
    }
    let latitude =
        table.required("latitude", "54.07").and_then(|i| i.degrees((-90.0, 90.0), "54.07"));
    let longitude =
        table.required("longitude", "-2.28").and_then(|i| i.degrees((-180.0, 180.0), "-2.28"));
    property.latitude = latitude.unwrap_or_default();
    property.longitude = longitude.unwrap_or_default();
    property.elevation =
        table.required("elevation", "\"212 m\"").and_then(|i| elevation(&i)).unwrap_or_default();
    "UTC".clone_into(&mut property.time_zone);
    if let Some((name, zone)) = table.item("time_zone").and_then(|i| i.zone()) {
        property.time_zone = name;
        plan.zone = zone;
    }
    property.days = crate::days::read(&table, &plan.zone);
    table.finish();
}

pub(crate) fn history(root: &Table<'_>) -> HistorySettings {
    let mut history = HistorySettings {
        directory: PathBuf::from("/var/lib/isobarn"),
        commit_interval: Span::seconds(1),
        point_step: Span::minutes(1),
        keep_samples: 4_000_000_000,
        keep_samples_for: None,
    };
    let Some(table) = root.table("history") else { return history };
    if let Some(directory) = table.item("directory").and_then(|i| path(&i)) {
        history.directory = directory;
    }
    if let Some(item) = table.item("commit_interval") {
        history.commit_interval = item
            .span_within(Span::ZERO, Span::seconds(60), "1 s")
            .unwrap_or(history.commit_interval);
    }
    if let Some(item) = table.item("point_step") {
        let step = item.span_within(Span::minutes(1), Span::hours(1), "1 min");
        match step {
            Some(step) if Span::hours(1).0 % step.0 == 0 && step.0 % Span::minutes(1).0 == 0 => {
                history.point_step = step;
            }
            Some(_) => item.fault(
                "`point_step` is a whole number of minutes that divides an hour",
                "write 1, 2, 3, 4, 5, 6, 10, 12, 15, 20, 30 or 60 min",
            ),
            None => {}
        }
    }
    if let Some(bytes) = table.item("keep_samples").and_then(|i| i.bytes("4 GB")) {
        history.keep_samples = bytes;
    }
    if let Some(item) = table.item("keep_samples_for") {
        history.keep_samples_for = item.span_within(Span::days(33), Span::days(36_500), "730 d");
    }
    table.finish();
    history
}

pub(crate) fn http(root: &Table<'_>) -> HttpSettings {
    let mut http =
        HttpSettings { listen: SocketAddr::from((Ipv4Addr::LOCALHOST, 8673)), doubtful: false };
    let Some(table) = root.table("http") else { return http };
    if let Some(listen) = table.item("listen").and_then(|i| i.address("127.0.0.1:8673")) {
        http.listen = listen;
    }
    if let Some(doubtful) = table.item("doubtful").and_then(|i| i.boolean()) {
        http.doubtful = doubtful;
    }
    table.finish();
    http
}

pub(crate) fn control(root: &Table<'_>) -> ControlSettings {
    let Some(table) = root.table("control") else { return ControlSettings::default() };
    let socket = table.item("socket").and_then(|i| path(&i));
    table.finish();
    ControlSettings { socket }
}

pub(crate) fn processor(root: &Table<'_>) -> ProcessorSettings {
    let event_gap = observation::signal::gauge::EVENT_GAP;
    let mut processor = ProcessorSettings { grace: Span::seconds(5), event_gap };
    let Some(table) = root.table("processor") else { return processor };
    if let Some(item) = table.item("grace") {
        processor.grace =
            item.span_within(Span::ZERO, Span::seconds(60), "5 s").unwrap_or(processor.grace);
    }
    if let Some(item) = table.item("event_gap") {
        processor.event_gap = item
            .span_within(Span::minutes(10), Span::days(7), "6 h")
            .unwrap_or(processor.event_gap);
    }
    table.finish();
    processor
}

/// A path, relative to the file that says it.
fn path(item: &Item<'_>) -> Option<PathBuf> {
    let text = item.text()?;
    if text.is_empty() || text.contains('\0') {
        item.fault(&format!("`{}` is a path", item.key), "");
        return None;
    }
    Some(crate::document::resolve(&item.report.documents.directory(&item.span), text))
}
