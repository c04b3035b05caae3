//! The wind rose: how often the wind blew from where, and how strongly. Petals point to
//! where it blew from; the share of calm stands in the middle.

use super::scale::Scale;
use super::tenth;
use maud::{Markup, html};
use meteorology::wind::Rose;

/// Radius of the middle.
const INNER: f64 = 16.0;
/// Radius of the outermost ring.
const OUTER: f64 = 92.0;
/// Half the angle of a petal, degrees; a sector has 22.5.
const HALF: f64 = 8.5;

/// Words around the drawing.
pub struct Words<'a> {
    pub title: &'a str,
    pub description: String,
    /// The four quarters, clockwise from north.
    pub points: [&'a str; 4],
}

/// Share of all known windows, per cent; none where nothing is known.
pub fn share(rose: &Rose, count: u64) -> Option<f64> {
    let known = rose.total() - rose.missing;
    (known > 0).then(|| count as f64 / known as f64 * 100.0)
}

/// The drawing; nothing where nothing is known.
pub fn drawn(rose: &Rose, words: &Words<'_>) -> Markup {
    let Some(calm) = share(rose, rose.calm) else { return html! {} };
    let sums: Vec<u64> = rose.counts().iter().map(|row| row.iter().sum()).collect();
    let most = sums.iter().filter_map(|s| share(rose, *s)).fold(0.0, f64::max);
    let scale = Scale::from_zero(most, 5.0, 3.0);
    let radius = |percent: f64| INNER + (1.0 - scale.down(percent)) * (OUTER - INNER);
    html! {
        svg.rose viewBox="-112 -112 224 224" role="img" aria-labelledby="rose-t rose-d" {
            title id="rose-t" { (words.title) }
            desc id="rose-d" { (words.description) }
            @for ring in scale.lines().skip(1) {
                circle.ruling r=(tenth(radius(ring))) {}
                text x="3" y=(tenth(-radius(ring) + 9.0)) { (format!("{ring:.0} %")) }
            }
            @for (sector, row) in rose.counts().iter().enumerate() {
                @let edges = edges(rose, row);
                @for (class, pair) in edges.windows(2).enumerate() {
                    @if pair[1] > pair[0] {
                        path class={ "petal class" (class) } d=(petal(sector, radius(pair[0]), radius(pair[1]))) {}
                    }
                }
            }
            circle.middle r=(INNER) {}
            text.calm text-anchor="middle" y="4" { (format!("{calm:.0} %")) }
            @for (label, (x, y)) in words.points.into_iter().zip([(0.0, -101.0), (104.0, 4.0), (0.0, 110.0), (-104.0, 4.0)]) {
                text.point text-anchor="middle" x=(x) y=(y) { (label) }
            }
        }
    }
}

/// Where the classes of a sector end, per cent, from 0 on.
fn edges(rose: &Rose, row: &[u64]) -> Vec<f64> {
    let mut sum = 0;
    let mut edges = vec![0.0];
    for count in row {
        sum += count;
        edges.push(share(rose, sum).unwrap_or(0.0));
    }
    edges
}

/// A piece of a petal between two radii.
fn petal(sector: usize, from: f64, to: f64) -> String {
    let middle = sector as f64 * 22.5;
    let at = |radius: f64, degrees: f64| {
        let radians = degrees.to_radians();
        format!("{} {}", tenth(radius * radians.sin()), tenth(-radius * radians.cos()))
    };
    format!(
        "M{}L{}A{to:.1} {to:.1} 0 0 1 {}L{}Z",
        at(from, middle - HALF),
        at(to, middle - HALF),
        at(to, middle + HALF),
        at(from, middle + HALF),
    )
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn petals_point_to_where_the_wind_blew_from_and_calm_and_missing_are_apart() {
        let mut rose = Rose::new(&[2.5, 5.0]).unwrap();
        for _ in 0..6 {
            rose.add(Some(3.0), Some(90.0), 0.2);
        }
        for _ in 0..2 {
            rose.add(Some(0.0), None, 0.2);
        }
        for _ in 0..8 {
            rose.add(None, None, 0.2);
        }
        // What is missing is no part of the whole.
        assert_eq!(share(&rose, rose.calm), Some(25.0));
        let points = ["N", "E", "S", "W"];
        let words = Words { title: "Wind rose", description: String::new(), points };
        let svg = drawn(&rose, &words).into_string();
        assert!(svg.contains(">25 %</text>"), "{svg}");
        assert_eq!(svg.matches("petal").count(), 1, "{svg}");
        // East is to the right.
        let petal = svg.split("petal class1\" d=\"M").nth(1).unwrap();
        let x: f64 = petal.split(' ').next().unwrap().parse().unwrap();
        assert!(x > 10.0, "{petal}");
        let empty = Rose::new(&[2.5]).unwrap();
        assert_eq!(drawn(&empty, &words).into_string(), "");
    }
}
