//! Where things stand on a display: wide, high, or so small that only the air fits.

use super::canvas::{Canvas, Side};
use super::shown::{Display, Told};
use crate::page::graphics::Point;
use crate::page::graphics::barb::barb;
use crate::page::graphics::tendency;
use crate::page::sheet::Texts;
use observation::Quantity;

/// A box: left, top, width, height.
type Field = (f64, f64, f64, f64);

/// Draws a display.
pub fn drawn(display: &Display, width: u32, height: u32, depth: u8, texts: &Texts) -> Canvas {
    let mut canvas = Canvas::new(width, height, depth);
    let (w, h) = (f64::from(width), f64::from(height));
    let thick = (w.min(h) / 150.0).ceil();
    let margin = thick * 3.0;
    let small = w < 160.0 || h < 110.0;
    if let Some(since) = &display.stale_since {
        canvas.hatch(margin, margin, w - 2.0 * margin, h - 2.0 * margin);
        canvas.border(thick * 2.0, thick * 6.0);
        plate(&mut canvas, texts.no_reading_since, since, (w, h));
        return canvas;
    }
    let inner = (w - 2.0 * margin, h - 2.0 * margin);
    if small {
        air(&mut canvas, display, (margin, margin, inner.0, inner.1 * 0.78), thick);
        let text = format!("{} {}", display.clock, display.line);
        canvas.text(
            &text,
            (margin, h - margin - inner.1 * 0.05),
            Side::Left,
            inner.1 * 0.16,
            inner.0,
        );
        return canvas;
    }
    let foot = (h / 13.0).max(11.0);
    let room = inner.1 - foot - margin;
    if w >= h {
        let half = inner.0 * 0.5;
        air(&mut canvas, display, (margin, margin, half - margin, room), thick);
        let (left, wide) = (margin + half, half);
        pressure(&mut canvas, display, (left, margin, wide, room * 0.36), thick, texts);
        wind(&mut canvas, display, (left, margin + room * 0.38, wide, room * 0.34), thick, texts);
        rain(&mut canvas, display, (left, margin + room * 0.74, wide, room * 0.26), texts);
    } else {
        air(&mut canvas, display, (margin, margin, inner.0, room * 0.42), thick);
        pressure(
            &mut canvas,
            display,
            (margin, margin + room * 0.44, inner.0, room * 0.2),
            thick,
            texts,
        );
        wind(
            &mut canvas,
            display,
            (margin, margin + room * 0.65, inner.0, room * 0.2),
            thick,
            texts,
        );
        rain(&mut canvas, display, (margin, margin + room * 0.86, inner.0, room * 0.14), texts);
    }
    canvas.line((margin, h - foot - margin), (w - margin, h - foot - margin), thick, 0.0);
    let clock = format!("{} {}", display.name, display.clock);
    let clock_room = canvas.wide(&clock, foot * 0.75).min(inner.0 * 0.5);
    let base = h - margin - foot * 0.2;
    canvas.text(
        &display.line,
        (margin, base),
        Side::Left,
        foot * 0.75,
        inner.0 - clock_room - margin * 2.0,
    );
    canvas.text(&clock, (w - margin, base), Side::Right, foot * 0.75, clock_room);
    canvas
}

/// Words on a clear plate in the middle.
fn plate(canvas: &mut Canvas, first: &str, second: &str, (w, h): (f64, f64)) {
    let (size, large) = (h / 9.0, h / 4.0);
    canvas.clear(w * 0.08, h * 0.25, w * 0.84, h * 0.5);
    canvas.text(first, (w / 2.0, h * 0.42), Side::Middle, size, w * 0.8);
    canvas.text(second, (w / 2.0, h * 0.68), Side::Middle, large, w * 0.8);
}

/// The air, large, and under it a bar from the lowest to the highest of 24 hours.
fn air(canvas: &mut Canvas, display: &Display, (x, y, w, h): Field, thick: f64) {
    let large = h * 0.62;
    let unit = large * 0.3;
    let unit_room = canvas.wide(&display.air.unit, unit);
    let base = y + h * 0.58;
    let room = w - unit_room - unit * 0.3;
    let number = canvas.wide(&display.air.text, large).min(room);
    canvas.text(&display.air.text, (x, base), Side::Left, large, room);
    canvas.text(
        &display.air.unit,
        (x + number + unit * 0.2, base - large * 0.4),
        Side::Left,
        unit,
        unit_room,
    );
    let (Some(low), Some(high), Some(now)) = (&display.lowest, &display.highest, display.air.value)
    else {
        return;
    };
    let bar = y + h * 0.72;
    canvas.line((x, bar), (x + w, bar), thick, 0.0);
    for end in [x, x + w] {
        canvas.line((end, bar - thick * 3.0), (end, bar + thick * 3.0), thick, 0.0);
    }
    let span = (high.value - low.value).max(0.1);
    let at = x + w * ((now - low.value) / span).clamp(0.0, 1.0);
    canvas.fill(at - thick * 2.0, bar - thick * 4.0, thick * 4.0, thick * 8.0);
    // Smaller letters cannot be read.
    let size = (h * 0.13).max(9.0);
    let base = bar + (h * 0.2).max(size + thick * 4.0);
    canvas.text(&format!("{} ({})", low.text, low.at), (x, base), Side::Left, size, w * 0.48);
    canvas.text(
        &format!("{} ({})", high.text, high.at),
        (x + w, base),
        Side::Right,
        size,
        w * 0.48,
    );
}

