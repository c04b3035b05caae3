//! Templates for URLs, topics and bodies: minijinja with a bound on the work of one
//! rendering and no tolerance for names that are not there.
//!
//! Beside the usual filters: `convert("[degF]")` for a value in another unit (of a
//! reading, or `convert("Cel", "[degF]")` of a number), `strftime("%Y-%m-%d %H:%M:%S")`
//! of a reading's `time` in UTC, `tojson` and `urlencode`.

use super::port::{Identity, Origin, Outgoing, SeriesName};
use config::Secret;
use minijinja::syntax::SyntaxConfig;
use minijinja::value::Kwargs;
use minijinja::{Environment, Error, ErrorKind, UndefinedBehavior, Value};
use observation::reading::{decimal_text, from_steps};
use observation::{Statistic, Time, Unit};
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// Steps of the template engine in one rendering; a body of a thousand readings with a
/// dozen fields each needs about a tenth.
const FUEL: u64 = 2_000_000;
/// Longest result, in bytes.
const LONGEST: usize = 8 << 20;

/// A set of templates of one table.
pub(super) struct Templates {
    environment: Environment<'static>,
}

impl Templates {
    /// None yet. `secret` is what they know by that name.
    pub(super) fn new(secret: Option<&Secret>) -> Self {
        let mut environment = Environment::new();
        environment.set_undefined_behavior(UndefinedBehavior::Strict);
        environment.set_fuel(Some(FUEL));
        if let Ok(syntax) = SyntaxConfig::builder().keep_trailing_newline(true).build() {
            environment.set_syntax(syntax);
        }
        environment.set_auto_escape_callback(|_| minijinja::AutoEscape::None);
        environment.add_filter("convert", convert);
        environment.add_filter("strftime", strftime);
        if let Some(secret) = secret {
            environment.add_global("secret", secret.reveal());
        }
        Self { environment }
    }

    /// Adds one, or tells what is wrong with it, with its line where it has several.
    pub(super) fn add(&mut self, name: &'static str, source: &str) -> Result<(), String> {
        self.environment
            .add_template_owned(name, source.to_owned())
            .map_err(|e| format!("the template is not understood: {e}"))?;
        let template = self.environment.get_template(name).map_err(|e| e.to_string())?;
        let mut asked: Vec<String> = template.undeclared_variables(true).into_iter().collect();
        asked.sort();
        // The engine's own functions are asked for like variables.
        asked.retain(|path| self.environment.globals().all(|(name, _)| name != path));
        asked.iter().find_map(|path| unknown(path)).map_or(Ok(()), Err)
    }

    /// Renders one with some readings. `readings` is the list; `reading` is the first;
    /// `values` holds values by quantity, and by quantity, statistic and spans apart by
    /// blanks; `property` has `id` and `name`.
    pub(super) fn render(
        &self,
        name: &str,
        origin: &Origin,
        readings: &[Outgoing],
    ) -> Result<String, String> {
        let known: Vec<(&Outgoing, &SeriesName)> = readings
            .iter()
            .filter_map(|r| origin.series(r.reading.series).map(|name| (r, name)))
            .collect();
        let mut values: BTreeMap<String, f64> = BTreeMap::new();
        for (outgoing, name) in &known {
            let Some(steps) = outgoing.reading.value else { continue };
            let series = &name.series;
            let short = series.quantity.name().to_owned();
            let mut long = short.clone();
            if series.statistic != Statistic::Point {
                long.extend([" ", series.statistic.word()]);
            }
            for span in [series.over, series.period].into_iter().flatten() {
                // Writing to a string does not fail.
                let _ = write!(long, " {span}");
            }
            let value = from_steps(steps, name.decimals);
            values.entry(short).or_insert(value);
            values.entry(long).or_insert(value);
        }
        let seen: Vec<Value> = known.iter().map(|(r, name)| seen(origin, r, name)).collect();
        let context = minijinja::context! {
            reading => seen.first().cloned().unwrap_or(Value::UNDEFINED),
            readings => seen,
            values => values,
            property => minijinja::context! {
                id => &*origin.id,
                name => origin.property.name.as_str(),
            },
        };
        let template = self.environment.get_template(name).map_err(|e| e.to_string())?;
        let text = template.render(context).map_err(|e| match e.kind() {
            ErrorKind::OutOfFuel => "the template does more than is allowed at once".to_owned(),
            _ => e.to_string(),
        })?;
        if text.len() > LONGEST {
            return Err("the template's result is longer than 8 MiB".to_owned());
        }
        Ok(text)
    }
}

