//! `[[station.instrument]]`: a channel with a meaning.

use crate::calibration;
use crate::channel::{
    channel_name, is_channel_name, plain_channel, reports, resolve_supply, shared_channel,
};
use crate::measures::Scale;
use crate::nearest::nearest;
use crate::plan::{Draft, Plan, Usual};
use crate::reader::{Item, Table};
use crate::signal::{self, Family, Written};
use observation::property::{Channel, Instrument, Ratio, Signal, Stamp};
use observation::{Quantity, Span, Statistic, Unit};
use std::collections::HashSet;
use std::ops::Range;
use toml::de::DeValue;

/// Most instruments of one station.
const MOST: usize = 500;
/// Dead time of a cup's contact, where the settings give none (common practice).
const CUP_DEAD_TIME: Span = Span(3);
/// Dead time of a gauge's contact, where the settings give none (common practice).
const GAUGE_DEAD_TIME: Span = Span(300);
/// A barometer this far from its station's elevation is worth a word, metres.
const ODD_BAROMETER: f64 = 100.0;

/// Reads the instruments of one station; supplies are resolved when all are known.
pub(crate) fn read(list: &Item<'_>, usual: &Usual, plan: &mut Plan<'_>) {
    let mut ids: HashSet<String> = HashSet::new();
    let mut refused: Vec<String> = Vec::new();
    let mut supplies: Vec<(usize, String, Range<usize>)> = Vec::new();
    for table in list.tables("[[station.instrument]]", MOST) {
        let id_item = table.required("id", "\"screen_temperature\"");
        let id = id_item.as_ref().and_then(Item::identifier).map(str::to_owned);
        if let (Some(item), Some(id)) = (&id_item, &id) {
            plan.named.insert((usual.station, id.clone()));
            if !ids.insert(id.clone()) {
                item.fault(
                    &format!("this station has another instrument `{id}`"),
                    "give each instrument its own id",
                );
            }
            if crate::derive::is_derived(id) {
                item.fault(
                    &format!("`{id}` is the name of a derived quantity's series"),
                    &format!("write id = \"{id}_sensor\""),
                );
            }
        }
        let name = id.clone().map_or_else(
            || "[[station.instrument]]".to_owned(),
            |id| format!("[[station.instrument]] {id}"),
        );
        let table = table.named(name);
        let built = instrument(&table, id.as_deref(), usual, plan);
        if let Some((instrument, draft, supply)) = built {
            if let Some((supply, span)) = supply {
                supplies.push((plan.property.instruments.len(), supply, span));
            }
            plan.property.instruments.push(instrument);
            plan.drafts.push(draft);
        } else if let Some(DeValue::String(name)) = table.item("channel").map(|item| item.value)
            && is_channel_name(name)
        {
            refused.push(name.clone().into_owned());
        }
        table.finish();
    }
    for (instrument, supply, span) in supplies {
        resolve_supply(instrument, &supply, &span, usual.station, plan);
    }
    // The instrument has its fault; whoever names its channel has none.
    for name in refused {
        let held = |c: &Channel| c.station == usual.station && c.name == name;
        if !plan.property.channels.iter().any(held) {
            plan.property.channels.extend(plain_channel(usual.station, &name, false));
        }
    }
}

type Built = (Instrument, Draft, Option<(String, Range<usize>)>);

