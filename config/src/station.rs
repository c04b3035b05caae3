//! `[[station]]`: who sends, and what is believed of its clock.

use crate::channel::{self, reports};
use crate::instrument;
use crate::plan::{Plan, Usual};
use crate::reader::{Item, Table};
use crate::token::{Owner, TokenFile, credentials_directory, secret_path};
use observation::property::{Deriving, Reports, Station};
use observation::{Span, StationIndex};
use std::collections::HashSet;

/// Most stations of one property.
const MOST: usize = 1_000;
/// Samples a second where the settings give no `rate`.
pub(crate) const USUAL_RATE: f64 = 1_000.0;
/// What `rate = "0 /s"` means: no limit that a sender could reach, and still finite.
pub(crate) const NO_RATE: f64 = 1e12;

/// Reads all stations with their instruments.
pub(crate) fn read(list: &Item<'_>, plan: &mut Plan<'_>) {
    let mut ids: HashSet<String> = HashSet::new();
    let mut derives: Vec<(StationIndex, Item<'_>)> = Vec::new();
    for table in list.tables("[[station]]", MOST) {
        let Ok(index) = u16::try_from(plan.property.stations.len()) else { return };
        let index = StationIndex(index);
        let id_item = table.required("id", "\"orchard\"");
        let id = id_item.as_ref().and_then(Item::identifier).map(str::to_owned);
        if let (Some(item), Some(id)) = (&id_item, &id)
            && !ids.insert(id.clone())
        {
            item.fault(&format!("there is another station `{id}`"), "give each station its own id");
        }
        let table = match &id {
            Some(id) => table.named(format!("[[station]] {id}")),
            None => table,
        };
        // A station without a proper id keeps its place, so that the rest can be checked.
        let id = id.unwrap_or_else(|| format!("?{}", index.0));
        let (station, usual) = station(&table, index, &id, plan);
        token_file(&table, Owner::Station(index), plan);
        plan.property.stations.push(station);
        derives.extend(table.item("derive").map(|item| (index, item)));
        let texts = table.item("text_channels");
        let instruments = table.item("instrument");
        if let Some(item) = instruments {
            instrument::read(&item, &usual, plan);
        }
        if let Some(item) = texts {
            channel::text_channels(&item, index, plan);
        }
        table.finish();
    }
    for (station, item) in derives {
        crate::derive::read(&item, station, plan);
    }
}

fn station(table: &Table<'_>, index: StationIndex, id: &str, plan: &Plan<'_>) -> (Station, Usual) {
    let name = table.item("name").and_then(|i| i.line()).unwrap_or(id).to_owned();
    let latitude = table.item("latitude").and_then(|i| i.degrees((-90.0, 90.0), "54.07"));
    let longitude = table.item("longitude").and_then(|i| i.degrees((-180.0, 180.0), "-2.28"));
    let elevation = table.item("elevation").and_then(|i| elevation(&i));
    let elevation = elevation.unwrap_or(plan.property.elevation);
    let interval = table
        .item("interval")
        .and_then(|i| i.span_within(Span(10), Span::days(7), "30 s"))
        .unwrap_or(Span::minutes(1));
    let reports = table.item("reports").and_then(|i| reports(&i)).unwrap_or(Reports::Periodic);
    let sleeps = table.item("sleeps").and_then(|i| i.boolean()).unwrap_or(false);
    let (oldest, newest) = table
        .item("time_window")
        .and_then(|i| time_window(&i))
        .unwrap_or((Span::days(-31), Span::seconds(60)));
    let time_in_milliseconds = table
        .item("time_unit")
        .and_then(|i| i.choice(&[("s", false), ("ms", true)]))
        .unwrap_or(false);
    let time_zone = table.item("time_zone").and_then(|i| i.zone()).map(|(name, _)| name);
    let rate = table.item("rate").and_then(|i| rate(&i)).unwrap_or(USUAL_RATE);
    let station = Station {
        id: id.to_owned(),
        name,
        latitude: latitude.unwrap_or(plan.property.latitude),
        longitude: longitude.unwrap_or(plan.property.longitude),
        elevation,
        interval,
        sleeps,
        oldest,
        newest,
        time_zone,
        time_in_milliseconds,
        rate,
        derive: Deriving::default(),
    };
    (station, Usual { station: index, interval, reports, elevation })
}

/// Metres above mean sea level.
pub(crate) fn elevation(item: &Item<'_>) -> Option<f64> {
    item.measure_within("m", crate::measures::Scale::Point, (-500.0, 9_000.0), "212 m")
}

/// `"-31 d..60 s"`.
fn time_window(item: &Item<'_>) -> Option<(Span, Span)> {
    let text = item.text()?;
    let ends = text
        .split_once("..")
        .and_then(|(oldest, newest)| Some((Span::parse(oldest).ok()?, Span::parse(newest).ok()?)));
    if let Some((oldest, newest)) = ends
        && (Span::days(-3_660)..=Span::ZERO).contains(&oldest)
        && (Span::ZERO..=Span::days(1)).contains(&newest)
    {
        return Some((oldest, newest));
    }
    item.fault(
        "`time_window` goes from at most 3,660 d before arrival to at most 1 d after it",
        "write time_window = \"-31 d..60 s\"",
    );
    None
}

/// `"1000 /s"`.
fn rate(item: &Item<'_>) -> Option<f64> {
    let rate = item.measure_within("/s", crate::measures::Scale::Point, (0.0, 1e9), "1000 /s")?;
    Some(if rate > 0.0 { rate } else { NO_RATE })
}

/// The key `token_file` of a station or gateway.
pub(crate) fn token_file(table: &Table<'_>, owner: Owner, plan: &mut Plan<'_>) {
    let Some(item) = table.item("token_file") else { return };
    let Some(text) = item.line() else { return };
    let directory = plan.report.documents.directory(&item.span);
    let file = TokenFile {
        owner,
        path: secret_path(&directory, credentials_directory().as_deref(), text),
        place: plan.report.place(&item.span),
    };
    if plan.secrets {
        match file.read() {
            Ok(secret) if secret.reveal().starts_with("example-") => plan.report.warn(
                &item.span,
                "this token is an example that everybody knows",
                "make one of your own with `isobarn token add` before you let anything but this machine in",
            ),
            Ok(_) => {}
            Err(fault) => plan.report.push(fault),
        }
    }
    plan.credentials.push(file);
}
