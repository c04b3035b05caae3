//! Each station as a plot, as one row, and with everything it measures.

use super::Sheet;
use super::figures::{NONE, signed};
use super::held::present;
use super::local::long;
use crate::newest::Newest;
use crate::page::graphics::station_plot::{Plotted, Written, drawn};
use maud::{Markup, html};
use observation::property::{Reports, Station};
use observation::reading::from_steps;
use observation::{Flag, Quantity, StationIndex, Statistic};
use processor::totals::Lately;
use std::fmt::Write as _;

/// Most plots in the first view.
const PLOTS: usize = 12;

impl Sheet<'_> {
    /// The newest value of a quantity at a station; of several instruments the first that
    /// speaks at intervals.
    pub fn of(
        &self,
        station: &str,
        quantity: Quantity,
        statistic: Option<Statistic>,
    ) -> Option<&Newest<'_>> {
        let property = &self.snapshot.property;
        let index = property.station(station)?;
        let irregular = |n: &Newest<'_>| {
            let own =
                property.instruments.iter().find(|i| i.station == index && i.id == n.instrument);
            own.is_some_and(|i| i.reports == Reports::OnChange)
        };
        self.newest
            .iter()
            .filter(|n| n.station == station && n.quantity == quantity)
            .filter(|n| statistic.is_none_or(|s| s == n.statistic))
            .min_by_key(|n| (!n.fresh, irregular(n)))
    }

    /// Depth of the rain day of a station's first gauge, in steps.
    fn rain(&self, station: StationIndex) -> Option<i64> {
        let property = &self.snapshot.property;
        let rain = self.snapshot.rain.iter().find(|r| {
            property.instruments.get(r.instrument.0 as usize).is_some_and(|i| i.station == station)
        })?;
        self.snapshot
            .fresh(rain.instrument, self.now)
            .then(|| rain.totals.of(Lately::RainDay).steps)
    }

    fn plotted(&self, index: StationIndex, station: &Station) -> Plotted {
        use Quantity as Q;
        let id = &station.id;
        let bare = |q, s| self.shown.bare(q, s);
        let pressure = self
            .of(id, Q::AirPressureAtMeanSeaLevel, None)
            .or_else(|| self.of(id, Q::SurfaceAirPressure, None));
        let mean = self.of(id, Q::WindSpeed, Some(Statistic::Mean));
        let from = self.of(id, Q::WindFromDirection, Some(Statistic::Mean));
        let number = |n: &Newest<'_>| present(n).map(|s| from_steps(s, n.quantity.decimals()));
        let change = self.of(id, Q::TendencyOfSurfaceAirPressure, None);
        Plotted {
            temperature: written(self.of(id, Q::AirTemperature, None), bare),
            dew_point: written(self.of(id, Q::DewPointTemperature, None), bare),
            pressure: written(pressure, bare),
            change: written(change, |q, s| signed(self.shown.number(q, s), self.shown.decimals(q))),
            characteristic: self
                .of(id, Q::CharacteristicOfPressureTendency, None)
                .and_then(present),
            rain: self
                .rain(index)
                .map(|steps| Written { text: bare(Q::PrecipitationDepth, steps), doubted: false }),
            speed: mean.and_then(number),
            from: from.and_then(number),
            wind_doubted: [mean, from].into_iter().flatten().any(|n| !n.flag.counts()),
            southern: station.latitude < 0.0,
            description: self.told(index, station),
        }
    }

    /// Wind in words.
    fn wind(&self, id: &str) -> Option<String> {
        let mean = self.of(id, Quantity::WindSpeed, Some(Statistic::Mean))?;
        let steps = present(mean)?;
        let speed = from_steps(steps, mean.quantity.decimals());
        if speed < crate::page::graphics::barb::CALM {
            return Some(self.texts.calm.to_owned());
        }
        let from = self.of(id, Quantity::WindFromDirection, Some(Statistic::Mean));
        let from = from.and_then(|n| Some(from_steps(present(n)?, n.quantity.decimals())));
        let point = from.and_then(|degrees| self.texts.point(degrees));
        let gust = self.of(id, Quantity::WindSpeedOfGust, None);
        let gust = gust.and_then(|n| {
            let over = n.over.map(|o| format!(" {} {}", self.texts.over, long(o)));
            let figure = self.shown.with_unit(n.quantity, present(n)?);
            Some(format!(", {} {figure}{}", self.texts.gust, over.unwrap_or_default()))
        });
        Some(format!(
            "{}{}{}",
            point.map(|p| format!("{p} ")).unwrap_or_default(),
            self.shown.with_unit(mean.quantity, steps),
            gust.unwrap_or_default()
        ))
    }

    /// A station in words.
    fn told(&self, index: StationIndex, station: &Station) -> String {
        let mut words: Vec<String> = Vec::new();
        for quantity in
            [Quantity::AirTemperature, Quantity::DewPointTemperature, Quantity::SurfaceAirPressure]
        {
            let figure = self.of(&station.id, quantity, None).and_then(present);
            words.extend(figure.map(|s| {
                format!("{} {}", self.texts.quantity(quantity), self.shown.with_unit(quantity, s))
            }));
        }
        words.extend(
            self.wind(&station.id)
                .map(|wind| format!("{} {wind}", self.texts.quantity(Quantity::WindSpeed))),
        );
        let rain = self.rain(index).map(|s| self.shown.with_unit(Quantity::PrecipitationDepth, s));
        words.extend(rain.map(|rain| format!("{} {rain}", self.texts.rain_day)));
        words.push(self.texts.sky_not_observed.to_owned());
        words.join(", ")
    }

    /// The worst flag among a station's present values.
    fn worst(&self, id: &str) -> Flag {
        let present = self.newest.iter().filter(|n| n.station == id && n.fresh);
        present.map(|n| n.flag).reduce(Flag::worse).unwrap_or(Flag::Missing)
    }
}