fn instrument(
    table: &Table<'_>,
    id: Option<&str>,
    usual: &Usual,
    plan: &mut Plan<'_>,
) -> Option<Built> {
    let channel_item = table.required("channel", "\"t\"");
    let channel = channel_item.as_ref().and_then(channel_name);
    let quantity = table.required("quantity", "\"air_temperature\"").and_then(|i| quantity(&i));
    let written = signal::read(table.item("signal").as_ref(), quantity);
    let unit = unit(table, written.as_ref(), quantity);
    let height = table.item("height").and_then(|i| height(&i, quantity, usual));
    let (statistic, over, stamp) = averaging(table, quantity, written.as_ref());
    let reports = table.item("reports").and_then(|i| reports(&i)).unwrap_or(usual.reports);
    let interval = table
        .item("interval")
        .and_then(|i| i.span_within(Span(10), Span::days(7), "30 s"))
        .unwrap_or(usual.interval);
    let plausible = table.item("plausible").and_then(|i| {
        let unit = quantity?.unit();
        i.measure_range(unit, &format!("-30..45 {unit}"))
    });
    let family = written.as_ref().map(Written::family);
    let dead_time = match table.item("dead_time") {
        Some(item) => item.span_within(Span::ZERO, Span::minutes(1), "300 ms"),
        None => None,
    };
    let mounting = table.item("mounting").and_then(|i| mounting(&i, quantity)).unwrap_or(0.0);
    let senml_name = table.item("senml_name").and_then(|i| i.line()).map(str::to_owned);
    let before = table.report.count();
    let own = match (table.item("calibration"), family, quantity) {
        (Some(item), Some(family), Some(quantity)) => {
            calibration::read(&item, family, quantity, &plan.zone)
        }
        _ => Vec::new(),
    };
    let sound = table.report.count() == before;
    let (channel, quantity, written, unit, family) =
        (channel?, quantity?, written?, unit?, family?);
    let accepts_text = written == Written::Value && quantity.is_direction();
    let channel = Channel {
        station: usual.station,
        name: channel.to_owned(),
        unit: unit.clone(),
        senml_name,
        accepts_text,
    };
    let channel = shared_channel(channel, channel_item.as_ref(), table, plan)?;
    let (signal, supply) = resolved(written);
    let instrument = Instrument {
        id: id?.to_owned(),
        station: usual.station,
        channel,
        quantity,
        unit,
        height,
        signal,
        calibrations: Vec::new(),
        statistic,
        over,
        stamp,
        reports,
        interval,
        plausible,
        dead_time: dead_time.unwrap_or(match family {
            Family::Cup => CUP_DEAD_TIME,
            Family::Gauge => GAUGE_DEAD_TIME,
            Family::Direct => Span::ZERO,
        }),
        mounting,
    };
    Some((instrument, Draft { span: table.span.clone(), family, own, sound }, supply))
}

fn quantity(item: &Item<'_>) -> Option<Quantity> {
    let name = item.text()?;
    let found = Quantity::parse(name);
    if found.is_none() {
        let names = Quantity::ALL.iter().map(|q| q.name()).chain(["rainfall_depth"]);
        let help = match nearest(name, names) {
            Some(meant) => format!("did you mean \"{meant}\"?"),
            None => "`isobarn derive --list` names the quantities".to_owned(),
        };
        item.fault(&format!("`{name}` is not a quantity known here"), &help);
    }
    found
}

/// The unit of the raw value.
fn unit(table: &Table<'_>, written: Option<&Written>, quantity: Option<Quantity>) -> Option<Unit> {
    let item = table.item("unit");
    let wanted = match (written, quantity) {
        (Some(Written::Value), Some(quantity)) => Some(quantity.unit()),
        (Some(Written::Value) | None, _) => None,
        (Some(written), _) => written.usual_unit(),
    };
    let Some(item) = item else {
        if let (Some(Written::Value), Some(quantity)) = (written, quantity) {
            table.missing(
                "unit",
                &format!("\"{}\", or the unit the station sends", quantity.unit()),
            );
        }
        return written.and_then(Written::usual_unit).and_then(|code| Unit::parse(code).ok());
    };
    let text = item.text()?;
    let unit = match Unit::parse(text) {
        Ok(unit) => unit,
        Err(why) => {
            let help = wanted.map_or_else(String::new, |code| {
                format!("write a UCUM code such as unit = \"{code}\"")
            });
            item.fault(&why.to_string(), &help);
            return None;
        }
    };
    let fits = |code: &str| Unit::parse(code).is_ok_and(|other| other.fits(&unit));
    let ok = match (written, wanted) {
        // ADC counts and bare ratios stand beside volts.
        (Some(Written::Ratio(_)), _) => fits("V") || fits("1"),
        (_, Some(code)) => fits(code),
        (_, None) => true,
    };
    if ok {
        return Some(unit);
    }
    let (what, code) = match (written, quantity) {
        (Some(Written::Value), Some(quantity)) => (quantity.name().to_owned(), quantity.unit()),
        (Some(Written::Frequency), _) => ("a frequency".to_owned(), "Hz"),
        (Some(Written::Ratio(_)), _) => ("a voltage or a ratio".to_owned(), "V"),
        _ => ("a number of pulses, changes or switches".to_owned(), "1"),
    };
    item.fault(
        &format!("the unit `{text}` does not measure {what}"),
        &format!("write unit = \"{code}\""),
    );
    None
}

