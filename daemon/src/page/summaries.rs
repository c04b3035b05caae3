//! `GET /v1/summaries`: hours, days, months and years of what is kept.

use super::Page;
use super::problem::Problem;
use super::query::{Format, Query};
use crate::digest::{Asked, CSV_HEADING, Trouble, rows};
use axum::extract::State;
use axum::extract::rejection::QueryRejection;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use observation::Span;
use observation::days::{DayKind, Division};
use std::sync::Arc;
use std::time::Duration;

/// After this long a question is too much.
const LONG: Duration = Duration::from_secs(5);

/// The answer.
pub(super) async fn summaries(
    State(page): State<Arc<Page>>,
    pairs: Result<axum::extract::Query<Vec<(String, String)>>, QueryRejection>,
) -> Result<Response, Problem> {
    let pairs = pairs.map_err(|e| Problem::bad_request(e.body_text()))?.0;
    let (own, rest): (Vec<_>, Vec<_>) =
        pairs.into_iter().partition(|(name, _)| matches!(name.as_str(), "by" | "day"));
    let of = |wanted: &str| -> Result<Option<&str>, Problem> {
        let mut found = own.iter().filter(|(name, _)| name == wanted).map(|(_, v)| v.as_str());
        let value = found.next();
        if found.next().is_some() {
            return Err(Problem::bad_request(format!("`{wanted}` stands twice")));
        }
        Ok(value)
    };
    let division = Division::parse(of("by")?.unwrap_or("day"))
        .ok_or_else(|| Problem::bad_request("`by` is hour, day, month or year"))?;
    let kind = of("day")?
        .map(|word| {
            DayKind::parse(word)
                .ok_or_else(|| Problem::bad_request("`day` is civil, rain, maximum or minimum"))
        })
        .transpose()?;
    if rest.iter().any(|(name, _)| name == "step") {
        return Err(Problem::bad_request("`step` is asked of /v1/readings; here it is `by`"));
    }
    let now = page.view.clock.now();
    let mut query = Query::parse(&rest, now)?;
    if rest.iter().all(|(name, _)| name != "from") {
        let usual = match division {
            Division::Hour => 1,
            Division::Day => 7,
            Division::Month => 92,
            Division::Year => 366,
        };
        query.from = query.to - Span::days(usual);
    }
    let seat = page.archive.seat().await?;
    let text = tokio::task::spawn_blocking(move || {
        let _seat = seat;
        let snapshot = page.view.snapshot();
        let format = query.format;
        let asked = Asked {
            station: query.station,
            quantity: query.quantity,
            series: Vec::new(),
            division,
            kind,
            from: query.from,
            to: query.to,
        };
        let found = page.archive.with_reader(&page.view, |look| {
            if let Some(station) = &asked.station
                && look.names().station_index(station).is_none()
            {
                return Err(Problem::bad_request("there is no such station"));
            }
            rows(look, &snapshot.property, &asked, snapshot.walked, Some(LONG)).map_err(told)
        })?;
        let mut out = Vec::new();
        match format {
            Format::Json => {
                out.extend_from_slice(b"{\"summaries\":[");
                for (place, row) in found.iter().enumerate() {
                    if place > 0 {
                        out.push(b',');
                    }
                    row.object(&mut out);
                }
                out.extend_from_slice(b"]}\n");
            }
            Format::Jsonl => {
                for row in &found {
                    row.object(&mut out);
                    out.push(b'\n');
                }
            }
            Format::Csv => {
                out.extend_from_slice(CSV_HEADING.as_bytes());
                for row in &found {
                    row.csv(&mut out);
                }
            }
        }
        Ok::<_, Problem>((format, out))
    })
    .await
    .map_err(|_| Problem::unavailable("reading the history failed inside"))??;
    let kind = match text.0 {
        Format::Json => "application/json",
        Format::Jsonl => "application/x-ndjson",
        Format::Csv => "text/csv; charset=utf-8",
    };
    Ok(([(header::CONTENT_TYPE, kind)], text.1).into_response())
}

fn told(trouble: Trouble) -> Problem {
    match trouble {
        Trouble::Read(error) => Problem::unavailable(error.to_string()),
        Trouble::TooMuch => Problem::bad_request(
            "this is more than can be read in time; ask for one station or quantity, or a shorter span",
        ),
    }
}
