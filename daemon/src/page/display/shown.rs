//! What a display tells: at most six numbers, when they were read, and the one thing
//! that is wrong, if any.

use crate::newest::{self, Newest};
use crate::page::Page;
use crate::page::graphics::Point;
use crate::page::graphics::scale::Scale;
use crate::page::sheet::{
    NONE, Range, Role, Shown, Slice, Texts, gather, local_clock, long, signed,
};
use crate::snapshot::Snapshot;
use observation::property::Station;
use observation::reading::from_steps;
use observation::{Flag, Quantity, Reason, StationIndex, Statistic, Time};
use processor::totals::Lately;
use serde::Serialize;

/// Intervals without a sample after which a display is stale.
const STALE_AFTER: i64 = 3;

/// One value as a display shows it.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Told {
    /// As it is written, a dash where there is none.
    pub text: String,
    /// In the shown unit.
    pub value: Option<f64>,
    pub unit: String,
}

/// An extreme of the last 24 hours.
#[derive(Clone, Debug, Serialize)]
pub struct Reached {
    pub text: String,
    pub value: f64,
    pub at: String,
}

/// Everything.
#[derive(Clone, Debug, Serialize)]
pub struct Display {
    pub name: String,
    /// The newest sample of the station, RFC 3339; none if nothing was heard.
    pub time: Option<String>,
    /// The same on the local clock.
    pub clock: String,
    /// Since when there is no reading, on the local clock; none while there is.
    pub stale_since: Option<String>,
    pub air: Told,
    pub lowest: Option<Reached>,
    pub highest: Option<Reached>,
    /// Change of the pressure in three hours.
    pub change: Told,
    /// Code table 0200.
    pub characteristic: Option<i64>,
    pub mean: Told,
    /// Where the wind blows from, degrees.
    pub from: Option<f64>,
    pub gust: Told,
    /// Averaging time of the gust.
    pub over: Option<String>,
    pub rain_day: Told,
    pub rain_24h: Told,
    /// That all agree, or the one thing that is wrong.
    pub line: String,
    /// Seconds until it is worth asking again.
    pub again: i64,
    #[serde(skip)]
    pub barogram: Vec<Vec<Point>>,
    #[serde(skip)]
    pub speed: Option<f64>,
    #[serde(skip)]
    pub southern: bool,
}

