//! The panes of the meteogram: barogram, temperature with dew point, wind with barbs,
//! rain, on one axis of time.

use super::figures::sentence;
use super::gather::{Gathered, Trace};
use super::roles::Role;
use super::slices::Slice;
use super::source::{Source, Stretch};
use crate::page::graphics::barb::barb;
use crate::page::graphics::columns::Columns;
use crate::page::graphics::pane::{Line, Pane, Slot, TALL, Wind, drawn};
use crate::page::graphics::scale::Scale;
use maud::{Markup, html};
use observation::reading::{decimal_text, from_steps};
use observation::{Quantity, Series, Span};
use std::fmt::Write as _;

/// Barbs in a row.
const BARBS: i64 = 12;

impl Source<'_> {
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
                    let slices = &trace.slices;
                    let hour = slices.within(middle - Span::hours(1) - slices.length(), middle);
                    hour.iter().rev().find_map(|(_, slice)| slice.last)
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
        let per = if self.hourly() { texts.per_hour } else { texts.per_day };
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
    let mut panes: Vec<Pane> =
        [source.barogram(), source.warmth(), source.wind(), source.wetness()]
            .into_iter()
            .flatten()
            .collect();
    for pane in &mut panes {
        if pane.lines.iter().any(|line| !line.doubted.is_empty()) {
            pane.heading = html! { (pane.heading) "; " span.doubted { (source.texts.thick) } };
        }
    }
    html! {
        @if panes.is_empty() { p { (sentence(source.texts.nothing_kept)) } }
        @if !panes.is_empty() { output.readout hidden { (source.texts.reading_line) } }
        @for pane in &panes { (drawn(pane, &axis)) }
    }
}