fn height(item: &Item<'_>, quantity: Option<Quantity>, usual: &Usual) -> Option<f64> {
    let height = item.measure_within("m", Scale::Point, (-500.0, 9_000.0), "1.5 m")?;
    if quantity == Some(Quantity::SurfaceAirPressure) {
        if (height - usual.elevation).abs() > ODD_BAROMETER {
            item.report.warn(
                &item.span,
                &format!(
                    "a barometer's height is above mean sea level, and its station stands at {} m",
                    usual.elevation
                ),
                "write the height of the sensor above mean sea level, not above the ground",
            );
        }
    } else if !(-20.0..=200.0).contains(&height) {
        item.fault(
            &format!(
                "`height` is above the ground, and {height} m is no height for this instrument"
            ),
            "write height = \"1.5 m\"",
        );
        return None;
    }
    Some(height)
}

/// What the firmware sends: statistic, averaging time and stamp.
fn averaging(
    table: &Table<'_>,
    quantity: Option<Quantity>,
    written: Option<&Written>,
) -> (Statistic, Option<Span>, Stamp) {
    let direct = written == Some(&Written::Value);
    let gust = quantity == Some(Quantity::WindSpeedOfGust);
    let words: Vec<(&'static str, Statistic)> =
        Statistic::ALL.iter().map(|s| (s.word(), *s)).collect();
    let statistic_item = table.item("statistic");
    let statistic = statistic_item.as_ref().and_then(|i| i.choice(&words));
    let over_item = table.item("over");
    let over = over_item.as_ref().and_then(|i| i.span_within(Span(100), Span::days(1), "10 s"));
    let stamp = table
        .item("stamp")
        .and_then(|i| i.choice(&[("end", Stamp::End), ("start", Stamp::Start)]))
        .unwrap_or(Stamp::End);
    if let (false, Some(item), true) = (direct, statistic_item.as_ref(), written.is_some()) {
        item.fault(
            "only a direct value has a statistic",
            "leave `statistic` out: counts are turned into statistics here",
        );
    }
    let usual = if gust { Statistic::Maximum } else { Statistic::Point };
    let statistic = if statistic_item.is_some() { statistic.unwrap_or(usual) } else { usual };
    if direct && over_item.is_none() && gust {
        table.missing("over", "\"3 s\": every gust carries its averaging time");
    } else if direct && over_item.is_none() && statistic != Statistic::Point {
        table.missing("over", &format!("\"1 min\": the time this {statistic} is taken over"));
    }
    (statistic, over, stamp)
}

fn mounting(item: &Item<'_>, quantity: Option<Quantity>) -> Option<f64> {
    let angle = item.degrees((-360.0, 360.0), "12")?;
    if quantity.is_some_and(|q| !q.is_direction()) {
        item.fault("only a vane has a mounting", "leave `mounting` out");
        return None;
    }
    Some(angle)
}

/// The signal with its supply still to be found.
fn resolved(written: Written) -> (Signal, Option<(String, Range<usize>)>) {
    let signal = match written {
        Written::Value => Signal::Value,
        Written::PulseTotal { bits } => Signal::PulseTotal { bits },
        Written::PulseCount => Signal::PulseCount,
        Written::Frequency => Signal::Frequency,
        Written::Switches(switches) => Signal::Switches(switches),
        Written::ChangeTotal { bits } => Signal::ChangeTotal { bits },
        Written::ChangeCount => Signal::ChangeCount,
        Written::ChangeState => Signal::ChangeState,
        Written::Ratio(ratio) => {
            let signal = Signal::Ratio(Ratio {
                supply: None,
                bands: ratio.bands,
                full_scale: ratio.full_scale,
            });
            return (signal, ratio.supply);
        }
    };
    (signal, None)
}
