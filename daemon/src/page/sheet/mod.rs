//! `GET /`: one sheet a person reads from top to bottom: how things stand, each station,
//! which instrument lies, the panes of a span, and what they sum up to. Drawn here whole;
//! it reads without script, and a short script keeps it new.

mod assets;
mod axis;
mod days;
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
use maud::{DOCTYPE, Markup, PreEscaped, html};
use observation::{Property, Span, Time};
use source::Source;
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
    pairs: Vec<pairs::Pair>,
    evidence: Vec<evidence::Evidence>,
    extremes: extremes::Found,
    night: night::Night,
}

impl Kept {
    fn nothing(from: Time, to: Time, now: Time) -> Self {
        Self {
            gathered: Gathered::empty(from, to, now),
            days: days::Days::new(),
            pairs: Vec::new(),
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
            Vec::new()
        } else {
            pairs::read(look, property, &snapshot.usual, (from, to)).map_err(|e| told(&e))?
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
    document(&sheet, &kept, unread).into_string()
}

fn document(sheet: &Sheet<'_>, kept: &Kept, unread: bool) -> Markup {
    let texts = sheet.texts;
    let property = &sheet.snapshot.property;
    let gathered = &kept.gathered;
    let extremes = sheet.asked.range == Range::Extremes;
    let source = Source { gathered, property, shown: sheet.shown, local: &sheet.local, texts };
    html! {
        (DOCTYPE)
        html lang=(texts.code) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width,initial-scale=1";
                title { (property.name) }
                link rel="stylesheet" href=(assets::STYLE_PATH);
                script src=(assets::SCRIPT_PATH) defer {}
                noscript { meta http-equiv="refresh" content="60"; }
            }
            body {
                header {
                    h1 { (property.name) }
                    (held::truth(sheet))
                }
                main {
                    div.left id="left" {
                        (stations::stations(sheet))
                        (held::diagnoses(sheet, &source, &kept.evidence))
                        @if !extremes { (pairs::strips(&source, &kept.pairs)) }
                        // Below them is the place of what a hand begins: to note work, to
                        // test an instrument. On a narrow page it is the last of all.
                    }
                    div.right id="right" {
                        section id="span" aria-labelledby="panes-h" {
                            h2 id="panes-h" { @if extremes { (texts.range(Range::Extremes)) } @else { (texts.panes) } }
                            (ranges(sheet, gathered))
                            @if unread { p.caution { (texts.history_unread) } }
                            @if extremes {
                                @if !unread && !kept.extremes.whole { p.caution { (texts.cut_short) } }
                                (extremes::table(&source, &kept.extremes))
                            } @else {
                                @if !gathered.whole { p.caution { (texts.cut_short) } }
                                div id="panes" { (meteogram::panes(&source)) }
                                @if gathered.is_known() { (tables::slots(&source)) }
                            }
                        }
                        @if !extremes {
                            (morning::sheet(sheet, &kept.night))
                        }
                        section id="outlook" aria-labelledby="outlook-h" {
                            h2 id="outlook-h" { (texts.outlook_heading) }
                            (outlook(sheet))
                        }
                        @if !extremes {
                            (days::table(&source, &kept.days))
                            (sums::isopleths(&source))
                            (sums::rose(&source))
                        }
                    }
                }
                footer {
                    p { (texts.no_safety) }
                    p { (texts.time_zone) " " (property.time_zone) ". " (texts.served) ": "
                        @for (place, path) in SERVED.into_iter().enumerate() {
                            @if place > 0 { ", " }
                            a href=(path) { (path) }
                        }
                    }
                }
            }
        }
    }
}

/// What lies ahead, with what such outlooks were worth beside it.
fn outlook(sheet: &Sheet<'_>) -> Markup {
    let texts = sheet.texts;
    let present = sheet.snapshot.outlook.as_deref().filter(|o| !o.is_stale(sheet.now));
    let Some(outlook) = present else { return html! { p { (texts.outlook_waits) } } };
    let score = &outlook.score;
    let number = |value: Option<f64>| {
        value.map_or_else(|| figures::NONE.to_owned(), |v| figures::plain(v, 2))
    };
    html! {
        p { (texts.outlook(outlook, sheet.shown)) }
        p.aside {
            (sheet.local.dated(outlook.time)) ". "
            @if score.count == 0 { (texts.not_scored) } @else { (texts.score) ": " (score.count) " " (texts.forecasts)
            ", " (texts.brier) " " (number(score.brier())) ", " (texts.skill) " " (number(score.skill())) }
        }
    }
}

/// What programs are served.
const SERVED: [&str; 8] = [
    "/v1/latest",
    "/v1/stations",
    "/v1/readings",
    "/v1/summaries",
    "/v1/diagnoses",
    "/metrics",
    "/health",
    "/v1/openapi.json",
];

fn ranges(sheet: &Sheet<'_>, gathered: &Gathered) -> Markup {
    let texts = sheet.texts;
    let asked = sheet.asked;
    let end = gathered.to;
    let earlier = asked.range.earlier(gathered.from);
    let later = asked.range.later(gathered.from, end, sheet.now);
    html! {
        nav.ranges aria-label=(texts.ranges) {
            ul { @for range in Range::ALL {
                li { a href={ "/?" (sheet.ranged(range, asked.until)) } aria-current=[(range == asked.range).then_some("page")] { (texts.range(range)) } }
            } }
            @if asked.range != Range::Extremes {
                p {
                    a rel="prev" href={ "/?" (sheet.ranged(asked.range, Some(earlier))) } { (PreEscaped("&larr; ")) (texts.earlier) }
                    " " (sheet.local.dated(gathered.from)) " \u{2013} " (sheet.local.dated(end)) " "
                    @if let Some(later) = later {
                        @let until = (later + Span::minutes(1) < sheet.now).then_some(later);
                        a rel="next" href={ "/?" (sheet.ranged(asked.range, until)) } { (texts.later) (PreEscaped(" &rarr;")) }
                    }
                }
            }
        }
    }
}
