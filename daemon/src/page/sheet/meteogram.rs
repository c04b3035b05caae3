//! The panes of the meteogram: barogram, temperature with dew point, wind with barbs,
//! rain, on one axis of time.

use super::figures::{NONE, Shown};
use super::gather::{Gathered, SLICE, Slice, Trace, slice_of};
use super::local::Local;
use super::roles::Role;
use super::texts::Texts;
use crate::page::graphics::barb::barb;
use crate::page::graphics::columns::Columns;
use crate::page::graphics::pane::{Axis, Line, Pane, Slot, TALL, Wind, drawn};
use crate::page::graphics::scale::Scale;
use maud::{Markup, html};
use observation::days::{DayKind, Days, Division};
use observation::reading::{decimal_text, from_steps};
use observation::{Property, Quantity, Series, Span, Time};
use std::fmt::Write as _;

/// Barbs in a row.
const BARBS: i64 = 12;
/// Longest span whose slots are hours; of longer ones they are days.
const HOURLY: Span = Span::hours(72);

/// What the panes are drawn from.
pub struct Source<'a> {
    pub gathered: &'a Gathered,
    pub property: &'a Property,
    pub shown: &'a Shown,
    pub local: &'a Local<'a>,
    pub texts: &'a Texts,
}

/// One slot of time and the hours in it.
pub struct Stretch {
    pub from: Time,
    pub to: Time,
}