/// What a template asks for and nobody gives, and what there is instead: else every
/// reading would be refused for it, one by one.
fn unknown(path: &str) -> Option<String> {
    let mut parts = path.split('.');
    let (root, field) = (parts.next().unwrap_or_default(), parts.next());
    let known = match (root, field) {
        ("reading", Some(field)) if !FIELDS.contains(&field) => &FIELDS[..],
        ("property", Some(field)) if !["id", "name"].contains(&field) => &["id", "name"],
        ("secret", _) => {
            return Some("the template asks for `secret`: `secret_file` names its file".to_owned());
        }
        ("reading" | "readings" | "values" | "property", _) => return None,
        _ => &["reading", "readings", "values", "property", "secret"],
    };
    let word = if ["reading", "property"].contains(&root) { field.unwrap_or(root) } else { root };
    let help = match config::nearest(word, known.iter().copied()) {
        Some(near) => format!("did you mean `{near}`?"),
        None => format!("there are: {}", known.join(", ")),
    };
    Some(format!("the template asks for `{path}`, which does not exist; {help}"))
}

/// What templates may ask of a reading.
const FIELDS: [&str; 16] = [
    "id",
    "time",
    "unix",
    "unix_ms",
    "station",
    "instrument",
    "quantity",
    "statistic",
    "over",
    "period",
    "value",
    "text",
    "unit",
    "flag",
    "reasons",
    "revision",
];

/// A reading as templates see it.
fn seen(origin: &Origin, outgoing: &Outgoing, name: &SeriesName) -> Value {
    let reading = &outgoing.reading;
    let series = &name.series;
    let span = |span: Option<observation::Span>| span.map(|s| s.to_string());
    let reasons: Vec<&str> = reading.reasons.iter().map(observation::Reason::word).collect();
    let values: [Value; FIELDS.len()] = [
        Value::from(Identity(origin, outgoing).to_string()),
        Value::from(reading.time.to_string()),
        Value::from(reading.time.0.div_euclid(1_000)),
        Value::from(reading.time.0),
        Value::from(series.station.as_str()),
        Value::from(series.instrument.as_str()),
        Value::from(series.quantity.name()),
        Value::from(series.statistic.word()),
        Value::from(span(series.over)),
        Value::from(span(series.period)),
        Value::from(reading.value.map(|steps| from_steps(steps, name.decimals))),
        Value::from(reading.value.map(|steps| decimal_text(steps, name.decimals))),
        Value::from(name.unit.as_str()),
        Value::from(reading.flag.word()),
        Value::from(reasons),
        Value::from(reading.revision),
    ];
    Value::from_pairs(FIELDS.into_iter().zip(values))
}

fn wrong(message: String) -> Error {
    Error::new(ErrorKind::InvalidOperation, message)
}

/// A value in another unit, rounded to `decimals` (default 2).
#[allow(clippy::needless_pass_by_value, reason = "the engine hands filters their arguments")]
fn convert(
    value: Value,
    first: &str,
    second: Option<&str>,
    options: Kwargs,
) -> Result<Value, Error> {
    let decimals: Option<u8> = options.get("decimals")?;
    options.assert_all_used()?;
    let (number, from, to) = match second {
        Some(to) => (value, first.to_owned(), to),
        None => (value.get_attr("value")?, value.get_attr("unit")?.to_string(), first),
    };
    if number.is_none() {
        return Ok(number);
    }
    let number = f64::try_from(number)?;
    let parse = |code: &str| Unit::parse(code).map_err(|e| wrong(e.to_string()));
    let converted = parse(&from)?
        .convert(number, &parse(to)?)
        .filter(|v| v.is_finite())
        .ok_or_else(|| wrong(format!("`{from}` does not become `{to}`")))?;
    let decimals = decimals.unwrap_or(2).min(9);
    let steps = observation::reading::to_steps(converted, decimals)
        .ok_or_else(|| wrong("the value is too large".to_owned()))?;
    Ok(Value::from(from_steps(steps, decimals)))
}

/// A time in UTC in any form.
fn strftime(time: &str, format: &str) -> Result<String, Error> {
    let time = Time::parse(time).map_err(|e| wrong(e.to_string()))?;
    let stamp = jiff::Timestamp::from_millisecond(time.0).map_err(|e| wrong(e.to_string()))?;
    jiff::fmt::strtime::format(format, &stamp.to_zoned_datetime(jiff::tz::TimeZone::UTC))
        .map_err(|e| wrong(e.to_string()))
}
