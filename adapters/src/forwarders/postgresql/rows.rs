//! Readings as rows in the text form of COPY.

use crate::forwarders::port::{Identity, Origin, Outgoing, Piece};
use bytes::Bytes;
use observation::reading::decimal_text;
use observation::{SeriesIndex, Time};
use std::collections::{BTreeSet, HashMap};
use std::io::Write as _;

/// The columns, in the order of the rows.
pub(super) const COLUMNS: &str = "property, station, instrument, quantity, statistic, \"over\", \
    period, time, value, unit, flag, reasons, revision, id";

/// All readings as one piece: rows, and as its place the months they lie in, `YYYY-MM`
/// apart by blanks. Of several revisions of one reading only the highest is sent.
pub(super) fn piece(origin: &Origin, readings: &[Outgoing]) -> Piece {
    let mut highest: HashMap<(SeriesIndex, Time), u32> = HashMap::with_capacity(readings.len());
    for Outgoing { reading, .. } in readings {
        let held = highest.entry((reading.series, reading.time)).or_insert(reading.revision);
        *held = (*held).max(reading.revision);
    }
    let mut heads: HashMap<SeriesIndex, (String, String)> = HashMap::new();
    let mut months: BTreeSet<String> = BTreeSet::new();
    let mut last_month = String::new();
    let mut body = Vec::with_capacity(readings.len() * 220);
    for outgoing in readings {
        let reading = &outgoing.reading;
        let key = (reading.series, reading.time);
        // Taken out, so that a repeat of the same revision goes in once.
        if highest.get(&key) != Some(&reading.revision) {
            continue;
        }
        let Some(name) = origin.series(reading.series) else { continue };
        highest.remove(&key);
        let (head, unit) = heads.entry(reading.series).or_insert_with(|| {
            let series = &name.series;
            let span = |s: Option<observation::Span>| s.map(|s| s.to_string()).unwrap_or_default();
            let head = format!(
                "{}\t{}\t{}\t{}\t{}\t{}\t{}\t",
                origin.id,
                series.station,
                series.instrument,
                series.quantity.name(),
                series.statistic.word(),
                span(series.over),
                span(series.period)
            );
            (head, name.unit.clone())
        });
        let time = reading.time.to_string();
        let month = time.get(..7).unwrap_or_default();
        if month != last_month {
            month.clone_into(&mut last_month);
            months.insert(last_month.clone());
        }
        // Writing to a vector does not fail; nothing here needs COPY's escapes:
        // identifiers, names, units and numbers hold neither tab nor backslash.
        body.extend_from_slice(head.as_bytes());
        body.extend_from_slice(time.as_bytes());
        match reading.value {
            Some(steps) => {
                let _ = write!(body, "\t{}\t", decimal_text(steps, name.decimals));
            }
            None => body.extend_from_slice(b"\t\\N\t"),
        }
        let _ = write!(body, "{unit}\t{}\t{{", reading.flag.word());
        for (place, reason) in reading.reasons.iter().enumerate() {
            let comma = if place > 0 { "," } else { "" };
            let _ = write!(body, "{comma}{}", reason.word());
        }
        let _ = writeln!(body, "}}\t{}\t{}", reading.revision, Identity(origin, outgoing));
    }
    let place = months.into_iter().collect::<Vec<_>>().join(" ");
    Piece { place, body: Bytes::from(body), readings: 0..readings.len(), ..Piece::default() }
}
