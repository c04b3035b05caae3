//! Readings as lines: the form in which they leave the program.
//!
//! The order of fields is part of the contract: `time`, `station`, `instrument`,
//! `quantity`, `statistic`, `over`, `period`, `value`, `unit`, `flag`, `reasons`,
//! `revision`. No field is ever left out: `over`, `period` and `value` are `null` where
//! there is none, `reasons` is an empty list. CSV has the same columns with the same
//! texts; there `null` is empty and reasons are apart by blanks.

use observation::{Reading, Series, SeriesIndex, text};

/// The heading of CSV lines.
pub const CSV_HEADING: &str =
    "time,station,instrument,quantity,statistic,over,period,value,unit,flag,reasons,revision\n";

#[derive(Clone, Debug)]
struct Head {
    /// `"station":...` up to and including `"value":`.
    json: Box<str>,
    /// `,"unit":"...","flag":"`.
    json_unit: Box<str>,
    /// Station up to and including the comma before the value.
    csv: Box<str>,
    unit: Box<str>,
    decimals: u8,
    /// Place among all series ordered by their texts.
    rank: u32,
}

/// Writes readings of one list of series.
#[derive(Clone, Debug)]
pub struct ReadingLines {
    heads: Vec<Head>,
}

fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

fn csv_field(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

fn texts(series: &Series) -> [String; 6] {
    let span = |s: Option<observation::Span>| s.map(|s| s.to_string()).unwrap_or_default();
    [
        series.station.clone(),
        series.instrument.clone(),
        series.quantity.name().to_owned(),
        series.statistic.word().to_owned(),
        span(series.over),
        span(series.period),
    ]
}

impl ReadingLines {
    /// For the series of a run, by index.
    pub fn of_series(series: &[Series]) -> Self {
        Self::new(series.iter().map(|s| (s, s.quantity.unit(), s.quantity.decimals())))
    }

    /// For any list of series, each with its unit and its count of decimals, by index.
    pub fn new<'a>(series: impl Iterator<Item = (&'a Series, &'a str, u8)>) -> Self {
        let mut order = Vec::new();
        let mut heads: Vec<Head> = series
            .zip(0_usize..)
            .map(|((series, unit, decimals), place)| {
                let texts = texts(series);
                let [station, instrument, quantity, statistic, over, period] = &texts;
                let span = |text: &str| {
                    if text.is_empty() { "null".to_owned() } else { quoted(text) }
                };
                let json = format!(
                    "\"station\":{},\"instrument\":{},\"quantity\":{},\"statistic\":{},\"over\":{},\"period\":{},\"value\":",
                    quoted(station),
                    quoted(instrument),
                    quoted(quantity),
                    quoted(statistic),
                    span(over),
                    span(period)
                );
                let csv = format!(
                    "{},{},{quantity},{statistic},{over},{period},",
                    csv_field(station),
                    csv_field(instrument)
                );
                order.push((texts, place));
                Head {
                    json: json.into(),
                    json_unit: format!(",\"unit\":{},\"flag\":\"", quoted(unit)).into(),
                    csv: csv.into(),
                    unit: csv_field(unit).into(),
                    decimals,
                    rank: 0,
                }
            })
            .collect();
        order.sort();
        for (rank, (_, place)) in (0_u32..).zip(order) {
            if let Some(head) = heads.get_mut(place) {
                head.rank = rank;
            }
        }
        Self { heads }
    }

    /// The place of a series among all, ordered by station, instrument, quantity,
    /// statistic, over and period as text.
    pub fn rank(&self, series: SeriesIndex) -> u32 {
        self.heads.get(series.0 as usize).map_or(u32::MAX, |h| h.rank)
    }

    /// Appends a reading as one JSON object with its line feed. A reading of a series
    /// outside the list adds nothing.
    pub fn json(&self, reading: &Reading, out: &mut Vec<u8>) {
        self.object(reading, out);
        out.push(b'\n');
    }

    /// Appends a reading as one JSON object.
    pub fn object(&self, reading: &Reading, out: &mut Vec<u8>) {
        if self.open_object(reading, out) {
            out.push(b'}');
        }
    }

    /// Appends a reading as one JSON object whose last brace is still owed, so that more
    /// fields may follow; false if nothing was added.
    pub fn open_object(&self, reading: &Reading, out: &mut Vec<u8>) -> bool {
        let Some(head) = self.heads.get(reading.series.0 as usize) else { return false };
        out.extend_from_slice(b"{\"time\":\"");
        text::instant(reading.time, out);
        out.extend_from_slice(b"\",");
        out.extend_from_slice(head.json.as_bytes());
        match reading.value {
            Some(steps) => text::decimal(steps, head.decimals, out),
            None => out.extend_from_slice(b"null"),
        }
        out.extend_from_slice(head.json_unit.as_bytes());
        out.extend_from_slice(reading.flag.word().as_bytes());
        out.extend_from_slice(b"\",\"reasons\":[");
        for (place, reason) in reading.reasons.iter().enumerate() {
            if place > 0 {
                out.push(b',');
            }
            out.push(b'"');
            out.extend_from_slice(reason.word().as_bytes());
            out.push(b'"');
        }
        out.extend_from_slice(b"],\"revision\":");
        text::whole(u64::from(reading.revision), out);
        true
    }

    /// Appends a reading as one line of CSV.
    pub fn csv(&self, reading: &Reading, out: &mut Vec<u8>) {
        let Some(head) = self.heads.get(reading.series.0 as usize) else { return };
        text::instant(reading.time, out);
        out.push(b',');
        out.extend_from_slice(head.csv.as_bytes());
        if let Some(steps) = reading.value {
            text::decimal(steps, head.decimals, out);
        }
        for field in [&*head.unit, reading.flag.word(), ""] {
            out.push(b',');
            out.extend_from_slice(field.as_bytes());
        }
        for (place, reason) in reading.reasons.iter().enumerate() {
            if place > 0 {
                out.push(b' ');
            }
            out.extend_from_slice(reason.word().as_bytes());
        }
        out.push(b',');
        text::whole(u64::from(reading.revision), out);
        out.push(b'\n');
    }
}

