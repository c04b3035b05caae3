//! The key `signal`: how an instrument's raw value becomes its quantity.
//!
//! Written as a word (`"frequency"`) or as a table with one key
//! (`{ pulse_total = { bits = 32 } }`).

use crate::measures::Scale;
use crate::nearest::nearest;
use crate::reader::{Item, Table};
use observation::Quantity;
use observation::property::{Band, Switches};
use std::ops::Range;
use toml::de::DeValue;

/// A signal whose supply channel has no index yet.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Written {
    Value,
    PulseTotal { bits: u8 },
    PulseCount,
    Frequency,
    Switches(Switches),
    Ratio(WrittenRatio),
    ChangeTotal { bits: u8 },
    ChangeCount,
    ChangeState,
}

/// A ratio with its supply by name.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct WrittenRatio {
    pub(crate) supply: Option<(String, Range<usize>)>,
    pub(crate) bands: Vec<Band>,
    pub(crate) full_scale: f64,
}

/// What calibrations a signal takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Family {
    /// A value that may be corrected by factor, offset or table.
    Direct,
    /// Pulses of a cup: slope, offset, threshold.
    Cup,
    /// Changes of a bucket: depth, or volume and collector diameter.
    Gauge,
}

const WORDS: &[&str] = &[
    "value",
    "pulse_total",
    "pulse_count",
    "frequency",
    "switches",
    "ratio",
    "change_total",
    "change_count",
    "change_state",
];
const TOTAL: &str = "{ pulse_total = { bits = 32 } }";
/// Degrees over which a switch may be closed.
const ARC: (f64, f64) = (30.0, 180.0);
/// Most bands of a ladder.
const MOST_BANDS: usize = 360;

impl Written {
    pub(crate) fn family(&self) -> Family {
        match self {
            Self::PulseTotal { .. } | Self::PulseCount | Self::Frequency => Family::Cup,
            Self::ChangeTotal { .. } | Self::ChangeCount | Self::ChangeState => Family::Gauge,
            Self::Value | Self::Switches(_) | Self::Ratio(_) => Family::Direct,
        }
    }

    /// The unit of the raw value where the settings give none; none for a direct value,
    /// which must say it.
    pub(crate) fn usual_unit(&self) -> Option<&'static str> {
        match self {
            Self::Value => None,
            Self::Frequency => Some("Hz"),
            Self::Ratio(ratio) if ratio.supply.is_some() => Some("V"),
            _ => Some("1"),
        }
    }
}

/// Reads `signal`; `value` where there is none. `quantity` is what it must give.
pub(crate) fn read(item: Option<&Item<'_>>, quantity: Option<Quantity>) -> Option<Written> {
    let Some(item) = item else { return Some(Written::Value) };
    let written = match item.value {
        DeValue::String(word) => by_word(item, word.as_ref()),
        DeValue::Table(_) => by_table(item, quantity),
        _ => item.wanted("a word or a table", TOTAL),
    }?;
    match (written.family(), &written, quantity) {
        (Family::Cup, _, Some(quantity)) if quantity != Quantity::WindSpeed => {
            let message = format!("pulses are a cup's: they give wind_speed, not {quantity}");
            item.fault(&message, "for a gauge write signal = { change_total = { bits = 16 } }: one pulse a tip is one change");
            None
        }
        (Family::Gauge, _, Some(quantity)) if quantity != Quantity::PrecipitationDepth => {
            let message =
                format!("changes are a gauge's: they give rainfall_depth, not {quantity}");
            item.fault(&message, "for a cup write signal = { pulse_total = { bits = 32 } }");
            None
        }
        (_, Written::Switches(_), Some(quantity)) if !quantity.is_direction() => {
            let message =
                format!("switches are a vane's: they give wind_from_direction, not {quantity}");
            item.fault(&message, "write quantity = \"wind_from_direction\"");
            None
        }
        _ => Some(written),
    }
}

fn unknown(item: &Item<'_>, word: &str) -> Option<Written> {
    let help = match nearest(word, WORDS.iter().copied()) {
        Some(meant) => format!("did you mean `{meant}`?"),
        None => format!("write one of \"{}\"", WORDS.join("\", \"")),
    };
    item.fault(&format!("`{word}` is no signal"), &help);
    None
}

