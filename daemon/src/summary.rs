//! Readings summarised over equal steps, as `step` asks for it: the mean (for
//! directions the vector mean of unit vectors), for rain the sum, with minimum, maximum
//! and how many readings count and do not. Steps are `(end - step, end]`, cut on whole
//! multiples of their length since 1970-01-01T00:00Z.

use observation::reading::{decimal_text, to_steps};
use observation::{Flag, Quantity, Reading, Reasons, Series, SeriesIndex, Span, Statistic, Time};
use std::collections::BTreeMap;
use std::io::Write as _;

/// Shortest resultant of unit vectors that still has a direction.
const CALM_RESULTANT: f64 = 1e-6;

/// The heading of CSV lines.
pub const CSV_HEADING: &str = "time,station,instrument,quantity,statistic,over,period,value,unit,\
    flag,reasons,minimum,maximum,count,missing\n";

/// One step of one series.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// The series.
    pub series: SeriesIndex,
    /// The end of the step.
    pub end: Time,
    /// Mean or sum in steps of the quantity; none if nothing counts or directions
    /// cancel.
    pub value: Option<i64>,
    /// Least, in steps of the quantity; none for directions.
    pub minimum: Option<i64>,
    /// Greatest, in steps of the quantity; none for directions.
    pub maximum: Option<i64>,
    /// The worst flag of what counts; `missing` if nothing does.
    pub flag: Flag,
    /// The reasons of what counts.
    pub reasons: Reasons,
    /// Readings that count: good and unchecked ones with a value.
    pub count: u64,
    /// Readings that do not.
    pub missing: u64,
}

impl Step {
    /// Appends it as one JSON object: the fields of a reading's line without the
    /// revision, `time` being the end of the step, then `minimum`, `maximum`, `count`
    /// and `missing`. Statistic, over and period tell which series was summarised.
    pub fn object(&self, series: &Series, out: &mut Vec<u8>) {
        let decimals = series.quantity.decimals();
        let number = |value: Option<i64>| {
            value.map_or_else(|| "null".to_owned(), |steps| decimal_text(steps, decimals))
        };
        let word = |text: &str| serde_json::Value::from(text);
        let span = |span: Option<Span>| serde_json::Value::from(span.map(|s| s.to_string()));
        let reasons: Vec<String> =
            self.reasons.iter().map(|r| format!("\"{}\"", r.word())).collect();
        // Writing to a vector does not fail.
        let _ = write!(
            out,
            "{{\"time\":\"{}\",\"station\":{},\"instrument\":{},\"quantity\":\"{}\",\
             \"statistic\":\"{}\",\"over\":{},\"period\":{},\"value\":{},\"unit\":{},\
             \"flag\":\"{}\",\"reasons\":[{}],\"minimum\":{},\"maximum\":{},\"count\":{},\
             \"missing\":{}}}",
            self.end,
            word(&series.station),
            word(&series.instrument),
            series.quantity,
            series.statistic,
            span(series.over),
            span(series.period),
            number(self.value),
            word(series.quantity.unit()),
            self.flag,
            reasons.join(","),
            number(self.minimum),
            number(self.maximum),
            self.count,
            self.missing,
        );
    }

    /// Appends it as one line of CSV in the order of [`CSV_HEADING`]; identifiers hold
    /// nothing that CSV would have to quote.
    pub fn csv(&self, series: &Series, out: &mut Vec<u8>) {
        let decimals = series.quantity.decimals();
        let number =
            |value: Option<i64>| value.map(|s| decimal_text(s, decimals)).unwrap_or_default();
        let span = |span: Option<Span>| span.map(|s| s.to_string()).unwrap_or_default();
        let reasons: Vec<&str> = self.reasons.iter().map(observation::Reason::word).collect();
        let _ = writeln!(
            out,
            "{},{},{},{},{},{},{},{},{},{},{},{},{},{},{}",
            self.end,
            series.station,
            series.instrument,
            series.quantity,
            series.statistic,
            span(series.over),
            span(series.period),
            number(self.value),
            series.quantity.unit(),
            self.flag,
            reasons.join(" "),
            number(self.minimum),
            number(self.maximum),
            self.count,
            self.missing,
        );
    }
}

