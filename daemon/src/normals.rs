//! Own normals by month: the means of a property's own record, month by month over its
//! years, under the published limits of completeness, and how many years they stand on.

use crate::digest::{Asked, Trouble, gather};
use history::{Look, Selection};
use meteorology::summaries::{monthly_mean, monthly_sum, normal};
use observation::days::{Cut, DayKind, Division};
use observation::quantity::Base;
use observation::reading::{decimal_text, to_steps};
use observation::time::DAY;
use observation::{Date, Property, Quantity, Series, Span, Statistic, Time};
use processor::summaries::{Figures, Measure};
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// Of a day's rain so much may lack before the day lacks (own choice: two per cent, the
/// restarts and lost messages of home stations; the guidelines want every day).
const LACKING: Span = Span::minutes(30);
/// Years of a climate normal (WMO-No. 1203, 2017; from memory).
const CLIMATE: usize = 30;

/// What is taken of each day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Element {
    Mean,
    Maximum,
    Minimum,
    Sum,
}

impl Element {
    const fn word(self) -> &'static str {
        match self {
            Self::Mean => "mean",
            Self::Maximum => "maximum",
            Self::Minimum => "minimum",
            Self::Sum => "sum",
        }
    }

    /// Those that a series has, each with the kind of day it is taken from.
    fn of(property: &Property, series: &Series) -> Vec<(Self, DayKind)> {
        // Days of a kind that starts at midnight are the civil ones.
        let usual = |kind: DayKind| {
            let civil = property.days.start(DayKind::Civil);
            if property.days.start(kind) == civil { DayKind::Civil } else { kind }
        };
        let quantity = series.quantity;
        if quantity.is_direction() || quantity.base() == Base::Code {
            return Vec::new();
        }
        match series.statistic {
            Statistic::Sum => {
                let rain = quantity == Quantity::PrecipitationDepth;
                vec![(Self::Sum, if rain { usual(DayKind::Rain) } else { DayKind::Civil })]
            }
            Statistic::Maximum => vec![(Self::Maximum, DayKind::Civil)],
            Statistic::Point | Statistic::Mean => {
                let mut all = vec![(Self::Mean, DayKind::Civil)];
                if matches!(quantity, Quantity::AirTemperature | Quantity::GrassTemperature) {
                    all.push((Self::Maximum, usual(DayKind::Maximum)));
                    all.push((Self::Minimum, usual(DayKind::Minimum)));
                }
                all
            }
            _ => Vec::new(),
        }
    }

    /// The day's value in steps; none where too much of the day lacks.
    fn value(self, figures: &Figures) -> Option<f64> {
        let enough = figures.expected.is_some_and(|expected| {
            figures.count as f64 >= meteorology::summaries::LEAST_SHARE * expected as f64
        });
        let steps = match self {
            Self::Mean => figures.mean,
            Self::Maximum => figures.maximum.filter(|_| enough).map(|e| e.steps),
            Self::Minimum => figures.minimum.filter(|_| enough).map(|e| e.steps),
            Self::Sum => figures.sum.filter(|_| figures.missing.is_some_and(|m| m <= LACKING)),
        };
        steps.map(|steps| steps as f64)
    }
}

/// A month of a year, and its values.
type Months = BTreeMap<(i32, u8), Option<f64>>;

/// One line.
#[derive(Debug)]
pub struct Row {
    series: Series,
    element: Element,
    month: u8,
    /// In steps of the quantity.
    value: Option<i64>,
    complete: usize,
    of: usize,
    first: i32,
    last: i32,
}

/// The heading of CSV lines.
pub const CSV_HEADING: &str = "month,station,instrument,quantity,statistic,over,period,element,unit,value,years,of,from,to,\
     text\n";

