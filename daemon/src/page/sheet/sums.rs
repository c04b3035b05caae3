//! What a span sums up to: the wind rose, and isopleths by hour and day.

use super::figures::sentence;
use super::roles::Role;
use super::source::{Source, Stretch};
use super::winds::CLASSES;
use crate::page::graphics::isopleths::{Field, level, levels, missing};
use crate::page::graphics::rose::{Words, drawn, share};
use crate::page::graphics::{path, tenth};
use maud::{Markup, html};
use meteorology::wind::Rose;
use observation::Span;
use observation::days::{DayKind, Division};

/// Fewest days that isopleths are drawn of.
const DAYS: usize = 5;
/// Windows of a rose in an hour.
const IN_AN_HOUR: f64 = 6.0;

/// The wind rose with its classes, calm and what is missing.
pub fn rose(source: &Source<'_>) -> Markup {
    let texts = source.texts;
    html! {
        section id="rose" aria-labelledby="rose-h" {
            h2 id="rose-h" { (texts.rose) }
            @match source.gathered.rose.as_ref().filter(|r| share(r, 0).is_some()) {
                Some(rose) => { (blown(source, rose)) }
                None => p { (sentence(texts.nothing_kept)) }
            }
        }
    }
}

fn blown(source: &Source<'_>, rose: &Rose) -> Markup {
    let texts = source.texts;
    let percent = |count: u64| format!("{:.1}\u{a0}%", share(rose, count).unwrap_or(0.0));
    let hours = |count: u64| format!("{:.1}\u{a0}h", count as f64 / IN_AN_HOUR);
    let sums: Vec<u64> = rose.counts().iter().map(|row| row.iter().sum()).collect();
    let mut order: Vec<usize> = (0..sums.len()).collect();
    order.sort_by_key(|s| std::cmp::Reverse(sums[*s]));
    let foremost: Vec<String> = order
        .iter()
        .take(3)
        .filter(|s| sums[**s] > 0)
        .filter_map(|s| Some(format!("{} {}", texts.points.get(*s)?, percent(sums[*s]))))
        .collect();
    let rest = format!(
        "{} {}; {} {}; {} {}",
        texts.calm,
        percent(rose.calm),
        texts.variable,
        percent(rose.variable),
        texts.missing_hours,
        hours(rose.missing)
    );
    let quantity = observation::Quantity::WindSpeed;
    let limit = |speed: f64| source.shown.with_unit(quantity, (speed * 100.0).round() as i64);
    html! {
        p { (texts.rose_note) }
        div.blown {
            (drawn(rose, &Words { title: texts.rose, description: format!("{}; {rest}", foremost.join(", ")), points: [0, 4, 8, 12].map(|p| texts.points[p]) }))
            table.classes {
                caption { (rest) }
                tbody { @for class in 0..=CLASSES.len() {
                    @let count: u64 = rose.counts().iter().filter_map(|row| row.get(class)).sum();
                    tr {
                        td { svg.key width="28" height="12" aria-hidden="true" { rect class={ "petal class" (class) } x="1" y="1" width="26" height="10" {} } }
                        th scope="row" {
                            @match class.checked_sub(1).and_then(|c| CLASSES.get(c)) {
                                None => (format!("{} {}", texts.below, limit(CLASSES[0]))),
                                Some(low) => (format!("{} {}", texts.from, limit(*low))),
                            }
                        }
                        td.number { (percent(count)) }
                    }
                } }
            }
        }
        p { (foremost.join(", ")) }
    }
}

