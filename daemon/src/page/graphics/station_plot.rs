//! A station plot: what a station reports at one moment around its circle, in the places
//! of the WMO's plotting model (WMO-No. 485, appendix II-4, from memory): temperature
//! above dew point on the left, pressure above tendency on the right, rain below them,
//! the wind as a barb.
//!
//! A home station does not observe the sky, so the circle carries the bar that says so:
//! an empty one would mean cloudless.

use super::barb::{Barb, barb};
use super::tendency;
use super::{Point, path, tenth};
use maud::{Markup, html};

/// Radius of the circle.
const RADIUS: f64 = 8.0;
/// Length of the shaft.
const SHAFT: f64 = 46.0;

/// A figure of the plot.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Written {
    /// As it is written.
    pub text: String,
    /// Whether it does not count.
    pub doubted: bool,
}

/// What is known; nothing is drawn of what is not.
#[derive(Clone, Debug, Default)]
pub struct Plotted {
    /// Air temperature.
    pub temperature: Option<Written>,
    /// Dew point.
    pub dew_point: Option<Written>,
    /// Pressure in full.
    pub pressure: Option<Written>,
    /// Change of the pressure in three hours, with its sign.
    pub change: Option<Written>,
    /// Characteristic of that change, code table 0200.
    pub characteristic: Option<i64>,
    /// Rain of the rain day.
    pub rain: Option<Written>,
    /// Mean speed, m/s.
    pub speed: Option<f64>,
    /// Where the wind blows from, degrees.
    pub from: Option<f64>,
    /// Whether the wind does not count.
    pub wind_doubted: bool,
    /// South of the equator.
    pub southern: bool,
    /// Everything in words.
    pub description: String,
}

/// The drawing; `id` is unique on its page, `title` what it is of.
pub fn drawn(plot: &Plotted, id: &str, title: &str) -> Markup {
    let Barb { lines, pennants, calm } = barb(plot.speed, plot.from, RADIUS, SHAFT, plot.southern);
    let symbol = plot.characteristic.and_then(tendency::symbol).map(|line| {
        let placed: Vec<Point> =
            line.iter().map(|(x, y)| (48.0 + 14.0 * x, 1.0 + 11.0 * y)).collect();
        path(&[placed])
    });
    let wind = if plot.wind_doubted { "wind doubted" } else { "wind" };
    html! {
        svg.plot viewBox="-84 -66 168 132" role="img" aria-labelledby={ (id) "t " (id) "d" } {
            title id={ (id) "t" } { (title) }
            desc id={ (id) "d" } { (plot.description) }
            g class=(wind) {
                path d=(path(&lines)) {}
                @for pennant in &pennants { path.pennant d={ (path(std::slice::from_ref(pennant))) "Z" } {} }
                @if calm { circle cx="0" cy="0" r=(tenth(RADIUS + 4.0)) {} }
            }
            circle.sky cx="0" cy="0" r=(RADIUS) {}
            path.sky d={ "M" (-RADIUS) " 0L" (RADIUS) " 0" } {}
            (figure(plot.temperature.as_ref(), -15.0, -9.0, "end"))
            (figure(plot.dew_point.as_ref(), -15.0, 20.0, "end"))
            (figure(plot.pressure.as_ref(), 15.0, -9.0, "start"))
            (figure(plot.change.as_ref(), 15.0, 11.0, "start"))
            @if let Some(symbol) = symbol { path.tendency d=(symbol) {} }
            (figure(plot.rain.as_ref(), 15.0, 31.0, "start"))
        }
    }
}

fn figure(written: Option<&Written>, x: f64, y: f64, anchor: &str) -> Markup {
    html! {
        @if let Some(written) = written {
            text x=(x) y=(y) text-anchor=(anchor) class=[written.doubted.then_some("doubted")] {
                (written.text)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(text: &str) -> Written {
        Written { text: text.to_owned(), doubted: false }
    }

    // Places of the plotting model: WMO-No. 485, appendix II-4 (from memory).
    #[test]
    fn each_figure_stands_in_its_place_and_nothing_stands_for_what_is_missing() {
        let plot = Plotted {
            temperature: Some(written("8.2")),
            dew_point: Some(written("5.1")),
            pressure: Some(written("987.6")),
            change: Some(written("-1.2")),
            characteristic: Some(7),
            rain: Some(Written { text: "3.2".to_owned(), doubted: true }),
            speed: Some(7.5),
            from: Some(270.0),
            ..Plotted::default()
        };
        let svg = drawn(&plot, "p", "Orchard").into_string();
        for text in [
            "x=\"-15\" y=\"-9\" text-anchor=\"end\">8.2<",
            "x=\"-15\" y=\"20\" text-anchor=\"end\">5.1<",
            "x=\"15\" y=\"-9\" text-anchor=\"start\">987.6<",
            "x=\"15\" y=\"11\" text-anchor=\"start\">-1.2<",
            "text-anchor=\"start\" class=\"doubted\">3.2<",
            // From the circle's edge westwards.
            "M-8 0L-54 0",
        ] {
            assert!(svg.contains(text), "no {text} in {svg}");
        }
        let empty = drawn(&Plotted::default(), "p", "Orchard").into_string();
        assert!(!empty.contains("<text"), "{empty}");
        assert!(!empty.contains("tendency"), "{empty}");
        assert!(empty.contains("class=\"sky\" d=\"M-8 0L8 0\""), "sky not observed: {empty}");
    }
}