/// The own normals of a station or quantity, or of all, from finished months.
///
/// # Errors
/// See [`Trouble`].
pub fn rows(
    look: &Look<'_>,
    property: &Property,
    station: Option<&str>,
    quantity: Option<Quantity>,
    walked: Time,
) -> Result<Vec<Row>, Trouble> {
    let selection = Selection {
        station: station.map(str::to_owned),
        quantity,
        ..Selection::between(Time(0), walked)
    };
    let mut walk = look.walk(&selection).map_err(Trouble::Read)?;
    let first = walk.next_part().map_err(Trouble::Read)?.and_then(<[_]>::first);
    let Some(first) = first.map(|kept| kept.reading.time) else { return Ok(Vec::new()) };
    let mut found: BTreeMap<(Series, Element), Months> = BTreeMap::new();
    let mut month = property.days.cut(Division::Month, DayKind::Civil, first);
    while month.to + Span(DAY) <= walked {
        let asked = Asked {
            station: station.map(str::to_owned),
            quantity,
            series: Vec::new(),
            division: Division::Day,
            kind: None,
            from: month.from - Span(DAY),
            to: month.to + Span(DAY),
        };
        add(look, property, &asked, &month, walked, &mut found)?;
        month = property.days.cut(Division::Month, DayKind::Civil, month.to + Span(1));
    }
    Ok(found
        .into_iter()
        .flat_map(|((series, element), months)| told(&series, element, &months))
        .collect())
}

/// Adds the values of one month.
fn add(
    look: &Look<'_>,
    property: &Property,
    asked: &Asked,
    month: &Cut,
    walked: Time,
    found: &mut BTreeMap<(Series, Element), Months>,
) -> Result<(), Trouble> {
    let next = property.days.cut(Division::Month, DayKind::Civil, month.to + Span(1)).date;
    let length = usize::try_from(next.number() - month.date.number()).unwrap_or_default();
    let (summaries, _) = gather(look, property, asked, None)?;
    let mut days: BTreeMap<(Series, Element), Vec<Option<f64>>> = BTreeMap::new();
    for one in summaries {
        let Some(series) = look.names().series(one.series) else { continue };
        let place = place(one.cut.date, month.date);
        let figures = Measure::of(property, series).figures(&one.summary, &one.cut, walked);
        for (element, kind) in Element::of(property, series) {
            if kind != one.kind {
                continue;
            }
            let days = days.entry((series.clone(), element)).or_insert_with(|| vec![None; length]);
            if let Some(day) = place.and_then(|place| days.get_mut(place)) {
                *day = element.value(&figures);
            }
        }
    }
    for ((series, element), days) in days {
        let value = if element == Element::Sum { monthly_sum(&days) } else { monthly_mean(&days) };
        let months = found.entry((series, element)).or_default();
        months.insert((month.date.year, month.date.month), value);
    }
    Ok(())
}

/// The place of a date among the days from a first.
fn place(date: Date, first: Date) -> Option<usize> {
    usize::try_from(date.number() - first.number()).ok()
}

/// The lines of one series: a record begins and ends with a complete month, what lies
/// outside is no gap of it.
fn told(series: &Series, element: Element, months: &Months) -> Vec<Row> {
    let whole = |at: &(i32, u8)| months.get(at).copied().flatten().is_some();
    let first = months.keys().find(|&at| whole(at)).copied();
    let last = months.keys().rfind(|&at| whole(at)).copied();
    let Some((first, last)) = first.zip(last) else { return Vec::new() };
    let row = |month: u8| {
        let years: Vec<i32> =
            (first.0..=last.0).filter(|&y| (y, month) >= first && (y, month) <= last).collect();
        let values: Vec<Option<f64>> =
            years.iter().map(|&year| months.get(&(year, month)).copied().flatten()).collect();
        let complete = values.iter().flatten().count();
        Some(Row {
            series: series.clone(),
            element,
            month,
            value: normal(&values).and_then(|n| to_steps(n.mean, 0)),
            complete,
            of: values.len(),
            first: *years.first()?,
            last: *years.last()?,
        })
    };
    (1..=12).filter_map(row).collect()
}

