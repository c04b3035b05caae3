//! A strip: one line in the band that is usual for it.

use super::pane::TALL;
use super::scale::Scale;
use super::{Point, path, tenth};
use maud::{Markup, html};

/// See the module.
pub struct Strip {
    /// Unique on the page.
    pub id: String,
    pub heading: Markup,
    pub title: String,
    pub description: String,
    /// Where, 0 to 1, and the value; a new line begins at each gap.
    pub lines: Vec<Vec<Point>>,
    /// The same of what does not count.
    pub doubted: Vec<Vec<Point>>,
    /// Middle and half width of the band; none where nothing is usual yet.
    pub band: Option<(f64, f64)>,
    /// When something began, 0 to 1.
    pub since: Option<f64>,
}

/// The drawing.
pub fn drawn(strip: &Strip) -> Markup {
    let values = || strip.lines.iter().chain(&strip.doubted).flatten().map(|p| p.1);
    let (middle, half) = strip.band.unwrap_or((0.0, 0.0));
    let low = values().fold(middle - half, f64::min);
    let high = values().fold(middle + half, f64::max);
    let scale = Scale::holding(low, high, 1e-3, 2.0);
    let down = |value: f64| tenth(scale.down(value) * TALL);
    let placed = |lines: &[Vec<Point>]| -> Vec<Vec<Point>> {
        lines
            .iter()
            .map(|line| line.iter().map(|(x, y)| (x * 480.0, scale.down(*y) * TALL)).collect())
            .collect()
    };
    let decimals = scale.decimals();
    html! {
        figure.pane id=(strip.id) {
            figcaption { (strip.heading) }
            svg.paper width="100%" height="64" role="img" aria-labelledby={ (strip.id) "-t " (strip.id) "-d" } {
                title id={ (strip.id) "-t" } { (strip.title) }
                desc id={ (strip.id) "-d" } { (strip.description) }
                svg x="0" y="6" width="100%" height="52" preserveAspectRatio="none" viewBox="0 0 480 100" {
                    @if strip.band.is_some() {
                        rect.band x="0" width="480" y=(down(middle + half)) height=(tenth((down(middle - half) - down(middle + half)).max(0.5))) {}
                    }
                    path.ruling d=(path(&scale.lines().map(|v| vec![(0.0, down(v)), (480.0, down(v))]).collect::<Vec<_>>())) {}
                    @if let Some(since) = strip.since {
                        path.since d={ "M" (tenth(since * 480.0)) " 0V100" } {}
                    }
                    path class="trace mean" d=(path(&placed(&strip.lines))) {}
                    @if !strip.doubted.is_empty() { path.doubted d=(path(&placed(&strip.doubted))) {} }
                }
                @for value in scale.lines() {
                    text.value x="2" y=(tenth(6.0 + scale.down(value) * 52.0 + 3.5)) {
                        (super::super::sheet::signed(value, decimals))
                    }
                }
            }
        }
    }
}
