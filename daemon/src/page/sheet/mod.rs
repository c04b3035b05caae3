//! `GET /`: one sheet a person reads from top to bottom: how things stand, each station,
//! which instrument lies, the panes of a span, and what they sum up to. Drawn here whole;
//! it reads without script, and a short script keeps it new.

mod assets;
mod axis;
mod days;
mod document;
mod evidence;
mod extremes;
mod figures;
mod gather;
mod held;
mod hourly;
mod local;
mod meteogram;
mod morning;
mod night;
mod pairs;
mod range;
mod roles;
mod shelf;
mod slices;
mod source;
mod stations;
mod sums;
mod tables;
mod texts;
mod warming;
mod winds;

pub(super) use assets::{script, style};
pub(super) use extremes::Records;
pub(super) use figures::{NONE, Shown, signed};
pub(super) use gather::gather;
pub(super) use local::long;
pub(super) use range::Range;
pub(super) use roles::Role;
pub(super) use shelf::Shelf;
pub(super) use slices::Slice;
pub(super) use texts::{ENGLISH, Texts};
pub(super) use warming::warm;

use super::Page;
use super::health::{self, Wrong};
use super::problem::Problem;
use crate::digest::Trouble;
use crate::newest::{self, Newest};
use crate::snapshot::Snapshot;
use axum::extract::State;
use axum::extract::rejection::QueryRejection;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use gather::Gathered;
use local::Local;
use observation::{Property, Span, Time};
use std::sync::Arc;

/// Only our own style, script, pictures and events; nothing inline, nothing from
/// elsewhere.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; \
    img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; \
    frame-ancestors 'none'";

/// What is asked for.
#[derive(Clone, Debug)]
struct Asked {
    range: Range,
    until: Option<Time>,
    station: Option<String>,
}

/// Everything a sheet is drawn from.
struct Sheet<'a> {
    snapshot: &'a Snapshot,
    newest: Vec<Newest<'a>>,
    /// What is not as it should be.
    wrong: Vec<Wrong>,
    now: Time,
    /// The chosen station's identifier.
    station: &'a str,
    asked: &'a Asked,
    shown: &'a Shown,
    local: Local<'a>,
    texts: &'a Texts,
}

/// What the history tells of a span.
struct Kept {
    gathered: Gathered,
    days: days::Days,
    /// None where the span is too long for them.
    pairs: Option<Vec<pairs::Pair>>,
    evidence: Vec<evidence::Evidence>,
    extremes: extremes::Found,
    night: night::Night,
}

impl Kept {
    fn nothing(from: Time, to: Time, now: Time) -> Self {
        Self {
            gathered: Gathered::empty(from, to, now),
            days: days::Days::new(),
            pairs: None,
            evidence: Vec::new(),
            extremes: extremes::Found::default(),
            night: night::Night::nothing(now),
        }
    }
}

/// Longest span that pairs are compared over, and beside which the night is told.
const PAIRED: Span = Span::days(12);

impl Asked {
    fn parse(pairs: &[(String, String)]) -> Result<Self, Problem> {
        let mut asked = Self { range: Range::Hours24, until: None, station: None };
        for (place, (name, value)) in pairs.iter().enumerate() {
            if pairs.iter().take(place).any(|(earlier, _)| earlier == name) {
                return Err(Problem::bad_request(format!(
                    "`{}` stands twice",
                    name.escape_debug()
                )));
            }
            match name.as_str() {
                "range" => {
                    asked.range = Range::parse(value).ok_or_else(|| {
                        let words = Range::ALL.map(Range::word).join(", ");
                        Problem::bad_request(format!("`range` is one of {words}"))
                    })?;
                }
                "until" => {
                    let until =
                        Time::parse(value).map_err(|e| Problem::bad_request(e.to_string()))?;
                    asked.until = Some(until);
                }
                "station" => asked.station = Some(value.clone()),
                _ => {
                    return Err(Problem::bad_request(
                        "only `range`, `until` and `station` are asked for here",
                    ));
                }
            }
        }
        Ok(asked)
    }
}