/// The barogram of 24 hours with the change of the last three.
fn pressure(
    canvas: &mut Canvas,
    display: &Display,
    (x, y, w, h): Field,
    thick: f64,
    texts: &Texts,
) {
    let size = h * 0.3;
    let paper = (x, y, w, h * 0.62);
    for share in [0.0, 0.5, 1.0] {
        canvas.line((x, y + paper.3 * share), (x + w, y + paper.3 * share), 1.0, 2.0);
    }
    if display.barogram.is_empty() {
        canvas.hatch(paper.0, paper.1, paper.2, paper.3);
    }
    for line in &display.barogram {
        let placed: Vec<Point> =
            line.iter().map(|(px, py)| (x + px / 480.0 * w, y + py / 100.0 * paper.3)).collect();
        for pair in placed.windows(2) {
            canvas.line(pair[0], pair[1], thick * 1.5, 0.0);
        }
    }
    let base = y + h * 0.95;
    let mut left = x;
    if let Some(symbol) = display.characteristic.and_then(tendency::symbol) {
        for pair in symbol.windows(2) {
            let at = |p: Point| (left + p.0 * size, base - size * 0.75 + p.1 * size * 0.7);
            canvas.line(at(pair[0]), at(pair[1]), thick * 1.5, 0.0);
        }
        left += size * 1.3;
    }
    let text = format!("{} {} {}", display.change.text, display.change.unit, texts.in_three_hours);
    canvas.text(&text, (left, base), Side::Left, size, x + w - left);
}

/// One barb, mean and gust.
fn wind(canvas: &mut Canvas, display: &Display, (x, y, w, h): Field, thick: f64, texts: &Texts) {
    if display.speed.is_none() {
        // No circle: it would read as a calm.
        let none = format!("{} {}", texts.short(Quantity::WindSpeed), display.mean.text);
        canvas.text(&none, (x, y + h * 0.52), Side::Left, h * 0.38, w);
        return;
    }
    let middle = (x + h * 0.5, y + h * 0.5);
    let radius = (h * 0.06).max(2.0);
    let drawn = barb(display.speed, display.from, radius, h * 0.4, display.southern);
    let at = |p: Point| (middle.0 + p.0, middle.1 + p.1);
    for line in drawn.lines.iter().chain(&drawn.pennants) {
        for pair in line.windows(2) {
            canvas.line(at(pair[0]), at(pair[1]), thick, 0.0);
        }
    }
    let mut rings = vec![radius];
    rings.extend(drawn.calm.then_some(radius * 2.0));
    for ring in rings {
        let place = |n: u32| {
            let angle = f64::from(n) / 24.0 * std::f64::consts::TAU;
            at((ring * angle.cos(), ring * angle.sin()))
        };
        for n in 0..24 {
            canvas.line(place(n), place(n + 1), thick, 0.0);
        }
    }
    let left = x + h * 1.1;
    let room = x + w - left;
    let gust = if display.gust.value.is_some() {
        format!(" / {}", display.gust.text)
    } else {
        String::new()
    };
    let both = format!("{}{gust} {}", display.mean.text, display.mean.unit);
    canvas.text(&both, (left, y + h * 0.52), Side::Left, h * 0.38, room);
    if let Some(over) = display.over.as_ref().filter(|_| display.gust.value.is_some()) {
        canvas.text(
            &format!("{} {over}", texts.over),
            (left, y + h * 0.88),
            Side::Left,
            h * 0.24,
            room,
        );
    }
}

/// Rain of the rain day and of 24 hours.
fn rain(canvas: &mut Canvas, display: &Display, (x, y, w, h): Field, texts: &Texts) {
    let figure = |told: &Told| format!("{} {}", told.text, told.unit);
    for (place, (told, label)) in
        [(&display.rain_day, texts.rain_day), (&display.rain_24h, texts.rain_24h)]
            .into_iter()
            .enumerate()
    {
        let left = x + w * 0.52 * place as f64;
        canvas.text(&figure(told), (left, y + h * 0.52), Side::Left, h * 0.52, w * 0.46);
        canvas.text(label, (left, y + h * 0.94), Side::Left, h * 0.32, w * 0.46);
    }
}
