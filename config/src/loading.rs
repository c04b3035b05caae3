//! From files to settings: read, put together, decode, resolve.

use crate::adapter::AdapterTable;
use crate::assembly::{assemble, read};
use crate::document::{Documents, Kind};
use crate::fault::Faults;
use crate::page::page;
use crate::plan::Plan;
use crate::reader::{Item, Report, Table, is_identifier};
use crate::sensor::station_of;
use crate::settings::{Examined, ProcessorSettings, Settings};
use crate::single::{control, history, http, processor, property};
use crate::station::token_file;
use crate::token::Owner;
use crate::{sensor, station, timeline};
use jiff::tz::TimeZone;
use observation::Property;
use observation::property::Gateway;
use std::collections::{HashMap, HashSet};
use std::path::Path;
use std::sync::Arc;
use toml::de::DeValue;

/// Most gateways.
const MOST_GATEWAYS: usize = 1_000;
/// Most sources, and most forwarders.
const MOST_ADAPTERS: usize = 200;

/// Reads and checks the settings: the file at `path`, the files `conf.d/*.toml` beside
/// it, then the overrides, each `KEY=VALUE`. Nothing is opened but these and the token
/// files; nothing is written.
///
/// # Errors
/// All faults of the document.
pub fn load(path: &Path, overrides: &[String]) -> Result<Settings, Faults> {
    examine(path, overrides).sound()
}

/// As [`load`], but token files are neither looked for nor read: for commands that need
/// no secret, such as `replay`.
///
/// # Errors
/// All faults of the document.
pub fn load_without_secrets(path: &Path, overrides: &[String]) -> Result<Settings, Faults> {
    read_whole(path, overrides, false).sound()
}

/// As [`load`], but gives what was understood beside what is wrong, for `check`, which
/// tells the faults of the sources' own tables in the same run.
pub fn examine(path: &Path, overrides: &[String]) -> Examined {
    read_whole(path, overrides, true)
}

/// Reads and decodes.
fn read_whole(path: &Path, overrides: &[String], secrets: bool) -> Examined {
    match read(path, overrides) {
        Ok(documents) => decode(&Arc::new(documents), secrets),
        Err(faults) => Examined { settings: None, faults },
    }
}

/// Decodes documents that were read.
fn decode(documents: &Arc<Documents>, secrets: bool) -> Examined {
    let (root, faults) = assemble(documents);
    let map = match root.get_ref() {
        // No file could be read: what is missing then is no fault of its own.
        DeValue::Table(map) if !map.is_empty() || faults.is_empty() => map,
        _ => return Examined { settings: None, faults },
    };
    let report = Report::new(documents, faults);
    let root = Table::new(&report, "the settings file", root.span().start..root.span().start, map);
    let mut plan = Plan {
        report: &report,
        zone: TimeZone::UTC,
        property: Property::default(),
        drafts: Vec::new(),
        named: HashSet::new(),
        sensors_sound: true,
        credentials: Vec::new(),
        secrets,
    };
    property(&root, &mut plan);
    let history = history(&root);
    plan.property.point_step = history.point_step;
    let http = http(&root);
    let page = page(&root);
    let control = control(&root);
    let processor = processor(&root);
    if let Some(list) = root.item("station") {
        station::read(&list, &mut plan);
    }
    let before = report.count();
    let sensors =
        root.item("sensor").map(|list| sensor::read(&list, &mut plan)).unwrap_or_default();
    plan.sensors_sound = report.count() == before;
    timeline::merge(&sensors, &mut plan);
    if let Some(list) = root.item("gateway") {
        gateways(&list, &mut plan);
    }
    let sources = adapters(&root, "source", documents);
    let forwarders = adapters(&root, "forward", documents);
    if sources.is_empty() && report.count() == 0 {
        let help = "write [source.http.NAME], [source.mqtt.NAME], [source.mqtt_inlet.NAME] or [source.serial.NAME]";
        report.warn(&root.span, "there is no source, so nothing can come in", help);
    }
    root.finish();
    let Plan { property, credentials, .. } = plan;
    let (faults, warnings) = report.into_parts();
    let property = property.indexed();
    let settings = Settings {
        fingerprint: fingerprint(&property, processor),
        timeline: timeline::text(&property),
        text: whole_text(documents),
        property,
        history,
        http,
        page,
        control,
        processor,
        sources,
        forwarders,
        credentials,
        warnings,
    };
    Examined { settings: Some(settings), faults }
}