fn by_word(item: &Item<'_>, word: &str) -> Option<Written> {
    let needs = |example: &str| {
        item.fault(
            &format!("the signal `{word}` needs a table"),
            &format!("write signal = {example}"),
        );
        None
    };
    match word {
        "value" => Some(Written::Value),
        "pulse_count" => Some(Written::PulseCount),
        "frequency" => Some(Written::Frequency),
        "change_count" => Some(Written::ChangeCount),
        "change_state" => Some(Written::ChangeState),
        "pulse_total" => needs(TOTAL),
        "change_total" => needs("{ change_total = { bits = 16 } }"),
        "switches" => {
            needs("{ switches = { order = \"NESW\", closed_is = 1, arc = \"135 deg\" } }")
        }
        "ratio" => needs("{ ratio = { supply = \"CHANNEL\", full_scale = \"360 deg\" } }"),
        other => unknown(item, other),
    }
}

fn by_table(item: &Item<'_>, quantity: Option<Quantity>) -> Option<Written> {
    let entries = item.table("signal")?.entries();
    let [(key, inner)] = entries.as_slice() else {
        item.fault(
            "a signal is one word or a table with one key",
            &format!("write signal = {TOTAL}"),
        );
        return None;
    };
    let word = key.get_ref().as_str();
    if !WORDS.contains(&word) {
        let known = Item { span: key.span(), ..inner.clone() };
        return unknown(&known, word);
    }
    let table = inner.table(&format!("signal {word}"))?;
    let written = match word {
        "pulse_total" => bits(&table).map(|bits| Written::PulseTotal { bits }),
        "change_total" => bits(&table).map(|bits| Written::ChangeTotal { bits }),
        "switches" => switches(&table).map(Written::Switches),
        "ratio" => ratio(&table, quantity).map(Written::Ratio),
        // The rest have no keys; `finish` refuses any.
        "value" => Some(Written::Value),
        "pulse_count" => Some(Written::PulseCount),
        "frequency" => Some(Written::Frequency),
        "change_count" => Some(Written::ChangeCount),
        _ => Some(Written::ChangeState),
    };
    table.finish();
    written
}

fn bits(table: &Table<'_>) -> Option<u8> {
    let bits = table.required("bits", "32")?.whole(8..=64, "32")?;
    u8::try_from(bits).ok()
}

fn switches(table: &Table<'_>) -> Option<Switches> {
    let order = table.item("order");
    let azimuths = table.item("azimuths");
    let azimuths = match (&order, &azimuths) {
        (Some(order), None) => compass(order),
        (None, Some(list)) => {
            four(list, (0.0, 360.0), "[\"0 deg\", \"90 deg\", \"180 deg\", \"270 deg\"]")
        }
        (None, None) => {
            table.missing("order", "\"NESW\"");
            None
        }
        (Some(order), Some(_)) => {
            order.fault("`order` and `azimuths` say the same", "keep one of them");
            None
        }
    };
    let closed_is = match table.item("closed_is") {
        None => Some(true),
        Some(item) => item.whole(0..=1, "1").map(|bit| bit == 1),
    };
    let arc = table.item("arc");
    let arcs = match (&arc, table.item("arcs")) {
        (None, None) => Some([135.0; 4]),
        (Some(arc), None) => {
            arc.measure_within("deg", Scale::Point, ARC, "135 deg").map(|arc| [arc; 4])
        }
        (None, Some(list)) => {
            four(&list, ARC, "[\"135 deg\", \"130 deg\", \"135 deg\", \"140 deg\"]")
        }
        (Some(arc), Some(_)) => {
            arc.fault("`arc` and `arcs` say the same", "keep one of them");
            None
        }
    };
    Some(Switches { azimuths: azimuths?, closed_is: closed_is?, arcs: arcs? })
}

