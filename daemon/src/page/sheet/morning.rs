//! The morning sheet: what the night brought to the chosen station, where the span that is
//! shown holds it.

use super::Sheet;
use super::days::wet;
use super::figures::NONE;
use super::local::long;
use super::range::Range;
use super::roles::Role;
use super::slices::{SLICE, Slice, slice_of};
use super::source::{Source, Stretch};
use maud::{Markup, html};
use observation::{Quantity, Span, Time};

/// The sheet; nothing where the night lies outside what is shown.
pub fn sheet(sheet: &Sheet<'_>, source: &Source<'_>) -> Markup {
    let gathered = source.gathered;
    // In its first hour a night has little to tell: until then it is the one before.
    let begun = sheet.now - Span::hours(1);
    let (from, to) = Range::Overnight.extent(begun, &source.property.days);
    let to = to.min(gathered.until);
    if from < gathered.from || to > gathered.to {
        return html! {};
    }
    let texts = source.texts;
    let night = Stretch { from, to };
    let with_unit = |quantity, steps| source.shown.with_unit(quantity, steps);
    let at = |time: Time| source.local.clock(time);
    let lowest = source.of(Role::Temperature, &night).filter(|s| s.count > 0);
    let gust = source.of(Role::Gust, &night).filter(|s| s.count > 0);
    let over = gathered.trace(Role::Gust).and_then(|t| t.series.over);
    let pressure = sheet
        .of(sheet.station, Quantity::AirPressureAtMeanSeaLevel, None)
        .or_else(|| sheet.of(sheet.station, Quantity::SurfaceAirPressure, None));
    let change = sheet.of(sheet.station, Quantity::TendencyOfSurfaceAirPressure, None);
    let told = |newest: Option<&crate::newest::Newest<'_>>| {
        newest.and_then(|n| Some(with_unit(n.quantity, super::held::present(n)?)))
    };
    html! {
        section id="morning" aria-labelledby="morning-h" {
            h2 id="morning-h" { (texts.morning) }
            p.aside {
                (source.station(sheet.station)) ", " (source.local.dated(from)) " \u{2013} " (at(to)) "; "
                a href={ "/?" (sheet.ranged(Range::Overnight, None)) } { (texts.see_panes) }
            }
            div.wide tabindex="0" role="region" aria-labelledby="morning-h" { table {
                thead { tr {
                    @for (short, full) in texts.morning_columns { th scope="col" { abbr title=(full) { (short) } } }
                } }
                tbody { tr {
                    td { @match &lowest {
                        Some(s) => { (with_unit(Quantity::AirTemperature, s.least)) " " span.when { (at(s.least_at)) } },
                        None => (NONE),
                    } }
                    td { (hours(below_zero(source, &night))) }
                    td { @match wet(source, from, to) {
                        Some((hours, 0)) => { (hours) "\u{a0}h" },
                        Some((hours, unknown)) => { (hours) "\u{a0}h" " " span.when { (unknown) "\u{a0}h " (texts.missing_hours) } },
                        None => (NONE),
                    } }
                    td { (source.rain(&night)) }
                    td { @match &gust {
                        Some(s) => {
                            (with_unit(Quantity::WindSpeedOfGust, s.most)) " "
                            span.when { (at(s.most_at)) @if let Some(over) = over { ", " (texts.over) " " (long(over)) } }
                        },
                        None => (NONE),
                    } }
                    td {
                        (told(pressure).unwrap_or_else(|| NONE.to_owned()))
                        @if let Some(change) = told(change) { " " span.when { (change) " " (texts.in_three_hours) } }
                    }
                    td { (hours(lacking(source, &night))) }
                } }
            } }
        }
    }
}

/// Quarters of an hour as hours.
fn hours(quarters: Option<u32>) -> String {
    quarters.map_or_else(
        || NONE.to_owned(),
        |q| format!("{}\u{a0}h", f64::from(q) * SLICE.as_seconds() / 3_600.0),
    )
}

/// Quarters of an hour in which the air was below 0 Cel; none without a thermometer.
fn below_zero(source: &Source<'_>, night: &Stretch) -> Option<u32> {
    count(source, night, |slice| slice.count > 0 && slice.least < 0)
}

/// Quarters of an hour of which there is no air temperature that counts.
fn lacking(source: &Source<'_>, night: &Stretch) -> Option<u32> {
    let all = (night.to - night.from).0 / SLICE.0;
    let there = count(source, night, |slice| slice.count > 0)?;
    Some(u32::try_from(all).unwrap_or(0).saturating_sub(there))
}

fn count(source: &Source<'_>, night: &Stretch, of: impl Fn(&Slice) -> bool) -> Option<u32> {
    let trace = source.gathered.trace(Role::Temperature)?;
    let within = slice_of(night.from + Span(1))..=slice_of(night.to);
    let found = trace.slices.range(within).iter().filter(|(_, slice)| of(slice)).count();
    u32::try_from(found).ok()
}