fn gateways(list: &Item<'_>, plan: &mut Plan<'_>) {
    let mut ids: HashSet<String> = plan.property.stations.iter().map(|s| s.id.clone()).collect();
    for table in list.tables("[[gateway]]", MOST_GATEWAYS) {
        let item = table.required("id", "\"base\"");
        let id = item.as_ref().and_then(Item::identifier);
        if let (Some(item), Some(id)) = (&item, id)
            && !ids.insert(id.to_owned())
        {
            item.fault(
                &format!("there is another station or gateway `{id}`"),
                "give each its own id: an inlet tells them apart by it",
            );
        }
        let stations = table.required("stations", "[\"orchard\"]");
        let items = stations.as_ref().and_then(|i| i.list("[\"orchard\"]"));
        if let (Some(list), true) = (&stations, items.as_ref().is_some_and(Vec::is_empty)) {
            list.fault(
                "a gateway speaks for at least one station",
                "write stations = [\"orchard\"]",
            );
        }
        let items = items.unwrap_or_default();
        let mut speaks_for = Vec::new();
        for item in &items {
            let Some(station) = station_of(item, plan) else { continue };
            if speaks_for.contains(&station) {
                item.fault("this station is named twice", "name it once");
            } else {
                speaks_for.push(station);
            }
        }
        let place = plan.property.gateways.len();
        token_file(&table, Owner::Gateway(place), plan);
        table.finish();
        plan.property
            .gateways
            .push(Gateway { id: id.unwrap_or("?").to_owned(), stations: speaks_for });
    }
}

/// `[source.KIND.NAME]` or `[forward.KIND.NAME]`: names are unique across kinds.
fn adapters(
    root: &Table<'_>,
    family: &'static str,
    documents: &Arc<Documents>,
) -> Vec<AdapterTable> {
    let form = format!(
        "write [{family}.KIND.NAME], such as [{family}.http.{}]",
        if family == "source" { "push" } else { "archive" }
    );
    let Some(kinds) = root.item(family).and_then(|i| i.table(&format!("[{family}]"))) else {
        return Vec::new();
    };
    let mut found: Vec<(usize, String, String)> = Vec::new();
    let mut names: HashMap<String, String> = HashMap::new();
    for (kind, item) in kinds.entries() {
        let DeValue::Table(_) = item.value else {
            item.report.fault(
                &kind.span(),
                &format!("`{}` is no kind with a name", kind.get_ref()),
                &form,
            );
            continue;
        };
        let Some(table) = item.table(&format!("[{family}.{}]", kind.get_ref())) else { continue };
        for (name, item) in table.entries() {
            let report = item.report;
            let DeValue::Table(_) = item.value else {
                let message = format!("`{}` stands where a name belongs", name.get_ref());
                report.fault(&name.span(), &message, &form);
                continue;
            };
            let (at, name) = (name.span(), name.into_inner());
            if !is_identifier(&name) {
                report.fault(
                    &at,
                    &format!("the name `{name}` is 1 to 64 letters, digits, `_` and `-`"),
                    &form,
                );
            } else if family == "source" && name == "http" {
                report.fault(
                    &at,
                    "the name `http` is the page's own",
                    "name this source after its place, such as \"push\"",
                );
            } else if let Some(other) = names.insert(name.clone(), kind.get_ref().clone()) {
                report.fault(
                    &at,
                    &format!("there is another {family} named `{name}`, [{family}.{other}.{name}]"),
                    "names are unique across kinds: metrics and status know them by name",
                );
            }
            found.push((at.start, kind.get_ref().clone(), name));
        }
    }
    if found.len() > MOST_ADAPTERS {
        root.report.fault(
            &root.span,
            &format!("there are more than {MOST_ADAPTERS} tables [{family}.KIND.NAME]"),
            "",
        );
    }
    found.sort();
    found
        .iter()
        .enumerate()
        .map(|(index, (_, kind, name))| AdapterTable::new(family, kind, name, index, documents))
        .collect()
}

/// All texts, each under its name, as they were read.
fn whole_text(documents: &Documents) -> String {
    let mut whole = String::new();
    for (_, document) in documents.iter() {
        match document.kind {
            Kind::File => {
                let name = Path::new(&document.name)
                    .file_name()
                    .map_or_else(String::new, |n| n.display().to_string());
                whole.extend(["# ", &name, "\n", &document.text]);
                if !document.text.ends_with('\n') {
                    whole.push('\n');
                }
            }
            Kind::Override => {
                whole.extend(["# --set ", &document.text.replace('\n', " "), "\n"]);
            }
        }
    }
    whole
}

/// A hash of what readings are made from, the same in every run and on every machine
/// (Fowler, Noll and Vo, FNV-1a of 64 bits; from memory). The look-ups of the property
/// have no order and stay out.
fn fingerprint(property: &Property, processor: ProcessorSettings) -> u64 {
    let Property {
        name,
        latitude,
        longitude,
        elevation,
        time_zone,
        days,
        point_step,
        stations,
        channels,
        instruments,
        sensors,
        gateways,
        ..
    } = property;
    let text = format!(
        "{:?}",
        (
            (name, latitude, longitude, elevation, time_zone, days, point_step),
            (stations, channels, instruments, sensors, gateways, processor),
        )
    );
    text.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    })
}
