//! The trade's own graphics as plain geometry and as SVG: wind barb, tendency, station
//! plot, panes on one axis of time, wind rose, isopleths.
//!
//! The rules kept here: what is missing is not drawn and never stands at zero; what does
//! not count is drawn, but differently; every picture has a title, a description and
//! units, and can be read without colour.

pub(super) mod barb;
pub(super) mod columns;
pub(super) mod isopleths;
pub(super) mod pane;
pub(super) mod rose;
pub(super) mod scale;
pub(super) mod station_plot;
pub(super) mod strip;
pub(super) mod tendency;

/// A point, x to the right and y downwards.
pub(super) type Point = (f64, f64);

/// Lines through points as the data of an SVG path, to a tenth of a unit.
pub(super) fn path(lines: &[Vec<Point>]) -> String {
    use std::fmt::Write as _;
    let mut out = String::new();
    for line in lines {
        for (place, (x, y)) in line.iter().enumerate() {
            let letter = if place == 0 { 'M' } else { 'L' };
            // Writing to a String cannot fail.
            let _ = write!(out, "{letter}{} {}", tenth(*x), tenth(*y));
        }
    }
    out
}

/// A coordinate as short as it can be written.
pub(super) fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0 + 0.0
}
