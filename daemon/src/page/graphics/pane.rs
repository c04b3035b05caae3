//! A pane of the meteogram: one band of paper with an axis of values, on the axis of time
//! that all panes share.
//!
//! Everything that scales with the width is drawn in a box of [`COLUMNS`] by 100 that is
//! stretched; text, barbs and marks are placed in per cent of the width and keep their
//! size from a telephone to a wall.

use super::columns::COLUMNS;
use super::scale::Scale;
use super::{Point, path, tenth};
use maud::{Markup, html};

/// Height of the stretched box in its own units.
pub const TALL: f64 = 100.0;
/// Above the drawing, pixels.
const TOP: u32 = 6;
/// Below it, for the hours.
const BOTTOM: u32 = 18;

/// A line of one series.
pub struct Line {
    /// Class for the style sheet.
    pub class: &'static str,
    /// Drawn lines in the box.
    pub lines: Vec<Vec<Point>>,
    /// Marks of what does not count.
    pub doubted: Vec<Point>,
    /// Which series it is, as `station/instrument/quantity/statistic/over/period`.
    pub series: String,
    /// Unit of the data.
    pub unit: &'static str,
    /// The data, as [`super::columns::Columns::data`].
    pub data: String,
}

/// One hour or day that can be touched.
pub struct Slot {
    /// Where it begins, 0 to 1.
    pub from: f64,
    /// Where it ends.
    pub to: f64,
    /// What is to be read there.
    pub title: String,
    /// A bar's height, 0 to 1.
    pub bar: Option<f64>,
    /// Whether much of it is missing.
    pub lacking: bool,
}

/// A barb above the lines.
pub struct Wind {
    /// Where, 0 to 1.
    pub at: f64,
    /// What is drawn.
    pub barb: super::barb::Barb,
}

/// What all panes share.
pub struct Axis {
    /// Ruled instants: where, 0 to 1, the label, empty where there is no room for one,
    /// whether a new day begins.
    pub ticks: Vec<(f64, String, bool)>,
    /// Nights, 0 to 1.
    pub nights: Vec<(f64, f64)>,
}

/// See the module.
pub struct Pane {
    /// Unique on the page.
    pub id: &'static str,
    pub heading: Markup,
    pub title: String,
    pub description: String,
    pub scale: Scale,
    pub lines: Vec<Line>,
    pub slots: Vec<Slot>,
    pub winds: Vec<Wind>,
    /// Pixels.
    pub height: u32,
}

/// The drawing.
pub fn drawn(pane: &Pane, axis: &Axis) -> Markup {
    let tall = pane.height - TOP - BOTTOM;
    let y = |down: f64| tenth(f64::from(TOP) + down * f64::from(tall));
    let x = |share: f64| tenth(share * COLUMNS as f64);
    let decimals = pane.scale.decimals();
    html! {
        figure.pane id=(pane.id) {
            figcaption { (pane.heading) }
            svg.paper width="100%" height=(pane.height) role="img"
                aria-labelledby={ (pane.id) "-t " (pane.id) "-d" } {
                title id={ (pane.id) "-t" } { (pane.title) }
                desc id={ (pane.id) "-d" } { (pane.description) }
                svg x="0" y=(TOP) width="100%" height=(tall) preserveAspectRatio="none"
                    viewBox={ "0 0 " (COLUMNS) " " (TALL) } {
                    @for (from, to) in &axis.nights {
                        rect.night x=(x(*from)) y="0" width=(x(to - from)) height=(TALL) {}
                    }
                    path.ruling d=(ruling(pane, axis)) {}
                    @for slot in pane.slots.iter() {
                        @if slot.lacking {
                            rect.lacking x=(x(slot.from)) y="0" width=(x(slot.to - slot.from)) height=(TALL) {}
                        }
                        @if let Some(bar) = slot.bar {
                            rect.bar x=(x(slot.from + (slot.to - slot.from) * 0.1)) y=(tenth(TALL * (1.0 - bar)))
                                width=(x((slot.to - slot.from) * 0.8)) height=(tenth(TALL * bar)) {}
                        }
                    }
                    @for line in &pane.lines {
                        path class={ "trace " (line.class) } d=(path(&line.lines))
                            data-series=(line.series) data-unit=(line.unit) data-values=(line.data) {}
                        @if !line.doubted.is_empty() {
                            path.doubted d=(dots(&line.doubted)) {}
                        }
                    }
                    @for slot in &pane.slots {
                        rect.slot x=(x(slot.from)) y="0" width=(x(slot.to - slot.from)) height=(TALL) {
                            title { (slot.title) }
                        }
                    }
                }
                @for wind in &pane.winds {
                    svg.barb x={ (tenth(wind.at * 100.0)) "%" } y=(TOP + 26) {
                        path d=(path(&wind.barb.lines)) {}
                        @for pennant in &wind.barb.pennants {
                            path.pennant d={ (path(std::slice::from_ref(pennant))) "Z" } {}
                        }
                        @if wind.barb.calm { circle.calm r="5" {} }
                        circle.station r="1.6" {}
                    }
                }
                @for value in pane.scale.lines() {
                    text.value x="2" y=(y(pane.scale.down(value)) + 3.5) {
                        (format!("{value:.decimals$}").replace('-', "\u{2212}"))
                    }
                }
                @for (at, label, day) in axis.ticks.iter().filter(|t| !t.1.is_empty()) {
                    text class=(if *day { "tick day" } else { "tick" }) x={ (tenth(at * 100.0)) "%" }
                        y=(pane.height - 4) text-anchor=(anchor(*at)) { (label) }
                }
            }
        }
    }
}

/// Lines of no length, which round ends make dots that keep their size.
fn dots(points: &[Point]) -> String {
    use std::fmt::Write as _;
    points.iter().fold(String::new(), |mut out, (x, y)| {
        // Writing to a String cannot fail.
        let _ = write!(out, "M{} {}h0", tenth(*x), tenth(*y));
        out
    })
}

fn anchor(at: f64) -> &'static str {
    match at {
        ..0.03 => "start",
        0.97.. => "end",
        _ => "middle",
    }
}

fn ruling(pane: &Pane, axis: &Axis) -> String {
    let width = COLUMNS as f64;
    let across = pane.scale.lines().map(|value| {
        let down = pane.scale.down(value) * TALL;
        vec![(0.0, down), (width, down)]
    });
    let upright = axis.ticks.iter().map(|(at, _, _)| vec![(at * width, 0.0), (at * width, TALL)]);
    path(&across.chain(upright).collect::<Vec<_>>())
}
