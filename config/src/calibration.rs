//! The key `calibration`: what holds from a date on.

use crate::measures::{EVER, Scale};
use crate::reader::{Item, Table};
use crate::signal::Family;
use jiff::tz::TimeZone;
use observation::property::Transfer;
use observation::{Quantity, Time};
use std::ops::Range;

/// Most calibrations of one instrument or sensor.
const MOST: usize = 1_000;
/// Most pairs of a table.
const MOST_PAIRS: usize = 256;

/// One entry as written.
#[derive(Clone, Debug)]
pub(crate) struct Entry {
    pub(crate) from: Time,
    pub(crate) transfer: Transfer,
    pub(crate) span: Range<usize>,
}

/// Reads a list of calibrations, oldest first. What is wrong is told and left out.
pub(crate) fn read(
    item: &Item<'_>,
    family: Family,
    quantity: Quantity,
    zone: &TimeZone,
) -> Vec<Entry> {
    let mut entries: Vec<Entry> = Vec::new();
    for table in item.tables("calibration", MOST) {
        let from = match table.item("from") {
            Some(from) => from.moment(zone),
            None => Some(EVER),
        };
        let transfer = match family {
            Family::Direct => direct(&table, quantity),
            Family::Cup => cup(&table),
            Family::Gauge => gauge(&table),
        };
        let span = table.span.clone();
        table.finish();
        if let (Some(from), Some(transfer)) = (from, transfer) {
            entries.push(Entry { from, transfer, span });
        }
    }
    entries.sort_by_key(|entry| entry.from);
    for pair in entries.windows(2) {
        if let [a, b] = pair
            && a.from == b.from
        {
            let (later, when) = (a.span.start.max(b.span.start), when(a.from));
            let span = if later == a.span.start { &a.span } else { &b.span };
            item.report.fault(
                span,
                &format!("two calibrations begin at the same time ({when})"),
                "give each its own `from`",
            );
        }
    }
    entries
}

fn direct(table: &Table<'_>, quantity: Quantity) -> Option<Transfer> {
    let unit = quantity.unit();
    let pairs = table.item("table");
    let factor = table.item("factor");
    let offset = table.item("offset");
    if let Some(pairs) = pairs {
        if factor.is_some() || offset.is_some() {
            pairs.fault(
                "`table` excludes `factor` and `offset`",
                "put them into the pairs of the table",
            );
            return None;
        }
        return by_table(&pairs, unit);
    }
    if factor.is_none() && offset.is_none() {
        table.missing(
            "offset",
            &format!(
                "\"0.2 {unit}\", factor = 1.02 or table = [[\"READ {unit}\", \"TRUE {unit}\"], ...]"
            ),
        );
        return None;
    }
    let factor = factor.map_or(Some(1.0), |item| positive(&item, 1_000.0, "1.02"));
    // A difference of temperatures may be written in kelvins.
    let offset = offset.map_or(Some(0.0), |item| {
        item.measure(
            unit,
            Scale::Difference,
            &format!("0.2 {}", if unit == "Cel" { "K" } else { unit }),
        )
    });
    Some(Transfer::Linear { factor: factor?, offset: offset? })
}

fn by_table(item: &Item<'_>, unit: &str) -> Option<Transfer> {
    const FORM: &str = "write table = [[\"READ UNIT\", \"TRUE UNIT\"], ...], read values rising, two pairs or more";
    let rows = item.list("[[\"0 %\", \"1.5 %\"], [\"75 %\", \"73 %\"]]")?;
    if !(2..=MOST_PAIRS).contains(&rows.len()) {
        item.fault(&format!("a table has 2 to {MOST_PAIRS} pairs"), FORM);
        return None;
    }
    let mut pairs: Vec<(f64, f64)> = Vec::new();
    let mut complete = true;
    for row in &rows {
        let pair = row.list("[\"0 %\", \"1.5 %\"]")?;
        let [read, truth] = pair.as_slice() else {
            row.fault("a pair is a read and a true value", FORM);
            return None;
        };
        let example = format!("20 {unit}");
        let read = read.measure(unit, Scale::Point, &example);
        let truth = truth.measure(unit, Scale::Point, &example);
        let (Some(read), Some(truth)) = (read, truth) else {
            complete = false;
            continue;
        };
        if pairs.last().is_some_and(|&(last, _)| read <= last) {
            row.fault("the read values of a table rise", FORM);
            complete = false;
        }
        pairs.push((read, truth));
    }
    complete.then_some(Transfer::Table(pairs))
}

