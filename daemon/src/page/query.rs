//! The query of `GET /v1/readings`, taken apart strictly: a name that is not known or
//! stands twice is refused, because a filter that is silently ignored gives wrong sums.

use super::problem::Problem;
use observation::{Quantity, Span, Time};

/// Form of the answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Format {
    /// One JSON object with a list.
    Json,
    /// One JSON object a line.
    Jsonl,
    /// CSV with a heading.
    Csv,
}

/// What was asked for.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Query {
    pub(super) station: Option<String>,
    pub(super) quantity: Option<Quantity>,
    pub(super) from: Time,
    pub(super) to: Time,
    pub(super) step: Option<Span>,
    pub(super) format: Format,
}

const NAMES: [&str; 6] = ["station", "quantity", "from", "to", "step", "format"];

impl Query {
    /// From names and values; `now` is the default of `to`.
    pub(super) fn parse(pairs: &[(String, String)], now: Time) -> Result<Self, Problem> {
        for (place, (name, _)) in pairs.iter().enumerate() {
            if !NAMES.contains(&name.as_str()) {
                let near = config::nearest(name, NAMES).map(|n| format!("; did you mean `{n}`?"));
                return Err(Problem::bad_request(format!(
                    "`{}` is not asked for here{}",
                    name.chars().take(64).collect::<String>().escape_debug(),
                    near.unwrap_or_default()
                )));
            }
            if pairs.iter().take(place).any(|(earlier, _)| earlier == name) {
                return Err(Problem::bad_request(format!("`{name}` stands twice")));
            }
        }
        let of = |name: &str| {
            pairs.iter().find(|(n, v)| n == name && !v.is_empty()).map(|(_, v)| v.as_str())
        };
        let instant = |name: &str| {
            of(name)
                .map(|text| Time::parse(text).map_err(|e| Problem::bad_request(e.to_string())))
                .transpose()
        };
        let to = instant("to")?.unwrap_or(now);
        let from = instant("from")?.unwrap_or(to - Span::days(1));
        if from > to {
            return Err(Problem::bad_request("`from` is after `to`"));
        }
        let quantity = of("quantity").map(quantity).transpose()?;
        let step = of("step").map(step).transpose()?;
        let format = match of("format") {
            None | Some("json") => Format::Json,
            Some("jsonl") => Format::Jsonl,
            Some("csv") => Format::Csv,
            Some(_) => return Err(Problem::bad_request("`format` is json, jsonl or csv")),
        };
        let station = of("station").map(str::to_owned);
        Ok(Self { station, quantity, from, to, step, format })
    }

    /// The path that asks for the rest, from an instant on.
    pub(super) fn rest(&self, from: Time) -> String {
        let mut path = format!("/v1/readings?from={from}&to={}", self.to);
        if let Some(station) = &self.station {
            path.push_str("&station=");
            path.push_str(&encoded(station));
        }
        if let Some(quantity) = self.quantity {
            path.push_str("&quantity=");
            path.push_str(quantity.name());
        }
        if let Some(step) = self.step {
            path.push_str("&step=");
            path.push_str(&step.to_string());
        }
        path.push_str(match self.format {
            Format::Json => "",
            Format::Jsonl => "&format=jsonl",
            Format::Csv => "&format=csv",
        });
        path
    }
}

fn quantity(name: &str) -> Result<Quantity, Problem> {
    Quantity::parse(name).ok_or_else(|| {
        let near = config::nearest(name, Quantity::ALL.iter().map(|q| q.name()));
        let near = near.map(|n| format!("; did you mean `{n}`?")).unwrap_or_default();
        Problem::bad_request(format!("`quantity` is not one known here{near}"))
    })
}

fn step(text: &str) -> Result<Span, Problem> {
    let step = Span::parse(text).map_err(|e| Problem::bad_request(e.to_string()))?;
    if !(Span::seconds(1)..=Span::days(366)).contains(&step) {
        return Err(Problem::bad_request("`step` is 1 s to 366 d"));
    }
    Ok(step)
}

/// Percent-encoded, but for what is unreserved (RFC 3986, 2.3).
fn encoded(text: &str) -> String {
    use std::fmt::Write as _;
    let mut out = String::new();
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.' | b'_' | b'~') {
            out.push(char::from(byte));
        } else {
            let _ = write!(out, "%{byte:02X}");
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(pairs: &[(&str, &str)]) -> Result<Query, Problem> {
        let pairs: Vec<(String, String)> =
            pairs.iter().map(|(n, v)| ((*n).to_owned(), (*v).to_owned())).collect();
        Query::parse(&pairs, Time(1_780_000_000_000))
    }

    #[test]
    fn the_last_day_is_the_default() {
        let Ok(query) = parse(&[]) else { panic!("nothing is asked for") };
        assert_eq!(query.to, Time(1_780_000_000_000));
        assert_eq!(query.from, query.to - Span::days(1));
        assert_eq!(query.format, Format::Json);
    }

    #[test]
    fn what_is_not_understood_is_refused() {
        for pairs in [
            &[("quantitty", "air_temperature")][..],
            &[("quantity", "frog")],
            &[("from", "yesterday")],
            &[("from", "2026-03-02T00:00:00Z"), ("to", "2026-03-01T00:00:00Z")],
            &[("step", "0 s")],
            &[("step", "frog")],
            &[("format", "xml")],
            &[("station", "a"), ("station", "b")],
        ] {
            assert!(parse(pairs).is_err(), "{pairs:?}");
        }
    }

    #[test]
    fn the_rest_is_asked_for_in_the_same_words() {
        let Ok(query) = parse(&[
            ("station", "a b&c"),
            ("quantity", "rainfall_depth"),
            ("step", "10 min"),
            ("format", "csv"),
            ("to", "2026-03-02T00:00:00Z"),
        ]) else {
            panic!("all of it is known")
        };
        assert_eq!(
            query.rest(Time::parse("2026-03-01T12:00:00.001Z").unwrap_or(Time(0))),
            "/v1/readings?from=2026-03-01T12:00:00.001Z&to=2026-03-02T00:00:00Z&station=a%20b%26c\
             &quantity=lwe_thickness_of_precipitation_amount&step=PT10M&format=csv"
        );
    }
}
