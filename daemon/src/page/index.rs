//! `GET /`: what is served here, and each station's newest values in a table. Plain
//! HTML without script; it reads well in any browser and loads itself again each half
//! minute.

use super::Page;
use super::health;
use super::html::{POLICY, escaped};
use crate::newest::{self, Newest};
use crate::snapshot::Snapshot;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use observation::reading::decimal_text;
use observation::{StationIndex, Statistic, Time};
use std::fmt::Write as _;
use std::sync::Arc;

const STYLE: &str = "body{font:1rem/1.5 system-ui,sans-serif;margin:1rem auto;max-width:60rem;\
padding:0 1rem;color:#111;background:#fff}table{border-collapse:collapse;margin:.5rem 0 1.5rem}\
caption{text-align:left;font-weight:bold;padding:.3rem 0}th,td{text-align:left;padding:.2rem 1rem \
.2rem 0;border-bottom:1px solid #999;vertical-align:top}td.number{text-align:right;\
font-variant-numeric:tabular-nums}.old td{font-style:italic}\
@media(prefers-color-scheme:dark){body{color:#eee;background:#111}a{color:#9cf}}";

/// Where each thing is, in words.
const SERVED: [(&str, &str); 7] = [
    ("/v1/latest", "the newest values"),
    ("/v1/stations", "the stations and their instruments"),
    ("/v1/readings", "what is kept, of the last 24 hours"),
    ("/v1/live", "what comes, as it comes"),
    ("/metrics", "everything for Prometheus"),
    ("/health", "whether the service does its work"),
    ("/v1/openapi.json", "the description of these"),
];

/// The answer.
pub(super) async fn index(State(page): State<Arc<Page>>) -> Response {
    let now = page.view.clock.now();
    let snapshot = page.view.snapshot();
    let health = health::of(&snapshot, &page.view.counts, now);
    let body = document(&snapshot, &health.sentence(), now);
    (
        [
            (header::CONTENT_TYPE, "text/html; charset=utf-8"),
            (header::CONTENT_SECURITY_POLICY, POLICY),
            (header::REFERRER_POLICY, "no-referrer"),
            (header::CACHE_CONTROL, "no-store"),
        ],
        body,
    )
        .into_response()
}

/// The whole document.
pub(super) fn document(snapshot: &Snapshot, health: &str, now: Time) -> String {
    let mut out = String::with_capacity(8_192);
    let name = escaped(&snapshot.property.name);
    // Writing to a String cannot fail.
    let _ = write!(
        out,
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\
         <meta http-equiv=\"refresh\" content=\"30\"><title>{name}</title>\
         <style>{STYLE}</style></head><body><main><h1>{name}</h1><p>{}</p>",
        escaped(health)
    );
    let newest: Vec<Newest<'_>> = newest::all(snapshot, now).collect();
    for (index, station) in (0_u16..).zip(&snapshot.property.stations) {
        let rows: Vec<&Newest<'_>> = newest.iter().filter(|n| n.station == station.id).collect();
        let seen = snapshot.stations.get(usize::from(index)).and_then(|s| s.seen);
        let heard = match seen {
            None => "nothing heard yet".to_owned(),
            Some(_) if snapshot.station_up(StationIndex(index), now) => "heard".to_owned(),
            Some(seen) => format!("silent, last heard {} ago", age(seen, now)),
        };
        let _ = write!(
            out,
            "<table><caption>{} ({}): {}</caption>",
            escaped(&station.name),
            escaped(&station.id),
            escaped(&heard)
        );
        if !rows.is_empty() {
            out.push_str(
                "<thead><tr><th scope=\"col\">Instrument</th><th scope=\"col\">Quantity</th>\
                 <th scope=\"col\">Value</th><th scope=\"col\">Flag</th>\
                 <th scope=\"col\">Age</th></tr></thead>",
            );
        }
        out.push_str("<tbody>");
        for row in rows {
            line(&mut out, row, now);
        }
        out.push_str("</tbody></table>");
    }
    out.push_str("<h2>Served here</h2><ul>");
    for (path, what) in SERVED {
        let _ = write!(out, "<li><a href=\"{path}\">{path}</a> {what}</li>");
    }
    out.push_str(
        "</ul><p>Home instruments; not for decisions on life, flood, fire or crops alone. \
         Official warnings come first.</p></main></body></html>\n",
    );
    out
}

fn line(out: &mut String, row: &Newest<'_>, now: Time) {
    let mut what = row.quantity.name().replace('_', " ");
    if row.statistic != Statistic::Point {
        let _ = write!(what, ", {}", row.statistic.word().replace('_', " "));
    }
    if let Some(over) = row.over {
        let _ = write!(what, " over {over}");
    }
    if let Some(period) = row.period {
        let _ = write!(what, " of {period}");
    }
    let value = match row.value {
        Some(steps) => {
            format!("{} {}", decimal_text(steps, row.quantity.decimals()), row.quantity.unit())
        }
        None => "\u{2013}".to_owned(),
    };
    let reasons: Vec<&str> = row.reasons.iter().map(observation::Reason::word).collect();
    let flag = if reasons.is_empty() {
        row.flag.word().to_owned()
    } else {
        format!("{} ({})", row.flag.word(), reasons.join(", "))
    };
    let _ = write!(
        out,
        "<tr{}><td>{}</td><td>{}</td><td class=\"number\">{}</td><td>{}</td><td>{}{}</td></tr>",
        if row.fresh { "" } else { " class=\"old\"" },
        escaped(row.instrument),
        escaped(&what),
        escaped(&value),
        escaped(&flag),
        age(row.time, now),
        if row.fresh { "" } else { ", silent" },
    );
}

/// How long ago, in one unit.
fn age(then: Time, now: Time) -> String {
    let seconds = (now.0 - then.0).max(0) / 1_000;
    match seconds {
        0..120 => format!("{seconds} s"),
        120..7_200 => format!("{} min", seconds / 60),
        7_200..172_800 => format!("{} h", seconds / 3_600),
        _ => format!("{} d", seconds / 86_400),
    }
}
