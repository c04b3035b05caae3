//! Summaries by hour, day, month and year as rows: gathered from the readings that stand,
//! so that they are right whatever came late.

use history::{Look, ReadError, Selection};
use meteorology::rain::Total;
use meteorology::summaries::Extreme;
use observation::days::{DayKind, Division};
use observation::reading::{decimal_text, from_steps};
use observation::{Date, Property, Quantity, Series, SeriesIndex, Span, Time};
use processor::summaries::{Figures, Gathering, Measure, Summarised, reach};
use serde_json::{Value, json};
use std::collections::HashMap;
use std::ops::ControlFlow;
use std::time::{Duration, Instant};

/// Most rows of one answer.
const MOST_ROWS: usize = 100_000;

/// The heading of CSV lines.
pub const CSV_HEADING: &str = "from,to,date,by,day,station,instrument,quantity,statistic,over,period,unit,\
     count,expected,left_out,minimum,minimum_at,maximum,maximum_at,mean,middle_of_extremes,sum,\
     missing,text\n";

/// What is asked for.
#[derive(Clone, Debug)]
pub struct Asked {
    /// Only this station's.
    pub station: Option<String>,
    /// Only this quantity's.
    pub quantity: Option<Quantity>,
    /// Only these series; empty for all.
    pub series: Vec<SeriesIndex>,
    /// How long each summary is.
    pub division: Division,
    /// By which days; none for those usual for each quantity.
    pub kind: Option<DayKind>,
    /// Spans that end after this instant
    pub from: Time,
    /// and start before this one.
    pub to: Time,
}

/// Why there is no answer.
#[derive(Debug)]
pub enum Trouble {
    /// The history cannot be read.
    Read(ReadError),
    /// More rows than an answer may have, or longer than it may take.
    TooMuch,
}

/// One summary with its names.
pub struct Row {
    series: Series,
    found: Summarised,
    figures: Figures,
    division: Division,
}

/// The summaries asked for, by time and series; `now` is up to when spans that still last
/// are expected to be filled. `limit` is how long it may take.
///
/// # Errors
/// See [`Trouble`].
pub fn rows(
    look: &Look<'_>,
    property: &Property,
    asked: &Asked,
    now: Time,
    limit: Option<Duration>,
) -> Result<Vec<Row>, Trouble> {
    let names = look.names();
    let (gathered, measures) = gather(look, property, asked, limit)?;
    let mut rows: Vec<Row> = gathered
        .into_iter()
        .filter_map(|found| {
            let series = names.series(found.series)?.clone();
            let measure = measures.get(&found.series.0)?;
            let figures = measure.figures(&found.summary, &found.cut, now);
            Some(Row { series, found, figures, division: asked.division })
        })
        .collect();
    rows.sort_by(|a, b| {
        let key = |r: &Row| (r.found.cut.from, r.found.cut.to, r.found.kind);
        key(a).cmp(&key(b)).then_with(|| a.series.cmp(&b.series))
    });
    Ok(rows)
}

/// The summaries asked for that hold anything, by series, and how each series is
/// summarised.
///
/// # Errors
/// See [`Trouble`].
pub fn gather(
    look: &Look<'_>,
    property: &Property,
    asked: &Asked,
    limit: Option<Duration>,
) -> Result<(Vec<Summarised>, HashMap<u32, Measure>), Trouble> {
    let days = &property.days;
    let whole = reach(days, asked.division, asked.kind, asked.from, asked.to);
    let selection = Selection {
        station: asked.station.clone(),
        quantity: asked.quantity,
        series: asked.series.clone(),
        ..Selection::between(whole.from, whole.to + Span(1))
    };
    let names = look.names();
    let mut measures: HashMap<u32, Measure> = HashMap::new();
    let mut gathering = Gathering::new(days, asked.division, asked.kind);
    let started = Instant::now();
    let whole = look.by_series(&selection, &mut |index, run| {
        if let Some(series) = names.series(index) {
            let measure = measures.entry(index.0).or_insert_with(|| Measure::of(property, series));
            for reading in run {
                gathering.take(reading, measure);
            }
        }
        if gathering.len() > MOST_ROWS || limit.is_some_and(|l| started.elapsed() > l) {
            return ControlFlow::Break(());
        }
        ControlFlow::Continue(())
    });
    if !whole.map_err(Trouble::Read)? {
        return Err(Trouble::TooMuch);
    }
    let mut found = gathering.finish();
    found.retain(|s| s.cut.to > asked.from && s.cut.from < asked.to);
    found.retain(|s| s.summary.count() + s.summary.left_out() > 0);
    Ok((found, measures))
}