/// A present value for a plot.
fn written(newest: Option<&Newest<'_>>, text: impl Fn(Quantity, i64) -> String) -> Option<Written> {
    let newest = newest?;
    let steps = present(newest)?;
    Some(Written { text: text(newest.quantity, steps), doubted: !newest.flag.counts() })
}

/// The plots of all stations, and a row for each.
pub fn stations(sheet: &Sheet<'_>) -> Markup {
    let texts = sheet.texts;
    let property = &sheet.snapshot.property;
    html! {
        section id="stations" aria-labelledby="stations-h" {
            h2 id="stations-h" { (texts.plots) }
            div.plots {
                @for (place, station) in (0_u16..).zip(&property.stations).take(PLOTS) {
                    figure.chosen[station.id == sheet.station] {
                        (drawn(&sheet.plotted(StationIndex(place), station), &format!("plot{place}"), &format!("{} {}", texts.plot_of, station.name)))
                        figcaption { a tabindex="-1" href={ "/?" (sheet.link(&station.id)) } aria-current=[(station.id == sheet.station).then_some("true")] { (station.name) } }
                    }
                }
            }
            table.rows {
                caption { (texts.sky_not_observed) }
                tbody {
                    @for (place, station) in (0_u16..).zip(&property.stations) { (row(sheet, StationIndex(place), station)) }
                }
            }
            @for station in &property.stations { (everything(sheet, station)) }
        }
    }
}