impl Row {
    fn fields(&self) -> Vec<(&'static str, Value)> {
        let Self { series, element, month, value, complete, of, first, last } = self;
        let text = value.map(|v| decimal_text(v, series.quantity.decimals()));
        let number = text.and_then(|t| t.parse::<serde_json::Number>().ok());
        vec![
            ("month", json!(month)),
            ("station", json!(series.station)),
            ("instrument", json!(series.instrument)),
            ("quantity", json!(series.quantity.name())),
            ("statistic", json!(series.statistic.word())),
            ("over", json!(series.over.map(|s| s.to_string()))),
            ("period", json!(series.period.map(|s| s.to_string()))),
            ("element", json!(element.word())),
            ("unit", json!(series.quantity.unit())),
            ("value", number.map_or(Value::Null, Value::Number)),
            ("years", json!(complete)),
            ("of", json!(of)),
            ("from", json!(first)),
            ("to", json!(last)),
            ("text", json!(self.text())),
        ]
    }

    /// What it stands on, in words.
    fn text(&self) -> String {
        let Self { complete, of, .. } = self;
        if self.value.is_none() {
            return format!("{complete} of {of} years are complete; four fifths are needed");
        }
        let years = if *complete == 1 { "year" } else { "years" };
        if *complete < CLIMATE {
            format!("own mean of {complete} {years}; a climate normal takes {CLIMATE}")
        } else {
            format!("own normal of {complete} {years}")
        }
    }

    /// Appends it as one JSON object.
    pub fn object(&self, out: &mut Vec<u8>) {
        crate::digest::object(self.fields(), out);
    }

    /// Appends it as one line of CSV.
    pub fn csv(&self, out: &mut Vec<u8>) {
        crate::digest::csv(self.fields(), out);
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn series() -> Series {
        Series {
            station: "orchard".into(),
            instrument: "gauge".into(),
            quantity: Quantity::PrecipitationDepth,
            statistic: Statistic::Sum,
            over: None,
            period: Some(Span::minutes(1)),
        }
    }

    /// Four fifths of the years (WMO-No. 1203, section 4.4; from memory), of the years of
    /// the record itself.
    #[test]
    fn a_record_begins_with_its_first_complete_month() {
        let mut months = Months::new();
        // A broken first month, then five years, of which one April is broken.
        months.insert((2020, 3), None);
        for year in 2020..=2025 {
            for month in 1..=12 {
                if (year, month) > (2020, 3) && (year, month) < (2025, 6) {
                    let broken = (year, month) == (2023, 4) || (month == 5 && year < 2022);
                    let value = f64::from(year - 2000) * 1_000.0;
                    months.insert((year, month), (!broken).then_some(value));
                }
            }
        }
        let rows = told(&series(), Element::Sum, &months);
        assert_eq!(rows.len(), 12);
        let of = |month: u8| rows.iter().find(|r| r.month == month).unwrap();
        let april = of(4);
        assert_eq!((april.complete, april.of, april.first, april.last), (5, 6, 2020, 2025));
        // 20, 21, 22, 24 and 25 mm.
        assert_eq!(april.value, Some(22_400));
        assert_eq!((of(3).complete, of(3).of, of(3).first), (5, 5, 2021), "the broken one is none");
        let may = of(5);
        assert_eq!((may.complete, may.of, may.value), (4, 6, None));
        assert_eq!(may.text(), "4 of 6 years are complete; four fifths are needed");
        assert_eq!(april.text(), "own mean of 5 years; a climate normal takes 30");
        assert_eq!((of(12).of, of(12).last), (5, 2024));
        let mut line = Vec::new();
        april.object(&mut line);
        let line: Value = serde_json::from_slice(&line).unwrap();
        assert_eq!((&line["value"], &line["unit"]), (&json!(22.4), &json!("mm")));
    }
}