impl Source<'_> {
    fn share(&self, time: Time) -> f64 {
        let (from, to) = (self.gathered.from, self.gathered.to);
        (time - from).0 as f64 / (to - from).0.max(1) as f64
    }

    /// Whether slots are hours.
    pub fn hourly(&self) -> bool {
        self.gathered.to - self.gathered.from <= HOURLY
    }

    /// The slots that have begun: hours, or days of the kind that rain is summed over.
    pub fn stretches(&self) -> Vec<Stretch> {
        let Gathered { from, to, until, .. } = *self.gathered;
        let division = if self.hourly() { Division::Hour } else { Division::Day };
        let mut found = Vec::new();
        let mut at = from + Span(1);
        while at <= to.min(until + Span::hours(1)) && found.len() < 400 {
            let cut = self.property.days.cut(division, DayKind::Civil, at);
            found.push(Stretch { from: cut.from.max(from), to: cut.to.min(to) });
            at = cut.to.max(at) + Span(1);
        }
        found
    }

    /// What a series says of a slot.
    pub fn of(&self, role: Role, stretch: &Stretch) -> Option<Slice> {
        let trace = self.gathered.trace(role)?;
        let within = slice_of(stretch.from + Span(1))..=slice_of(stretch.to);
        let mut sum = Slice::default();
        for hour in trace.slices.range(within).map(|(_, slice)| slice) {
            if hour.count > 0 {
                let first = sum.count == 0;
                sum.least = if first { hour.least } else { sum.least.min(hour.least) };
                sum.most = if first { hour.most } else { sum.most.max(hour.most) };
                sum.last = hour.last;
            }
            sum.sum += hour.sum;
            sum.count += hour.count;
            sum.left_out += hour.left_out;
        }
        Some(sum)
    }

    /// Readings that a slot would have; those to come are not missing.
    pub fn expected(&self, trace: &Trace, stretch: &Stretch) -> f64 {
        let end = stretch.to.min(self.gathered.until);
        (end - stretch.from).0.max(0) as f64 / trace.spacing.0.max(1) as f64
    }

    /// A slot's name.
    pub fn name(&self, stretch: &Stretch) -> String {
        let (from, to) = (self.local.clock(stretch.from), self.local.clock(stretch.to));
        let day = self.local.day(stretch.from);
        if self.hourly() { format!("{day} {from}\u{2013}{to}") } else { day }
    }

    /// The name of a station.
    pub fn station(&self, id: &str) -> String {
        let station = self.property.station(id);
        let station = station.and_then(|s| self.property.stations.get(usize::from(s.0)));
        station.map_or_else(|| id.to_owned(), |s| s.name.clone())
    }

    fn where_from(&self, series: &Series) -> String {
        self.station(&series.station)
    }

    fn line(&self, class: &'static str, trace: &Trace, scale: &Scale) -> Line {
        let Series { station, instrument, quantity, statistic, over, period } = &trace.series;
        let span = |s: Option<Span>| s.map(|s| s.to_string()).unwrap_or_default();
        let show = |steps: i64| self.shown.number(*quantity, steps);
        Line {
            class,
            lines: trace.columns.lines(scale, TALL, show),
            doubted: trace.columns.doubted(scale, TALL, show),
            series: format!(
                "{station}/{instrument}/{quantity}/{statistic}/{}/{}",
                span(*over),
                span(*period)
            ),
            unit: quantity.unit(),
            data: trace.columns.data(|steps| decimal_text(steps, quantity.decimals())),
        }
    }

    /// Lowest, highest, gaps and what was left out, in words.
    fn described(&self, quantity: Quantity, columns: &Columns) -> String {
        let texts = self.texts;
        let Some((low, high)) = columns.extremes() else { return texts.nothing_kept.to_owned() };
        // Writing to a String cannot fail.
        let mut words = format!(
            "{} {}, {} {}",
            texts.lowest,
            self.shown.with_unit(quantity, low),
            texts.highest,
            self.shown.with_unit(quantity, high)
        );
        if columns.gaps > 0 {
            let _ = write!(words, "; {} {}", columns.gaps, texts.gaps);
        }
        if columns.left_out > 0 {
            let _ = write!(words, "; {} {}", columns.left_out, texts.left_out);
        }
        words
    }

    /// The axis of time.
    pub fn axis(&self) -> Axis {
        let Gathered { from, to, .. } = *self.gathered;
        let length = to - from;
        let mut ticks: Vec<(f64, String, bool)> = Vec::new();
        if length <= Span::hours(49) {
            let every = if length <= Span::hours(25) { 3 } else { 6 };
            let mut at = Time(from.0.div_euclid(3_600_000) * 3_600_000);
            while at <= to {
                if at >= from && self.local.hour(at) % every == 0 {
                    let midnight = self.local.is_midnight(at);
                    let label = if midnight { self.local.day(at) } else { self.local.clock(at) };
                    // At the edge a date is set to its left and needs the room of a label.
                    if midnight && self.share(at) > 0.93 && every == 3 {
                        ticks.pop();
                    }
                    ticks.push((self.share(at), label, midnight));
                }
                at = at + Span::hours(1);
            }
        } else {
            let days: &Days = &self.property.days;
            let total = length.0 / Span::days(1).0;
            let mut at = from + Span(1);
            let mut place = 0;
            while at < to && place < 400 {
                let cut = days.cut(Division::Day, DayKind::Civil, at);
                let labelled = match total {
                    0..15 => place % 2 == 0 || total < 8,
                    15..100 => cut.date.day == 1 || cut.date.day == 16,
                    _ => cut.date.day == 1 && cut.date.month % 2 == 1,
                };
                if labelled && cut.from >= from {
                    ticks.push((self.share(cut.from), self.local.day(cut.from + Span(1)), true));
                }
                at = cut.to + Span(1);
                place += 1;
            }
        }
        Axis { ticks, nights: self.nights() }
    }

    /// From sunset to sunrise; of spans in which nights would be hatching none.
    fn nights(&self) -> Vec<(f64, f64)> {
        let Gathered { from, to, .. } = *self.gathered;
        if to - from > Span::days(11) {
            return Vec::new();
        }
        let (latitude, longitude) = (self.property.latitude, self.property.longitude);
        let mut nights = Vec::new();
        let mut dark_since: Option<Time> = None;
        let first = from.utc_day() - 1;
        for day in first..=to.utc_day() + 1 {
            let midnight = day as f64 * 86_400.0;
            let sun =
                meteorology::sun::day(midnight, latitude, longitude, meteorology::sun::HORIZON);
            let at = |seconds: f64| Time((seconds * 1_000.0) as i64);
            if let (Some(since), Some(rise)) = (dark_since, sun.rise) {
                nights.push((since, at(rise)));
            }
            dark_since = sun.set.map(at);
        }
        nights
            .into_iter()
            .map(|(a, b)| (self.share(a.max(from)), self.share(b.min(to))))
            .filter(|(a, b)| b > a)
            .collect()
    }

    fn slots(&self, text: impl Fn(&Stretch) -> String) -> Vec<Slot> {
        self.stretches()
            .iter()
            .map(|stretch| Slot {
                from: self.share(stretch.from),
                to: self.share(stretch.to),
                title: format!("{}: {}", self.name(stretch), text(stretch)),
                bar: None,
                lacking: false,
            })
            .collect()
    }

    /// The mean of a slot with its unit.
    pub fn mean(&self, role: Role, stretch: &Stretch) -> String {
        let quantity = self.gathered.trace(role).map(|t| t.series.quantity);
        let mean = self.of(role, stretch).and_then(|h| h.mean());
        quantity
            .zip(mean)
            .map_or_else(|| NONE.to_owned(), |(q, steps)| self.shown.with_unit(q, steps))
    }

    /// The greatest of a slot with its unit.
    pub fn most(&self, role: Role, stretch: &Stretch) -> String {
        let quantity = self.gathered.trace(role).map(|t| t.series.quantity);
        let most = self.of(role, stretch).filter(|h| h.count > 0).map(|h| h.most);
        quantity
            .zip(most)
            .map_or_else(|| NONE.to_owned(), |(q, steps)| self.shown.with_unit(q, steps))
    }

    /// Direction of the last window of a slot.
    pub fn direction(&self, stretch: &Stretch) -> String {
        self.of(Role::Direction, stretch).and_then(|h| h.last).map_or_else(
            || NONE.to_owned(),
            |(_, steps)| self.shown.with_unit(Quantity::WindFromDirection, steps),
        )
    }

    /// Depth of a slot, with what it lacks.
    pub fn rain(&self, stretch: &Stretch) -> String {
        let (Some(trace), Some(hour)) =
            (self.gathered.trace(Role::Rain), self.of(Role::Rain, stretch))
        else {
            return NONE.to_owned();
        };
        if hour.count == 0 {
            return NONE.to_owned();
        }
        let depth = self.shown.with_unit(Quantity::PrecipitationDepth, hour.sum.round() as i64);
        if self.lacks(trace, stretch, &hour) {
            format!("{} {depth}", self.texts.at_least)
        } else {
            depth
        }
    }

    fn lacks(&self, trace: &Trace, stretch: &Stretch, hour: &Slice) -> bool {
        self.expected(trace, stretch) - f64::from(hour.count) > 2.5
    }

    fn barogram(&self) -> Option<Pane> {
        let trace = self.gathered.trace(Role::Pressure)?;
        let quantity = trace.series.quantity;
        let (low, high) = trace.columns.reach()?;
        let show = |steps| self.shown.number(quantity, steps);
        let least = self.shown.number(Quantity::TendencyOfSurfaceAirPressure, 400);
        let scale = Scale::holding(show(low), show(high), least, 4.0);
        let name = self.texts.quantity(quantity);
        Some(Pane {
            id: "barogram",
            heading: html! { strong { (name) } ", " (self.shown.label(quantity)) " \u{b7} " (self.where_from(&trace.series)) },
            title: name,
            description: self.described(quantity, &trace.columns),
            lines: vec![self.line("pressure", trace, &scale)],
            slots: self.slots(|s| self.mean(Role::Pressure, s)),
            winds: Vec::new(),
            scale,
            height: 124,
        })
    }

    fn warmth(&self) -> Option<Pane> {
        let air = self.gathered.trace(Role::Temperature)?;
        // The dew point of another station says nothing of this one's air.
        let dew = self
            .gathered
            .trace(Role::DewPoint)
            .filter(|d| d.series.station == air.series.station && d.columns.reach().is_some());
        let quantity = air.series.quantity;
        let reach = [Some(air), dew].into_iter().flatten().filter_map(|t| t.columns.reach());
        let low = reach.clone().map(|r| r.0).min()?;
        let high = reach.map(|r| r.1).max()?;
        let show = |steps| self.shown.number(quantity, steps);
        let scale = Scale::holding(show(low), show(high), 5.0, 5.0);
        let texts = self.texts;
        let mut lines = vec![self.line("air", air, &scale)];
        lines.extend(dew.map(|dew| self.line("dew", dew, &scale)));
        Some(Pane {
            id: "warmth",
            heading: html! {
                strong { (texts.quantity(Quantity::AirTemperature)) } " (" (texts.solid) ")"
                @if dew.is_some() { ", " strong { (texts.quantity(Quantity::DewPointTemperature)) } " (" (texts.dashed) ")" }
                ", " (self.shown.label(quantity)) " \u{b7} " (self.where_from(&air.series))
            },
            title: texts.temperature_and_dew_point.to_owned(),
            description: self.described(quantity, &air.columns),
            lines,
            slots: self.slots(|s| {
                let dew = dew.map(|_| {
                    format!(
                        ", {} {}",
                        texts.quantity(Quantity::DewPointTemperature),
                        self.mean(Role::DewPoint, s)
                    )
                });
                format!("{}{}", self.mean(Role::Temperature, s), dew.unwrap_or_default())
            }),
            winds: Vec::new(),
            scale,
            height: 164,
        })
    }

    fn wind(&self) -> Option<Pane> {
        let mean = self.gathered.trace(Role::Speed)?;
        let gust =
            self.gathered.trace(Role::Gust).filter(|g| g.series.station == mean.series.station);
        let quantity = Quantity::WindSpeed;
        let reach = [Some(mean), gust].into_iter().flatten().filter_map(|t| t.columns.reach());
        let high = reach.map(|r| r.1).max()?;
        // A quarter more: the barbs stand above the lines.
        let high = self.shown.number(quantity, high) * 1.35;
        let scale = Scale::from_zero(high, self.shown.number(quantity, 500), 4.0);
        let texts = self.texts;
        let over = gust
            .and_then(|g| g.series.over)
            .map(|o| format!(" {} {}", texts.over, super::local::long(o)));
        let mut lines = vec![self.line("mean", mean, &scale)];
        lines.extend(gust.map(|gust| self.line("gust", gust, &scale)));
        Some(Pane {
            id: "wind",
            heading: html! {
                strong { (texts.quantity(quantity)) } ": " (texts.mean) " (" (texts.solid) ")"
                @if gust.is_some() { ", " (texts.gust) (over.clone().unwrap_or_default()) " (" (texts.dashed) ")" }
                ", " (self.shown.label(quantity)) " \u{b7} " (self.where_from(&mean.series))
            },
            title: texts.quantity(quantity),
            description: self.described(quantity, gust.map_or(&mean.columns, |g| &g.columns)),
            lines,
            slots: self.slots(|s| {
                format!(
                    "{} {}, {} {}{}",
                    self.direction(s),
                    self.mean(Role::Speed, s),
                    texts.gust,
                    self.most(Role::Gust, s),
                    over.clone().unwrap_or_default()
                )
            }),
            winds: self.winds(),
            scale,
            height: 172,
        })
    }

    /// Barbs of windows that ended at even intervals.
    fn winds(&self) -> Vec<Wind> {
        let (Some(speed), Some(from)) =
            (self.gathered.trace(Role::Speed), self.gathered.trace(Role::Direction))
        else {
            return Vec::new();
        };
        let Gathered { from: start, to, .. } = *self.gathered;
        let part = (to - start).0 / BARBS;
        (0..BARBS)
            .filter_map(|n| {
                let middle = start + Span(part * n + part / 2);
                // The window that ends last before the middle, an hour ago at most.
                let last = |trace: &Trace| {
                    let at = slice_of(middle);
                    let hour = at - Span::hours(1).0 / SLICE.0..=at;
                    trace.slices.range(hour).rev().find_map(|(_, slice)| slice.last)
                };
                let (time, steps) = last(speed)?;
                let speed = from_steps(steps, Quantity::WindSpeed.decimals());
                let from = last(from)
                    .filter(|(then, _)| *then == time)
                    .map(|(_, steps)| from_steps(steps, Quantity::WindFromDirection.decimals()));
                let southern = self.property.latitude < 0.0;
                Some(Wind {
                    at: self.share(time),
                    barb: barb(Some(speed), from, 0.0, 22.0, southern),
                })
            })
            .collect()
    }

    fn wetness(&self) -> Option<Pane> {
        let trace = self.gathered.trace(Role::Rain)?;
        let quantity = Quantity::PrecipitationDepth;
        let stretches = self.stretches();
        let hours: Vec<Slice> =
            stretches.iter().map(|s| self.of(Role::Rain, s).unwrap_or_default()).collect();
        let known = hours.iter().any(|h| h.count > 0);
        if !known {
            return None;
        }
        let show = |sum: f64| self.shown.number(quantity, sum.round() as i64);
        let highest = hours.iter().map(|h| show(h.sum)).fold(0.0, f64::max);
        let scale = Scale::from_zero(highest, show(1_000.0), 3.0);
        let mut slots = self.slots(|s| self.rain(s));
        for ((slot, hour), stretch) in slots.iter_mut().zip(&hours).zip(&stretches) {
            slot.bar = (hour.sum > 0.0).then(|| 1.0 - scale.down(show(hour.sum)));
            slot.lacking = self.lacks(trace, stretch, hour);
        }
        let texts = self.texts;
        let total =
            self.shown.with_unit(quantity, hours.iter().map(|h| h.sum).sum::<f64>().round() as i64);
        let lacking = slots.iter().filter(|s| s.lacking).count();
        let total = if lacking > 0 { format!("{} {total}", texts.at_least) } else { total };
        let per = if self.hourly() { "1 h" } else { "1 d" };
        Some(Pane {
            id: "rain",
            heading: html! {
                strong { (texts.quantity(quantity)) } ", " (self.shown.label(quantity)) " / " (per)
                ", " (texts.total) " " (total) " \u{b7} " (self.where_from(&trace.series))
            },
            title: texts.quantity(quantity),
            description: format!("{} {total}", texts.total),
            lines: Vec::new(),
            slots,
            winds: Vec::new(),
            scale,
            height: 104,
        })
    }
}

/// All panes for which there is something.
pub fn panes(source: &Source<'_>) -> Markup {
    let axis = source.axis();
    let panes: Vec<Pane> = [source.barogram(), source.warmth(), source.wind(), source.wetness()]
        .into_iter()
        .flatten()
        .collect();
    html! {
        @if panes.is_empty() { p { (source.texts.nothing_kept) } }
        @if !panes.is_empty() { output.readout hidden { (source.texts.reading_line) } }
        @for pane in &panes { (drawn(pane, &axis)) }
    }
}