/// Isopleths of the air temperature.
pub fn isopleths(source: &Source<'_>) -> Markup {
    let texts = source.texts;
    let Some(trace) = source.gathered.trace(Role::Temperature) else { return html! {} };
    let quantity = trace.series.quantity;
    let mut field: Field = Vec::new();
    let mut labels = Vec::new();
    let mut at = source.gathered.from + Span(1);
    while at <= source.gathered.to.min(source.gathered.until) && field.len() < 400 {
        let cut = source.property.days.cut(Division::Day, DayKind::Civil, at);
        let mut hours = [None; 24];
        let mut start = cut.from;
        while start < cut.to {
            let stretch = Stretch { from: start, to: start + Span::hours(1) };
            // An hour that comes twice in autumn is drawn as it was the second time.
            let hour = source.local.hour(start) as usize;
            let mean = source.of(Role::Temperature, &stretch).and_then(|s| s.mean());
            if let (Some(place), Some(steps)) = (hours.get_mut(hour), mean) {
                *place = Some(source.shown.number(quantity, steps));
            }
            start = stretch.to;
        }
        labels.push(source.local.day(cut.from + Span(1)));
        field.push(hours);
        at = cut.to + Span(1);
    }
    let Some(scale) = levels(&field).filter(|_| field.len() >= DAYS) else { return html! {} };
    let days = field.len();
    let every = days.div_ceil(8);
    let label = source.shown.label(quantity);
    let share = |day: f64| format!("{}%", tenth(day / days as f64 * 100.0));
    html! {
        section id="isopleths" aria-labelledby="isopleths-h" {
            h2 id="isopleths-h" { (texts.isopleths) }
            p { (texts.isopleths_note) }
            figure.pane {
                svg.paper width="100%" height="230" role="img" aria-labelledby="iso-t iso-d" {
                    title id="iso-t" { (texts.isopleths) }
                    desc id="iso-d" { (texts.isopleths_note) }
                    svg x="0" y="6" width="100%" height="204" preserveAspectRatio="none" viewBox={ "0 0 " (days) " 24" } {
                        @for [x, y, width, height] in missing(&field) {
                            rect.lacking x=(x) y=(y) width=(width) height=(height) {}
                        }
                        path.ruling d=(path(&[6.0, 12.0, 18.0].map(|h| vec![(0.0, h), (days as f64, h)]))) {}
                        @for (place, value) in scale.lines().enumerate() {
                            path class={ "isopleth kind" (place % 2) } data-level=(value) d=(joined(&level(&field, value))) {
                                title { (format!("{value:.0}\u{a0}{label}")) }
                            }
                        }
                    }
                    @for value in scale.lines() {
                        @if let Some((x, y)) = written(&level(&field, value), days as f64) {
                            text.level x=(share(x)) y=(tenth(6.0 + y / 24.0 * 204.0 + 4.0)) text-anchor="middle" { (format!("{value:.0}").replace('-', "\u{2212}")) }
                        }
                    }
                    @for hour in [6_u8, 12, 18] {
                        text.value x="2" y=(tenth(6.0 + (24.0 - f64::from(hour)) / 24.0 * 204.0 + 4.0)) { (format!("{hour:02}:00")) }
                    }
                    @for (place, label) in labels.iter().enumerate().step_by(every) {
                        text.tick x=(share(place as f64 + 0.5)) y="226" text-anchor=(if place == 0 { "start" } else { "middle" }) { (label) }
                    }
                }
            }
        }
    }
}

fn joined(pieces: &[[crate::page::graphics::Point; 2]]) -> String {
    use std::fmt::Write as _;
    let mut out = String::new();
    let short = |value: f64| (value * 100.0).round() / 100.0;
    for [a, b] in pieces {
        // Writing to a String cannot fail.
        let _ = write!(out, "M{} {}L{} {}", short(a.0), short(a.1), short(b.0), short(b.1));
    }
    out
}

/// Where a level is labelled: its piece nearest to the middle, away from the edges.
fn written(
    pieces: &[[crate::page::graphics::Point; 2]],
    days: f64,
) -> Option<crate::page::graphics::Point> {
    let far = |p: &[crate::page::graphics::Point; 2]| (p[0].0 - days / 2.0).abs();
    pieces.iter().min_by(|a, b| far(a).total_cmp(&far(b))).map(|p| p[0])
}