/// What there is to tell of a station.
pub fn of(
    page: &Page,
    snapshot: &Snapshot,
    index: StationIndex,
    station: &Station,
    texts: &Texts,
) -> Display {
    let now = page.view.clock.now();
    let property = &snapshot.property;
    let shown = Shown::new(&page.view.settings.page.units);
    let newest: Vec<Newest<'_>> =
        newest::all(snapshot, now).filter(|n| n.station == station.id).collect();
    let find = |quantity, statistic: Option<Statistic>| {
        newest
            .iter()
            .filter(|n| n.quantity == quantity && statistic.is_none_or(|s| s == n.statistic))
            .min_by_key(|n| !n.fresh)
    };
    let told = |found, sign| value(found, &shown, sign, texts);
    let extent = Range::Hours24.extent(now, &property.days);
    let kept = page.archive.with_reader(&page.view, |look| {
        gather(look, &page.shelf, property, &station.id, (extent.0, extent.1, now))
            .map_err(|e| crate::page::problem::Problem::unavailable(e.to_string()))
    });
    let trace = |role| {
        kept.as_ref().ok().and_then(|g| g.trace(role)).filter(|t| t.series.station == station.id)
    };
    let air = trace(Role::Temperature);
    let reached = |pick: fn(&Slice) -> (i64, Time), lowest: bool| {
        let all = air?.slices.all().iter().map(|(_, s)| s).filter(|s| s.count > 0).map(pick);
        let (steps, at) = if lowest { all.min_by_key(|p| p.0) } else { all.max_by_key(|p| p.0) }?;
        Some(Reached {
            text: shown.bare(Quantity::AirTemperature, steps),
            value: shown.number(Quantity::AirTemperature, steps),
            at: local_clock(property, texts, at),
        })
    };
    let barogram = trace(Role::Pressure).and_then(|trace| {
        let show = |steps| from_steps(steps, trace.series.quantity.decimals());
        let (low, high) = trace.columns.extremes()?;
        let scale = Scale::holding(show(low), show(high), 4.0, 3.0);
        Some(trace.columns.lines(&scale, 100.0, show))
    });
    let mean = find(Quantity::WindSpeed, Some(Statistic::Mean));
    let from = find(Quantity::WindFromDirection, Some(Statistic::Mean));
    let number = |n: &Newest<'_>| {
        n.value.filter(|_| n.fresh && n.flag.counts()).map(|s| from_steps(s, n.quantity.decimals()))
    };
    let gust = find(Quantity::WindSpeedOfGust, None);
    let state = snapshot.stations.get(usize::from(index.0)).copied().unwrap_or_default();
    let stale = state
        .heartbeat
        .is_none_or(|beat| (now - beat).0 > station.interval.0.saturating_mul(STALE_AFTER));
    let rain = |which: Lately| {
        let depth = Quantity::PrecipitationDepth;
        let unit = shown.label(depth);
        let gauge = snapshot.rain.iter().find(|r| {
            property.instruments.get(r.instrument.0 as usize).is_some_and(|i| i.station == index)
        });
        match gauge.filter(|g| snapshot.fresh(g.instrument, now)) {
            Some(gauge) => {
                let steps = gauge.totals.of(which).steps;
                Told {
                    text: shown.bare(depth, steps),
                    value: Some(shown.number(depth, steps)),
                    unit,
                }
            }
            None => Told { text: NONE.to_owned(), value: None, unit },
        }
    };
    Display {
        name: station.name.clone(),
        time: state.latest.map(|t| t.to_string()),
        clock: state.latest.map(|t| local_clock(property, texts, t)).unwrap_or_default(),
        stale_since: stale.then(|| {
            state
                .heartbeat
                .map_or_else(|| texts.nothing_heard.to_owned(), |t| local_clock(property, texts, t))
        }),
        air: told(find(Quantity::AirTemperature, None), false),
        lowest: reached(|s| (s.least, s.least_at), true),
        highest: reached(|s| (s.most, s.most_at), false),
        change: told(find(Quantity::TendencyOfSurfaceAirPressure, None), true),
        characteristic: find(Quantity::CharacteristicOfPressureTendency, None)
            .filter(|n| n.fresh)
            .and_then(|n| n.value),
        mean: told(mean, false),
        from: from.and_then(number),
        gust: told(gust, false),
        over: gust.and_then(|g| g.over).map(long),
        rain_day: rain(Lately::RainDay),
        rain_24h: rain(Lately::Day),
        line: line(snapshot, station, &newest, texts),
        again: again(station, state.heartbeat, now),
        barogram: barogram.unwrap_or_default(),
        speed: mean.and_then(number),
        southern: station.latitude < 0.0,
    }
}

/// A newest value that counts, or a dash; what is possibly iced as a word.
fn value(found: Option<&Newest<'_>>, shown: &Shown, sign: bool, texts: &Texts) -> Told {
    let none = |unit: String| Told { text: NONE.to_owned(), value: None, unit };
    let Some(found) = found else { return none(String::new()) };
    let quantity = found.quantity;
    let unit = shown.label(quantity);
    if found.reasons.iter().any(|r| r == Reason::Frozen) {
        return Told { text: texts.frozen.to_owned(), value: None, unit };
    }
    let Some(steps) = found.value.filter(|_| found.fresh && found.flag.counts()) else {
        return none(unit);
    };
    let value = shown.number(quantity, steps);
    let text =
        if sign { signed(value, shown.decimals(quantity)) } else { shown.bare(quantity, steps) };
    Told { text, value: Some(value), unit }
}

/// When the next sample has probably been seen to, in seconds from now.
fn again(station: &Station, heartbeat: Option<Time>, now: Time) -> i64 {
    let interval = station.interval.0.clamp(30_000, 3_600_000);
    let since = heartbeat.map_or(0, |beat| (now - beat).0.rem_euclid(interval));
    (interval - since) / 1_000 + 5
}

/// That all agree, or the one fault in words.
fn line(snapshot: &Snapshot, station: &Station, newest: &[Newest<'_>], texts: &Texts) -> String {
    let own = snapshot.diagnoses.iter().find(|d| d.station.as_deref() == Some(&station.id));
    if let Some(said) = own {
        let instrument = said.instrument.as_deref().unwrap_or_default().replace('_', " ");
        return format!("{instrument}: {}", texts.cause(&said.cause))
            .trim_start_matches(": ")
            .to_owned();
    }
    let doubted =
        newest.iter().find(|n| n.fresh && !matches!(n.flag, Flag::Good | Flag::Unchecked));
    if let Some(doubted) = doubted {
        return format!("{} {}", doubted.instrument.replace('_', " "), texts.flag(doubted.flag));
    }
    let fresh = newest.iter().filter(|n| n.fresh).count();
    format!("{} {fresh} {}", texts.all, texts.agree)
}
