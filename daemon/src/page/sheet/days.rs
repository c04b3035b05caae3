//! The table of days, in the observer's columns.

use super::figures::{NONE, sentence};
use super::roles::Role;
use super::slices::Slices;
use super::source::Source;
use crate::digest::{Asked, Trouble};
use crate::digest::{Row, rows};
use history::Look;
use maud::{Markup, html};
use observation::days::{DayKind, Division};
use observation::reading::from_steps;
use observation::{Date, Property, Quantity, SeriesIndex, Span, Statistic, Time};
use std::collections::BTreeMap;
use std::time::Duration;

/// Longest span that is told day by day.
const LONGEST: Span = Span::days(32);
/// How long the table may take.
const LONG: Duration = Duration::from_secs(3);

/// One series' summary of one day.
pub type Days = BTreeMap<Date, Vec<Row>>;

/// Reads the days of a span; none where it is too long to be told day by day.
///
/// # Errors
/// See [`Trouble`].
pub fn read(
    look: &Look<'_>,
    property: &Property,
    station: &str,
    (from, to, now): (Time, Time, Time),
) -> Result<Days, Trouble> {
    let mut days = Days::new();
    if to - from > LONGEST {
        return Ok(days);
    }
    let roles = [Role::Temperature, Role::Rain, Role::Pressure, Role::Gust];
    let mut series: Vec<SeriesIndex> = roles
        .iter()
        .filter_map(|r| r.choose(look.names(), property, station))
        .map(|s| s.0)
        .collect();
    let grass = look.names().all_series().find(|(_, s)| {
        s.quantity == Quantity::GrassTemperature && s.statistic != Statistic::StandardDeviation
    });
    series.extend(grass.map(|g| g.0));
    if series.is_empty() {
        return Ok(days);
    }
    let asked = Asked {
        station: None,
        quantity: None,
        series,
        division: Division::Day,
        kind: None,
        from,
        to: to.min(now),
    };
    let first = property.days.zone.date(from + Span(1));
    for row in rows(look, property, &asked, now, Some(LONG))? {
        // A rain day that began on the date before the span stands there, not here.
        if row.date() >= first {
            days.entry(row.date()).or_default().push(row);
        }
    }
    Ok(days)
}

/// The row of a quantity: by its own kind of day where there is one, else the civil day.
fn of<'a>(rows: &'a [Row], quantity: &[Quantity], kind: DayKind) -> Option<&'a Row> {
    let fits = |row: &&Row| quantity.contains(&row.quantity());
    rows.iter()
        .filter(fits)
        .find(|r| r.kind() == kind)
        .or_else(|| rows.iter().filter(fits).find(|r| r.kind() == DayKind::Civil))
}

/// The octant that the wind blew from most often, and how often, per cent.
fn octant(source: &Source<'_>, from: Time, to: Time) -> Option<(&'static str, f64)> {
    let gathered = source.gathered;
    let speed = gathered.trace(Role::Speed)?;
    let mut counts: BTreeMap<usize, u32> = BTreeMap::new();
    for (slice, wind) in gathered.trace(Role::Direction)?.slices.within(from, to) {
        let blew = speed.slices.get(*slice).and_then(|s| s.last).is_some_and(|(_, steps)| {
            from_steps(steps, Quantity::WindSpeed.decimals()) >= crate::page::graphics::barb::CALM
        });
        let Some((_, steps)) = wind.last.filter(|_| blew) else { continue };
        let degrees = from_steps(steps, Quantity::WindFromDirection.decimals());
        let place = (degrees / 45.0).round() as usize % 8;
        *counts.entry(place).or_default() += 1;
    }
    let all: u32 = counts.values().sum();
    let (place, count) = counts.into_iter().max_by_key(|(_, count)| *count)?;
    let name = source.texts.points.get(place * 2).copied()?;
    Some((name, f64::from(count) / f64::from(all.max(1)) * 100.0))
}

/// Hours with rain, and hours of which nothing is known.
fn wet(source: &Source<'_>, from: Time, to: Time) -> Option<(u32, u32)> {
    let trace = source.gathered.trace(Role::Rain)?;
    Some(wet_hours(&trace.slices, from, to.min(source.gathered.until)))
}

/// Hours of a span with rain, and hours of which nothing is known.
pub fn wet_hours(rain: &Slices, from: Time, to: Time) -> (u32, u32) {
    let (mut wet, mut unknown) = (0, 0);
    let mut at = from;
    while at < to {
        let hour = rain.within(at, (at + Span::hours(1)).min(to));
        let known = || hour.iter().map(|(_, s)| s).filter(|s| s.count > 0);
        if known().any(|s| s.sum > 0.0) {
            wet += 1;
        } else if known().next().is_none() {
            unknown += 1;
        }
        at = at + Span::hours(1);
    }
    (wet, unknown)
}

/// From when to when the rain day lasts that an instant ends or lies in.
pub fn cut_of_rain(property: &Property, at: Time) -> (Time, Time) {
    let days = &property.days;
    let same = days.start(DayKind::Rain) == days.start(DayKind::Civil);
    let kind = if same { DayKind::Civil } else { DayKind::Rain };
    let cut = property.days.cut(Division::Day, kind, at);
    (cut.from, cut.to)
}