/// Puts readings that come in the order of their times into the order of the contract:
/// within one time by the texts of their series. Holds the readings of one time.
#[derive(Debug, Default)]
pub struct Sorted {
    held: Vec<Reading>,
}

impl Sorted {
    /// Takes the next reading; whatever is complete goes to `each`.
    ///
    /// # Errors
    /// What `each` returns.
    pub fn take<E>(
        &mut self,
        lines: &ReadingLines,
        reading: Reading,
        each: &mut impl FnMut(&Reading) -> Result<(), E>,
    ) -> Result<(), E> {
        if self.held.first().is_some_and(|first| first.time != reading.time) {
            self.finish(lines, each)?;
        }
        self.held.push(reading);
        Ok(())
    }

    /// Gives what is still held.
    ///
    /// # Errors
    /// What `each` returns.
    pub fn finish<E>(
        &mut self,
        lines: &ReadingLines,
        each: &mut impl FnMut(&Reading) -> Result<(), E>,
    ) -> Result<(), E> {
        self.held.sort_by_key(|r| lines.rank(r.series));
        self.held.drain(..).try_for_each(|reading| each(&reading))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use observation::{Flag, Quantity, Reason, Reasons, Span, Statistic, Time};

    fn series(
        station: &str,
        quantity: Quantity,
        statistic: Statistic,
        period: Option<Span>,
    ) -> Series {
        Series {
            station: station.to_owned(),
            instrument: "cup".to_owned(),
            quantity,
            statistic,
            over: None,
            period,
        }
    }

    fn reading(series: u32, time: i64, value: Option<i64>) -> Reading {
        Reading {
            series: SeriesIndex(series),
            time: Time(time),
            value,
            flag: Flag::Good,
            reasons: Reasons::NONE,
            revision: 0,
            made_by: 0,
        }
    }

    #[test]
    fn a_line_has_every_field_in_the_order_of_the_contract() {
        let list =
            [series("orchard", Quantity::WindSpeed, Statistic::Mean, Some(Span::minutes(10)))];
        let lines = ReadingLines::of_series(&list);
        let mut kept = reading(0, 1_764_064_800_000, Some(360));
        kept.reasons = Reasons::from(Reason::Clock).with(Reason::Incomplete);
        let mut out = Vec::new();
        lines.json(&kept, &mut out);
        assert_eq!(
            String::from_utf8_lossy(&out),
            "{\"time\":\"2025-11-25T10:00:00Z\",\"station\":\"orchard\",\"instrument\":\"cup\",\
             \"quantity\":\"wind_speed\",\"statistic\":\"mean\",\"over\":null,\"period\":\"PT10M\",\
             \"value\":3.6,\"unit\":\"m/s\",\"flag\":\"good\",\"reasons\":[\"clock\",\"incomplete\"],\
             \"revision\":0}\n"
        );
        let mut out = Vec::new();
        lines.csv(&reading(0, 1_764_064_800_500, None), &mut out);
        assert_eq!(
            String::from_utf8_lossy(&out),
            "2025-11-25T10:00:00.500Z,orchard,cup,wind_speed,mean,,PT10M,,m/s,good,,0\n"
        );
    }

    #[test]
    fn readings_of_one_time_are_ordered_by_text() {
        let list = [
            series("ridge", Quantity::WindSpeed, Statistic::Mean, None),
            series("orchard", Quantity::WindSpeed, Statistic::Mean, None),
            series("orchard", Quantity::AirTemperature, Statistic::Point, None),
        ];
        let lines = ReadingLines::of_series(&list);
        let mut sorted = Sorted::default();
        let mut seen = Vec::new();
        let mut each = |r: &Reading| {
            seen.push((r.time.0, r.series.0));
            Ok::<(), ()>(())
        };
        for (series, time) in [(0, 1), (1, 1), (2, 1), (0, 2)] {
            sorted.take(&lines, reading(series, time, None), &mut each).unwrap_or(());
        }
        sorted.finish(&lines, &mut each).unwrap_or(());
        assert_eq!(seen, [(1, 2), (1, 1), (1, 0), (2, 0)]);
    }
}