fn row(sheet: &Sheet<'_>, index: StationIndex, station: &Station) -> Markup {
    let texts = sheet.texts;
    let id = &station.id;
    let up = sheet.snapshot.station_up(index, sheet.now);
    let seen = sheet.snapshot.stations.get(usize::from(index.0)).and_then(|s| s.seen);
    let worst = sheet.worst(id);
    html! {
        tr.silent[!up] data-station=(id) {
            th scope="row" {
                a href={ "/?" (sheet.link(id)) } aria-current=[(station.id == sheet.station).then_some("true")] { (station.name) }
                span.state {
                    @if up {
                        span class={ "flag " (worst.word()) } { (texts.flag(worst)) }
                    } @else { span.flag.missing { (texts.silent) } }
                    br;
                    @match seen {
                        Some(seen) => time datetime=(seen) data-age { (long(sheet.now - seen)) },
                        None => (texts.nothing_heard),
                    }
                }
            }
            td {
                @for quantity in [Quantity::AirTemperature, Quantity::DewPointTemperature, Quantity::RelativeHumidity, Quantity::AirPressureAtMeanSeaLevel, Quantity::SurfaceAirPressure] {
                    @if let Some(newest) = sheet.of(id, quantity, None) {
                        span.item { (texts.short(quantity)) " " (figure(sheet, newest)) } " "
                    }
                }
                @if let Some(wind) = sheet.wind(id) { span.item { (texts.short(Quantity::WindSpeed)) " " b { (wind) } } " " }
                @if let Some(rain) = sheet.rain(index) {
                    span.item { (texts.rain_day) " " b { (sheet.shown.with_unit(Quantity::PrecipitationDepth, rain)) } }
                }
            }
        }
    }
}

/// A newest value that the script keeps new.
fn figure(sheet: &Sheet<'_>, newest: &Newest<'_>) -> Markup {
    let (factor, zero) = sheet.shown.scale(newest.quantity);
    let unit = sheet.shown.behind(newest.quantity, "");
    html! {
        b.doubted[!newest.flag.counts()] data-key=(key(newest)) data-factor=(factor) data-zero=(zero)
            data-decimals=(sheet.shown.decimals(newest.quantity)) data-unit=(unit) {
            @match present(newest) {
                Some(steps) => (sheet.shown.with_unit(newest.quantity, steps)),
                None => (NONE),
            }
        }
    }
}

/// What tells a series from others.
fn key(newest: &Newest<'_>) -> String {
    let span = |s: Option<observation::Span>| s.map(|s| s.to_string()).unwrap_or_default();
    format!(
        "{}/{}/{}/{}/{}/{}",
        newest.station,
        newest.instrument,
        newest.quantity,
        newest.statistic,
        span(newest.over),
        span(newest.period)
    )
}

fn everything(sheet: &Sheet<'_>, station: &Station) -> Markup {
    let texts = sheet.texts;
    let rows: Vec<&Newest<'_>> = sheet.newest.iter().filter(|n| n.station == station.id).collect();
    html! {
        @if !rows.is_empty() {
            details {
                summary { (texts.all_values) " " (station.name) }
                div.wide tabindex="0" role="region" aria-label={ (texts.all_values) " " (station.name) } { table {
                    thead { tr {
                        @for heading in [texts.instrument, texts.quantity, texts.value, texts.flag, texts.age] {
                            th scope="col" { (heading) }
                        }
                    } }
                    tbody { @for newest in rows { tr.old[!newest.fresh] {
                        td { (newest.instrument) }
                        td { (what(sheet, newest)) }
                        td.number { (figure(sheet, newest)) }
                        td {
                            span class={ "flag " (newest.flag.word()) } { (texts.flag(newest.flag)) }
                            @let reasons: Vec<&str> = newest.reasons.iter().map(|r| texts.reason(r)).collect();
                            @if !reasons.is_empty() { " (" (reasons.join(", ")) ")" }
                        }
                        td { time datetime=(newest.time) data-age { (long(sheet.now - newest.time)) } @if !newest.fresh { ", " (texts.silent) } }
                    } } }
                } }
            }
        }
    }
}

fn what(sheet: &Sheet<'_>, newest: &Newest<'_>) -> String {
    // Writing to a String cannot fail.
    let mut what = sheet.texts.quantity(newest.quantity);
    if newest.statistic != Statistic::Point {
        let _ = write!(what, ", {}", sheet.texts.statistic(newest.statistic));
    }
    if let Some(over) = newest.over {
        let _ = write!(what, " {} {}", sheet.texts.over, long(over));
    }
    if let Some(period) = newest.period {
        let _ = write!(what, " / {}", long(period));
    }
    what
}