fn cup(table: &Table<'_>) -> Option<Transfer> {
    let slope = table
        .required("slope", "\"0.66 m/s/Hz\"")
        .and_then(|i| i.measure_within("m/s/Hz", Scale::Difference, (0.001, 100.0), "0.66 m/s/Hz"));
    let speed = |key, least, most, example: &str| match table.item(key) {
        None => Some(0.0),
        Some(item) => item.measure_within("m/s", Scale::Difference, (least, most), example),
    };
    let offset = speed("offset", -5.0, 5.0, "0.3 m/s");
    let threshold = speed("threshold", 0.0, 10.0, "0.9 m/s");
    Some(Transfer::Wind { slope: slope?, offset: offset?, threshold: threshold? })
}

fn gauge(table: &Table<'_>) -> Option<Transfer> {
    const DEPTH: (f64, f64) = (0.001, 50.0);
    let depth = table.item("depth");
    let volume = table.item("volume");
    let diameter = table.item("collector_diameter");
    if let Some(depth) = depth {
        if let Some(other) = volume.or(diameter) {
            other.fault(
                "`depth` excludes `volume` and `collector_diameter`",
                "keep one or the other",
            );
            return None;
        }
        return depth
            .measure_within("mm", Scale::Difference, DEPTH, "0.25 mm")
            .map(Transfer::Depth);
    }
    if volume.is_none() && diameter.is_none() {
        table.missing(
            "depth",
            "\"0.25 mm\", or volume = \"5.0 mL\" and collector_diameter = \"160 mm\"",
        );
        return None;
    }
    if volume.is_none() {
        table.missing("volume", "\"5.0 mL\"");
    }
    if diameter.is_none() {
        table.missing("collector_diameter", "\"160 mm\"");
    }
    let volume_item = volume?;
    let volume = volume_item.measure_within("mm3", Scale::Difference, (1.0, 1e9), "5.0 mL");
    let diameter = diameter?.measure_within("mm", Scale::Difference, (1.0, 10_000.0), "160 mm");
    let depth = volume? / (std::f64::consts::PI * (diameter? / 2.0).powi(2));
    if (DEPTH.0..=DEPTH.1).contains(&depth) {
        return Some(Transfer::Depth(depth));
    }
    volume_item.fault(
        &format!("this volume over this collector is {depth:.4} mm a tip, which is hardly meant"),
        "give the volume of one tip and the inner diameter of the rim",
    );
    None
}

/// A number above zero.
fn positive(item: &Item<'_>, most: f64, example: &str) -> Option<f64> {
    let number = item.number(example)?;
    if number > 0.0 && number <= most {
        return Some(number);
    }
    item.fault(
        &format!("`{}` is above 0 and at most {most}", item.key),
        &format!("write {} = {example}", item.key),
    );
    None
}

/// A transfer in words, for the timeline.
pub(crate) fn words(transfer: &Transfer, quantity: Quantity) -> String {
    let unit = quantity.unit();
    match transfer {
        Transfer::Linear { factor, offset } => format!("factor {factor}, offset {offset} {unit}"),
        Transfer::Table(pairs) => {
            let pairs: Vec<String> =
                pairs.iter().map(|(read, truth)| format!("{read} -> {truth}")).collect();
            format!("table {} {unit}", pairs.join(", "))
        }
        Transfer::Wind { slope, offset, threshold } => {
            format!("slope {slope} m/s/Hz, offset {offset} m/s, threshold {threshold} m/s")
        }
        Transfer::Depth(depth) => format!("{depth:.4} mm a change"),
    }
}

/// An instant in words, for messages and the timeline.
pub(crate) fn when(from: Time) -> String {
    if from <= EVER { "always".to_owned() } else { from.to_string() }
}