impl Sheet<'_> {
    /// The query of the same sheet of another station.
    fn link(&self, station: &str) -> String {
        let until = self.asked.until.map(|t| format!("&until={t}")).unwrap_or_default();
        format!("range={}{until}&station={station}", self.asked.range.word())
    }

    /// The query of another range of the same station.
    fn ranged(&self, range: Range, until: Option<Time>) -> String {
        let until = until.map(|t| format!("&until={t}")).unwrap_or_default();
        format!("range={}{until}&station={}", range.word(), self.station)
    }

    /// The name of a station.
    fn station_name(&self, id: &str) -> String {
        let found = self.snapshot.property.stations.iter().find(|s| s.id == id);
        found.map_or_else(|| id.to_owned(), |s| s.name.clone())
    }
}

/// An instant on the property's clock.
pub(super) fn local_clock(property: &Property, texts: &Texts, time: Time) -> String {
    Local { zone: &property.days.zone, week_starts: 0, texts }.clock(time)
}

/// The answer.
pub(super) async fn sheet(
    State(page): State<Arc<Page>>,
    pairs: Result<axum::extract::Query<Vec<(String, String)>>, QueryRejection>,
) -> Result<Response, Problem> {
    let pairs = pairs.map_err(|e| Problem::bad_request(e.body_text()))?.0;
    let asked = Asked::parse(&pairs)?;
    let snapshot = page.view.snapshot();
    let stations = &snapshot.property.stations;
    if let Some(id) = &asked.station
        && stations.iter().all(|s| s.id != *id)
    {
        return Err(Problem::bad_request("there is no such station"));
    }
    let seat = page.archive.seat().await?;
    let body = tokio::task::spawn_blocking(move || {
        let _seat = seat;
        composed(&page, &asked)
    })
    .await
    .map_err(|_| Problem::unavailable("drawing the page failed inside"))?;
    Ok((
        [
            (header::CONTENT_TYPE, "text/html; charset=utf-8"),
            (header::CONTENT_SECURITY_POLICY, POLICY),
            (header::REFERRER_POLICY, "no-referrer"),
            (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
            (header::CACHE_CONTROL, "no-store"),
        ],
        body,
    )
        .into_response())
}

/// Reads what is kept and draws the sheet; what cannot be read is said on it.
fn composed(page: &Page, asked: &Asked) -> String {
    let now = page.view.clock.now();
    let snapshot = page.view.snapshot();
    let property = &snapshot.property;
    let first = property.stations.first().map(|s| s.id.as_str()).unwrap_or_default();
    let station = asked.station.as_deref().unwrap_or(first);
    let shown = Shown::new(&page.view.settings.page.units);
    let (from, to) = asked.range.extent(asked.until.unwrap_or(now), &property.days);
    let read = page.archive.with_reader(&page.view, |look| {
        let told = |e: &dyn std::fmt::Display| Problem::unavailable(e.to_string());
        let evidence = evidence::read(look, property, &snapshot.diagnoses, now);
        let evidence = evidence.map_err(|e| told(&e))?;
        if asked.range == Range::Extremes {
            let found = extremes::read(look, &page.records, property, station, now);
            return Ok(Kept {
                evidence,
                extremes: found.map_err(|e| told(&e))?,
                ..Kept::nothing(from, to, now)
            });
        }
        let gathered =
            gather(look, &page.shelf, property, station, (from, to, now)).map_err(|e| told(&e))?;
        let days = match days::read(look, property, station, (from, to, now)) {
            Ok(days) => days,
            Err(Trouble::TooMuch) => days::Days::new(),
            Err(Trouble::Read(e)) => return Err(told(&e)),
        };
        let pairs = if to - from > PAIRED {
            None
        } else {
            let usual = &snapshot.usual;
            Some(pairs::read(look, property, usual, (from, to)).map_err(|e| told(&e))?)
        };
        let night = if to - from > PAIRED || now < from || now > to + Span::days(1) {
            night::Night::nothing(now)
        } else {
            night::read(look, property, now).map_err(|e| told(&e))?
        };
        Ok(Kept { gathered, days, pairs, evidence, extremes: extremes::Found::default(), night })
    });
    let unread = read.is_err();
    let kept = read.unwrap_or_else(|_| Kept::nothing(from, to, now));
    let sheet = Sheet {
        newest: newest::all(&snapshot, now).collect(),
        wrong: health::all(&snapshot, &page.view.counts, now),
        snapshot: &snapshot,
        now,
        station,
        asked,
        shown: &shown,
        local: Local {
            zone: &property.days.zone,
            week_starts: page.view.settings.page.week_starts,
            texts: &ENGLISH,
        },
        texts: &ENGLISH,
    };
    document::drawn(&sheet, &kept, unread).into_string()
}
