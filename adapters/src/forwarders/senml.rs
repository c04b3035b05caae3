//! Readings as a SenML pack (RFC 8428): the base name is the property's UUID, a name
//! STATION/INSTRUMENT/QUANTITY and, where it is no point, /STATISTIC and the spans.
//!
//! SenML has no word for a flag: the settings choose which readings go out, by default
//! those that count. A reading without a value has no record.

use super::port::{Origin, Outgoing, SeriesName};
use observation::reading::decimal_text;
use observation::{Quantity, Statistic};
use std::io::Write as _;

/// Media type of a pack.
pub(super) const TYPE: &str = "application/senml+json";

/// The unit in SenML's words: the registry of RFC 8428 and RFC 8798 where it has one.
fn unit(name: &SeriesName) -> &str {
    match name.unit.as_str() {
        "%" if name.series.quantity == Quantity::RelativeHumidity => "%RH",
        "%" => "/100",
        "1" => "/",
        unit => unit,
    }
}

fn put_name(name: &SeriesName, out: &mut Vec<u8>) {
    let series = &name.series;
    // Writing to a vector does not fail; identifiers hold nothing to escape.
    let _ = write!(out, "{}/{}/{}", series.station, series.instrument, series.quantity.name());
    if series.statistic != Statistic::Point {
        let _ = write!(out, "/{}", series.statistic.word());
    }
    for span in [series.over, series.period].into_iter().flatten() {
        let _ = write!(out, "/{span}");
    }
}

/// Appends the pack of some readings; whether it has any record.
pub(super) fn pack(origin: &Origin, readings: &[Outgoing], out: &mut Vec<u8>) -> bool {
    let mut first = true;
    for outgoing in readings {
        let reading = &outgoing.reading;
        let (Some(steps), Some(name)) = (reading.value, origin.series(reading.series)) else {
            continue;
        };
        if first {
            let _ = write!(out, "[{{\"bn\":\"{}/\",", origin.id);
            first = false;
        } else {
            out.extend_from_slice(b",{");
        }
        out.extend_from_slice(b"\"n\":\"");
        put_name(name, out);
        let (seconds, rest) = (reading.time.0.div_euclid(1_000), reading.time.0.rem_euclid(1_000));
        let _ = write!(out, "\",\"u\":\"{}\",\"t\":{seconds}", unit(name));
        if rest != 0 {
            let _ = write!(out, ".{rest:03}");
        }
        let _ = write!(out, ",\"v\":{}}}", decimal_text(steps, name.decimals));
    }
    if !first {
        out.push(b']');
    }
    !first
}