/// The table.
pub fn table(source: &Source<'_>, days: &Days) -> Markup {
    let texts = source.texts;
    let grass = days.values().flatten().any(|r| r.quantity() == Quantity::GrassTemperature);
    let left_out: u64 = days.values().flatten().map(|r| r.figures().left_out).sum();
    html! {
        section id="days" aria-labelledby="days-h" {
            h2 id="days-h" { (texts.day_table) }
            @if days.is_empty() {
                @let long = source.gathered.to - source.gathered.from > LONGEST;
                p { @if long { (texts.days_elsewhere) } @else { (sentence(texts.nothing_kept)) } }
            } @else {
                div.wide tabindex="0" role="region" aria-labelledby="days-h" { table {
                    caption { (texts.doubtful_out) " " (left_out) " " (texts.left_out) "." }
                    thead { tr {
                        @for (short, full) in texts.day_columns {
                            @if grass || short != "Tg" { th scope="col" { abbr title=(full) { (short) } } }
                        }
                    } }
                    tbody { @for (date, rows) in days.iter().rev() { (day(source, *date, rows, grass)) } }
                } }
            }
        }
    }
}

fn day(source: &Source<'_>, date: Date, rows: &[Row], grass: bool) -> Markup {
    use Quantity as Q;
    let texts = source.texts;
    let civil = source.property.days.day(DayKind::Civil, date);
    let whole = civil.from >= source.gathered.from && civil.from < source.gathered.to;
    let figure = |row: Option<&Row>, steps: Option<i64>| -> String {
        row.zip(steps)
            .map_or_else(|| NONE.to_owned(), |(r, s)| source.shown.with_unit(r.quantity(), s))
    };
    let air = |kind| of(rows, &[Q::AirTemperature], kind);
    let extreme = |row: Option<&Row>, highest: bool| {
        let found =
            row.and_then(|r| if highest { r.figures().maximum } else { r.figures().minimum });
        html! {
            (figure(row, found.map(|e| e.steps)))
            @if let Some(found) = found { " " span.when { (source.local.clock(found.at)) } }
        }
    };
    let pressure = of(rows, &[Q::AirPressureAtMeanSeaLevel, Q::SurfaceAirPressure], DayKind::Civil);
    // A rain day that has not begun is not the civil day in its place.
    let rain_kind = if source.property.days.start(DayKind::Rain)
        == source.property.days.start(DayKind::Civil)
    {
        DayKind::Civil
    } else {
        DayKind::Rain
    };
    let rain = of(rows, &[Q::PrecipitationDepth], rain_kind).filter(|r| r.kind() == rain_kind);
    let gust = of(rows, &[Q::WindSpeedOfGust], DayKind::Civil);
    let over =
        gust.and_then(Row::over).map(|o| format!("{} {}", texts.over, super::local::long(o)));
    let blown = whole.then(|| octant(source, civil.from, civil.to)).flatten();
    let wet = whole.then(|| wet(source, civil.from, civil.to)).flatten();
    let (weekday, starts) = source.local.weekday(civil.from + Span(1));
    let mut marks: Vec<String> = Vec::new();
    let left_out: u64 =
        rows.iter().filter(|r| r.kind() == DayKind::Civil).map(|r| r.figures().left_out).sum();
    if left_out > 0 {
        marks.push(format!("{left_out} {}", texts.left_out));
    }
    if rows.iter().any(|r| r.figures().expected.is_some_and(|e| r.figures().count < e)) {
        marks.push(texts.incomplete.to_owned());
    }
    html! {
        tr.week[starts] {
            th scope="row" { (source.local.day(civil.from + Span(1))) " " span.when { (weekday) } }
            td.number { (extreme(air(DayKind::Maximum), true)) }
            td.number { (extreme(air(DayKind::Minimum), false)) }
            @if grass { td.number { (extreme(of(rows, &[Q::GrassTemperature], DayKind::Minimum), false)) } }
            td.number {
                @if let Some(row) = rain {
                    @if row.figures().missing.is_some_and(|m| m >= Span::hours(1)) { (texts.at_least) " " }
                    (figure(rain, row.figures().sum))
                    " " span.when { (source.local.clock(row.ends().0)) "\u{2013}" (source.local.clock(row.ends().1)) }
                } @else { (NONE) }
            }
            td.number {
                @if let Some((hours, unknown)) = wet { (hours) "\u{a0}h" @if unknown > 0 { ", " (unknown) "\u{a0}h " (texts.missing_hours) } }
                @else { (NONE) }
            }
            td.number { (figure(pressure, pressure.and_then(|r| r.figures().mean))) }
            td { @if let Some((name, percent)) = blown { (name) " " span.when { (format!("{percent:.0}")) "\u{a0}%" } } @else { (NONE) } }
            td.number { (extreme(gust, true)) @if let Some(over) = over { " " span.when { (over) } } }
            td { (marks.join(", ")) }
        }
    }
}
