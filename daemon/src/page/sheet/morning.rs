//! The morning sheet: what the night brought, a row a station, and what changed in trust.

use super::Sheet;
use super::figures::{NONE, capitalised};
use super::local::long;
use super::night::{Night, Nightly};
use super::range::Range;
use super::slices::SLICE;
use crate::newest::Newest;
use maud::{Markup, html};
use observation::diagnosis::Stage;
use observation::reading::from_steps;
use observation::time::HOUR;
use observation::{Quantity, Time};

/// The sheet; nothing where no night was read.
pub fn sheet(sheet: &Sheet<'_>, night: &Night) -> Markup {
    if night.stations.is_empty() {
        return html! {};
    }
    let texts = sheet.texts;
    let grass = night.stations.iter().any(|n| n.grass.is_some());
    let battery = night.stations.iter().any(|n| n.battery.is_some());
    let (start, end) = night.rain_day;
    let left_out: u32 = night.stations.iter().map(|n| n.left_out).sum();
    let [lowest, on_grass, frost, wet, rain, gust, pressure, volts, gaps] = texts.morning_columns;
    html! {
        section id="morning" aria-labelledby="morning-h" {
            h2 id="morning-h" { (texts.morning) }
            p.aside {
                (sheet.local.dated(night.from)) " \u{2013} " (sheet.local.clock(night.to)) "; "
                (texts.rain_day) " " (sheet.local.clock(start)) "\u{2013}" (sheet.local.clock(end)) "; "
                a href={ "/?" (sheet.ranged(Range::Overnight, None)) } { (texts.see_panes) }
            }
            div.wide tabindex="0" role="region" aria-labelledby="morning-h" { table {
                caption { (texts.doubtful_out) " " (left_out) " " (texts.left_out) "." }
                thead { tr {
                    th scope="col" { (capitalised(texts.station)) }
                    (heading(lowest))
                    @if grass { (heading(on_grass)) }
                    (heading(frost)) (heading(wet)) (heading(rain)) (heading(gust)) (heading(pressure))
                    @if battery { (heading(volts)) }
                    (heading(gaps))
                } }
                tbody { @for one in &night.stations { (row(sheet, night, one, grass, battery)) } }
            } }
            p { (texts.trust) ": " @if night.trust.is_empty() { (texts.trust_same) } }
            @if !night.trust.is_empty() { ul { @for said in &night.trust {
                li {
                    (sheet.local.dated(said.time)) " "
                    @if said.stage == Stage::Closed { (texts.no_longer) " " }
                    (super::held::subject(sheet, said)) ": " (texts.cause(&said.cause))
                }
            } } }
        }
    }
}

fn heading((short, full): (&str, &str)) -> Markup {
    html! { th scope="col" { abbr title=(full) { (short) } } }
}

fn row(sheet: &Sheet<'_>, night: &Night, one: &Nightly, grass: bool, battery: bool) -> Markup {
    let texts = sheet.texts;
    let (from, to) = (night.from, night.to);
    let with_unit = |quantity, steps| sheet.shown.with_unit(quantity, steps);
    let timed = |quantity, found: Option<(i64, Time)>| {
        html! { td.number { @match found {
            Some((steps, at)) => { (with_unit(quantity, steps)) " " span.when { (sheet.local.clock(at)) } },
            None => (NONE),
        } } }
    };
    let id = one.station.as_str();
    let all_hours = u32::try_from((to - from).0.max(0) / HOUR).unwrap_or(u32::MAX);
    let pressure = sheet
        .of(id, Quantity::AirPressureAtMeanSeaLevel, None)
        .or_else(|| sheet.of(id, Quantity::SurfaceAirPressure, None));
    let change = sheet.of(id, Quantity::TendencyOfSurfaceAirPressure, None);
    let told = |newest: Option<&Newest<'_>>| {
        newest.and_then(|n| Some(with_unit(n.quantity, super::held::present(n)?)))
    };
    html! {
        tr {
            th scope="row" { (sheet.station_name(id)) }
            (timed(Quantity::AirTemperature, one.lowest()))
            @if grass { (timed(Quantity::GrassTemperature, one.grass.map(|s| (s.least, s.least_at)))) }
            td.number { (hours(one.below_zero().filter(|_| one.lowest().is_some()))) }
            td.number { @match one.wet(from, to).filter(|w| w.1 < all_hours) {
                Some((hours, unknown)) => {
                    (hours) "\u{a0}h"
                    @if unknown > 0 { " " span.when { (unknown) "\u{a0}h " (texts.missing_hours) } }
                },
                None => (NONE),
            } }
            td.number { @match one.depth {
                Some((steps, lacks)) => {
                    @if lacks { (texts.at_least) " " }
                    (with_unit(Quantity::PrecipitationDepth, steps.round() as i64))
                },
                None => (NONE),
            } }
            td.number { @match &one.gust {
                Some((slice, over)) => {
                    (with_unit(Quantity::WindSpeedOfGust, slice.most)) " "
                    span.when { (sheet.local.clock(slice.most_at)) @if let Some(over) = over { ", " (texts.over) " " (long(*over)) } }
                },
                None => (NONE),
            } }
            td.number {
                (told(pressure).unwrap_or_else(|| NONE.to_owned()))
                @if let Some(change) = change.and_then(|n| rise(sheet, n)) { " " span.when { (change) " " (texts.in_three_hours) } }
            }
            @if battery { (timed(Quantity::BatteryVoltage, one.battery.map(|s| (s.least, s.least_at)))) }
            td.number { (hours(one.lacking(from, to))) }
        }
    }
}

/// A change with its sign.
fn rise(sheet: &Sheet<'_>, newest: &Newest<'_>) -> Option<String> {
    let quantity = newest.quantity;
    let change = from_steps(super::held::present(newest)?, quantity.decimals());
    Some(sheet.shown.signed(quantity, change))
}

/// Quarters of an hour as hours.
fn hours(quarters: Option<u32>) -> String {
    quarters.map_or_else(
        || NONE.to_owned(),
        |q| format!("{}\u{a0}h", f64::from(q) * SLICE.as_seconds() / 3_600.0),
    )
}