#[derive(Clone, Copy, Debug, Default)]
struct Gathered {
    sum: f64,
    east: f64,
    north: f64,
    minimum: Option<i64>,
    maximum: Option<i64>,
    flag: Flag,
    reasons: Reasons,
    count: u64,
    missing: u64,
}

/// Gathers readings in the order of their times and gives the steps in the order of
/// their ends. Holds one open step of each series.
#[derive(Debug)]
pub struct Summary {
    step: Span,
    end: Option<Time>,
    open: BTreeMap<SeriesIndex, Gathered>,
}

impl Summary {
    /// A summary over steps of a length; at least 1 ms.
    pub fn new(step: Span) -> Self {
        Self { step: Span(step.0.max(1)), end: None, open: BTreeMap::new() }
    }

    /// Takes the next reading; `series` is its series. Steps that end before it are
    /// pushed to `done`.
    pub fn take(
        &mut self,
        reading: &Reading,
        series: &Series,
        names: &dyn Lookup,
        done: &mut Vec<Step>,
    ) {
        let end = reading.time.step_end(self.step);
        if self.end.is_some_and(|open| open != end) {
            self.finish(names, done);
        }
        self.end = Some(end);
        let open = self.open.entry(reading.series).or_default();
        let Some(steps) = reading.value.filter(|_| reading.flag.counts()) else {
            open.missing += 1;
            return;
        };
        open.count += 1;
        open.flag = open.flag.worse(reading.flag);
        open.reasons = open.reasons.union(reading.reasons);
        open.sum += steps as f64;
        if series.quantity.is_direction() && series.statistic != Statistic::StandardDeviation {
            let radians =
                (steps as f64 / 10_f64.powi(i32::from(series.quantity.decimals()))).to_radians();
            open.east += radians.sin();
            open.north += radians.cos();
        } else {
            open.minimum = Some(open.minimum.map_or(steps, |m| m.min(steps)));
            open.maximum = Some(open.maximum.map_or(steps, |m| m.max(steps)));
        }
    }

    /// Ends the open step of every series.
    pub fn finish(&mut self, names: &dyn Lookup, done: &mut Vec<Step>) {
        let Some(end) = self.end.take() else { return };
        for (index, open) in std::mem::take(&mut self.open) {
            let Some(series) = names.series(index) else { continue };
            done.push(Step {
                series: index,
                end,
                value: open.value(series),
                minimum: open.minimum,
                maximum: open.maximum,
                flag: if open.count == 0 { Flag::Missing } else { open.flag },
                reasons: open.reasons,
                count: open.count,
                missing: open.missing,
            });
        }
    }
}

impl Gathered {
    fn value(&self, series: &Series) -> Option<i64> {
        if self.count == 0 {
            return None;
        }
        let count = self.count as f64;
        if series.quantity.is_direction() && series.statistic != Statistic::StandardDeviation {
            if self.east.hypot(self.north) / count < CALM_RESULTANT {
                return None;
            }
            let degrees = self.east.atan2(self.north).to_degrees().rem_euclid(360.0);
            let steps = to_steps(degrees, series.quantity.decimals())?;
            // Directions lie above 0 up to 360: north is 360.
            let full = 360 * 10_i64.pow(u32::from(series.quantity.decimals()));
            return Some(if steps == 0 { full } else { steps });
        }
        if series.quantity == Quantity::PrecipitationDepth {
            return to_steps(self.sum, 0);
        }
        to_steps(self.sum / count, 0)
    }
}