/// The azimuths of four letters.
fn compass(order: &Item<'_>) -> Option<[f64; 4]> {
    let text = order.text()?;
    let mut azimuths = [0.0; 4];
    let mut seen = [false; 4];
    let mut letters = 0;
    for (letter, azimuth) in text.chars().zip(&mut azimuths) {
        let Some(point) = "NESW".find(letter) else { break };
        if let (Some(seen), Some(value)) =
            (seen.get_mut(point), [0.0, 90.0, 180.0, 270.0].get(point))
        {
            *seen = true;
            *azimuth = *value;
        }
        letters += 1;
    }
    if letters == 4 && text.len() == 4 && seen == [true; 4] {
        return Some(azimuths);
    }
    order.fault(
        "`order` names the four switches, lowest bit first, each of N, E, S, W once",
        "write order = \"NESW\"",
    );
    None
}

/// Four angles.
fn four(list: &Item<'_>, limits: (f64, f64), example: &str) -> Option<[f64; 4]> {
    let items = list.list(example)?;
    let mut values = [0.0; 4];
    let mut complete = items.len() == 4;
    if !complete {
        list.fault(
            &format!("`{}` has four entries, one a switch", list.key),
            &format!("write {} = {example}", list.key),
        );
    }
    for (item, value) in items.iter().zip(&mut values) {
        match item.measure_within("deg", Scale::Point, limits, "135 deg") {
            Some(angle) => *value = angle,
            None => complete = false,
        }
    }
    complete.then_some(values)
}

fn ratio(table: &Table<'_>, quantity: Option<Quantity>) -> Option<WrittenRatio> {
    let unit = quantity.map_or("deg", Quantity::unit);
    let supply = match table.item("supply") {
        None => None,
        Some(item) => Some((item.text()?.to_owned(), item.span.clone())),
    };
    let bands = table.item("bands");
    let full_scale = table.item("full_scale");
    match (bands, full_scale) {
        (Some(bands), None) => {
            Some(WrittenRatio { supply, bands: ladder(&bands, unit)?, full_scale: 0.0 })
        }
        (None, Some(item)) => {
            let full_scale = item.measure(unit, Scale::Point, &format!("360 {unit}"))?;
            Some(WrittenRatio { supply, bands: Vec::new(), full_scale })
        }
        (None, None) => {
            table.missing(
                "bands",
                "[{ low = 0.10, high = 0.14, value = \"45 deg\" }] or full_scale = \"360 deg\"",
            );
            None
        }
        (Some(bands), Some(_)) => {
            bands.fault("`bands` and `full_scale` exclude each other", "keep one of them");
            None
        }
    }
}

/// The bands of a ladder, lowest first.
fn ladder(list: &Item<'_>, unit: &str) -> Option<Vec<Band>> {
    let mut bands: Vec<(Band, Range<usize>)> = Vec::new();
    let tables = list.tables("bands", MOST_BANDS);
    let mut complete = !tables.is_empty();
    if tables.is_empty() {
        list.fault(
            "a ladder needs bands",
            "write bands = [{ low = 0.10, high = 0.14, value = \"45 deg\" }]",
        );
    }
    for table in tables {
        let low = table.required("low", "0.10").and_then(|i| i.number("0.10"));
        let high = table.required("high", "0.14").and_then(|i| i.number("0.14"));
        let value = table
            .required("value", "\"45 deg\"")
            .and_then(|i| i.measure(unit, Scale::Point, &format!("45 {unit}")));
        let span = table.span.clone();
        match (low, high, value) {
            (Some(low), Some(high), Some(value)) if 0.0 <= low && low < high && high <= 1.0 => {
                bands.push((Band { low, high, value }, span));
            }
            (Some(_), Some(_), Some(_)) => {
                table.report.fault(
                    &span,
                    "a band goes from `low` up to `high`, ratios from 0 to 1",
                    "write low = 0.10, high = 0.14",
                );
                complete = false;
            }
            _ => complete = false,
        }
        table.finish();
    }
    bands.sort_by(|a, b| a.0.low.total_cmp(&b.0.low));
    for pair in bands.windows(2) {
        if let [(below, _), (above, span)] = pair
            && above.low <= below.high
        {
            list.report.fault(
                span,
                "this band overlaps another",
                "leave a gap between bands: what falls between is a fault, such as a bad contact",
            );
            complete = false;
        }
    }
    complete.then(|| bands.into_iter().map(|(band, _)| band).collect())
}