impl Row {
    /// The date it stands under.
    pub fn date(&self) -> Date {
        self.found.cut.date
    }

    /// What it is of.
    pub fn quantity(&self) -> Quantity {
        self.series.quantity
    }

    /// Averaging time of the samples themselves.
    pub fn over(&self) -> Option<Span> {
        self.series.over
    }

    /// By which days it is cut.
    pub fn kind(&self) -> DayKind {
        self.found.kind
    }

    /// Where it starts and ends.
    pub fn ends(&self) -> (Time, Time) {
        (self.found.cut.from, self.found.cut.to)
    }

    /// What it says.
    pub fn figures(&self) -> &Figures {
        &self.figures
    }

    /// Names and values in the order of the contract.
    fn fields(&self) -> Vec<(&'static str, Value)> {
        let Self { series, found, figures, division } = self;
        let quantity = series.quantity;
        let number = |steps: Option<i64>| -> Value {
            let text = steps.map(|s| decimal_text(s, quantity.decimals()));
            let number = text.and_then(|t| t.parse::<serde_json::Number>().ok());
            number.map_or(Value::Null, Value::Number)
        };
        let span = |span: Option<Span>| json!(span.map(|s| s.to_string()));
        let steps = |e: Option<Extreme>| number(e.map(|e| e.steps));
        let at = |e: Option<Extreme>| json!(e.map(|e| e.at.to_string()));
        let day = (*division != Division::Hour).then(|| found.kind.word());
        vec![
            ("from", json!(found.cut.from.to_string())),
            ("to", json!(found.cut.to.to_string())),
            ("date", json!(found.cut.date.to_string())),
            ("by", json!(division.word())),
            ("day", json!(day)),
            ("station", json!(series.station)),
            ("instrument", json!(series.instrument)),
            ("quantity", json!(quantity.name())),
            ("statistic", json!(series.statistic.word())),
            ("over", span(series.over)),
            ("period", span(series.period)),
            ("unit", json!(quantity.unit())),
            ("count", json!(figures.count)),
            ("expected", json!(figures.expected)),
            ("left_out", json!(figures.left_out)),
            ("minimum", steps(figures.minimum)),
            ("minimum_at", at(figures.minimum)),
            ("maximum", steps(figures.maximum)),
            ("maximum_at", at(figures.maximum)),
            ("mean", number(figures.mean)),
            ("middle_of_extremes", number(figures.middle_of_extremes)),
            ("sum", number(figures.sum)),
            ("missing", span(figures.missing)),
            ("text", json!(self.text())),
        ]
    }

    /// A depth as people read it, with what it lacks.
    fn text(&self) -> Option<String> {
        let quantity = self.series.quantity;
        let (sum, missing) = self.figures.sum.zip(self.figures.missing)?;
        (quantity == Quantity::PrecipitationDepth).then(|| {
            let covered = Span((self.found.cut.to - self.found.cut.from - missing).0.max(0));
            Total { depth: from_steps(sum, quantity.decimals()), covered, missing }.text()
        })
    }

    /// Appends it as one JSON object.
    pub fn object(&self, out: &mut Vec<u8>) {
        object(self.fields(), out);
    }

    /// Appends it as one line of CSV.
    pub fn csv(&self, out: &mut Vec<u8>) {
        csv(self.fields(), out);
    }
}

/// Appends fields as one JSON object, in their order.
pub fn object(fields: Vec<(&'static str, Value)>, out: &mut Vec<u8>) {
    out.push(b'{');
    for (place, (name, value)) in fields.into_iter().enumerate() {
        let comma = if place > 0 { "," } else { "" };
        out.extend_from_slice(format!("{comma}\"{name}\":{value}").as_bytes());
    }
    out.push(b'}');
}

/// Appends fields as one line of CSV.
pub fn csv(fields: Vec<(&'static str, Value)>, out: &mut Vec<u8>) {
    let texts: Vec<String> = fields
        .into_iter()
        .map(|(_, value)| match value {
            Value::Null => String::new(),
            // Only words for people hold commas, and no field holds quotes.
            Value::String(text) if text.contains(',') => format!("\"{text}\""),
            Value::String(text) => text,
            other => other.to_string(),
        })
        .collect();
    out.extend_from_slice(texts.join(",").as_bytes());
    out.push(b'\n');
}