/// Which series an index means.
pub trait Lookup {
    /// The series of an index.
    fn series(&self, index: SeriesIndex) -> Option<&Series>;
}

impl Lookup for history::Names {
    fn series(&self, index: SeriesIndex) -> Option<&Series> {
        Self::series(self, index)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use observation::{Reason, time::MINUTE};

    struct Listed(Series);

    impl Lookup for Listed {
        fn series(&self, index: SeriesIndex) -> Option<&Series> {
            (index.0 == 0).then_some(&self.0)
        }
    }

    fn series(quantity: Quantity, statistic: Statistic) -> Listed {
        Listed(Series {
            station: "orchard".to_owned(),
            instrument: "any".to_owned(),
            quantity,
            statistic,
            over: None,
            period: None,
        })
    }

    fn reading(minute: i64, value: Option<i64>, flag: Flag) -> Reading {
        Reading {
            series: SeriesIndex(0),
            time: Time(minute * MINUTE),
            value,
            flag,
            reasons: Reasons::NONE,
            revision: 0,
            made_by: 0,
        }
    }

    fn summed(list: &Listed, readings: &[Reading]) -> Vec<Step> {
        let mut summary = Summary::new(Span::minutes(10));
        let mut done = Vec::new();
        for reading in readings {
            if let Some(series) = list.series(reading.series) {
                summary.take(reading, series, list, &mut done);
            }
        }
        summary.finish(list, &mut done);
        done
    }

    #[test]
    fn a_step_holds_its_end_and_not_its_start() {
        let list = series(Quantity::AirTemperature, Statistic::Point);
        let readings: Vec<Reading> =
            (0..=20).map(|m| reading(m, Some(m * 100), Flag::Good)).collect();
        let done = summed(&list, &readings);
        assert_eq!(
            done.iter().map(|s| (s.end.0 / MINUTE, s.count)).collect::<Vec<_>>(),
            [(0, 1), (10, 10), (20, 10)]
        );
        let Some(step) = done.get(1) else { panic!("three steps") };
        assert_eq!((step.value, step.minimum, step.maximum), (Some(550), Some(100), Some(1_000)));
        assert_eq!(step.flag, Flag::Good);
    }

    #[test]
    fn rain_is_summed_and_what_does_not_count_is_counted() {
        let list = series(Quantity::PrecipitationDepth, Statistic::Sum);
        let mut bad = reading(3, Some(9_000), Flag::Doubtful);
        bad.reasons = Reason::Step.into();
        let done = summed(
            &list,
            &[
                reading(1, Some(200), Flag::Unchecked),
                reading(2, Some(400), Flag::Good),
                bad,
                reading(4, None, Flag::Missing),
            ],
        );
        let Some(step) = done.first() else { panic!("one step") };
        assert_eq!((step.value, step.count, step.missing), (Some(600), 2, 2));
        assert!(step.reasons.is_empty());
    }

    #[test]
    fn directions_are_averaged_as_vectors_and_may_cancel() {
        let list = series(Quantity::WindFromDirection, Statistic::Mean);
        let of = |degrees: &[i64]| {
            let readings: Vec<Reading> =
                (1..).zip(degrees).map(|(m, d)| reading(m, Some(d * 10), Flag::Good)).collect();
            summed(&list, &readings).first().and_then(|s| s.value)
        };
        assert_eq!(of(&[350, 10]), Some(3_600));
        assert_eq!(of(&[0, 90, 180, 270]), None);
        assert_eq!(of(&[350, 355, 5, 20]), Some(25));
    }

    #[test]
    fn a_step_without_anything_that_counts_has_no_value() {
        let list = series(Quantity::AirTemperature, Statistic::Point);
        let done = summed(&list, &[reading(1, None, Flag::Missing)]);
        let Some(step) = done.first() else { panic!("one step") };
        assert_eq!((step.value, step.flag, step.count, step.missing), (None, Flag::Missing, 0, 1));
    }
}
