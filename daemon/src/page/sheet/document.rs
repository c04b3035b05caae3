//! The parts of the sheet in their order.

use super::gather::Gathered;
use super::range::Range;
use super::source::Source;
use super::{Kept, Sheet};
use super::{
    assets, days, extremes, figures, held, meteogram, morning, pairs, stations, sums, tables,
};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use observation::Span;

/// The sheet.
pub fn drawn(sheet: &Sheet<'_>, kept: &Kept, unread: bool) -> Markup {
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
                a.skip href="#span" { (texts.skip) }
                header {
                    h1 { (property.name) }
                    (held::truth(sheet))
                }
                main {
                    div.left id="left" {
                        (stations::stations(sheet))
                        (held::diagnoses(sheet, &source, &kept.evidence))
                        @if !extremes { (pairs::strips(&source, kept.pairs.as_deref())) }
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
