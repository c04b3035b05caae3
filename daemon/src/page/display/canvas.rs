//! A picture in grey, drawn pixel by pixel so that one bit of depth stays crisp, and
//! written as PNG in 1, 2, 4 or 8 bits.

use ab_glyph::{Font, FontRef, PxScale, ScaleFont, point};

/// Black ink.
pub const INK: u8 = 0;
/// White paper.
pub const PAPER: u8 = 255;

/// See the module.
pub struct Canvas {
    width: u32,
    height: u32,
    pixels: Vec<u8>,
    font: Option<FontRef<'static>>,
    /// Whether edges of letters may be grey.
    grey: bool,
}

/// Where a text stands to its x.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Side {
    Left,
    Middle,
    Right,
}

impl Canvas {
    /// White paper of a size in pixels; `depth` in bits.
    pub fn new(width: u32, height: u32, depth: u8) -> Self {
        Self {
            width,
            height,
            pixels: vec![PAPER; width as usize * height as usize],
            // The embedded font can be read, or there is no text at all.
            font: FontRef::try_from_slice(dejavu::sans::regular()).ok(),
            grey: depth > 1,
        }
    }

    fn dot(&mut self, x: i64, y: i64, ink: u8) {
        if x < 0 || y < 0 || x >= i64::from(self.width) || y >= i64::from(self.height) {
            return;
        }
        let place = y as usize * self.width as usize + x as usize;
        if let Some(pixel) = self.pixels.get_mut(place) {
            *pixel = (*pixel).min(ink);
        }
    }

    /// A filled box.
    pub fn fill(&mut self, x: f64, y: f64, width: f64, height: f64) {
        for row in y.round() as i64..(y + height).round() as i64 {
            for column in x.round() as i64..(x + width).round() as i64 {
                self.dot(column, row, INK);
            }
        }
    }

    /// Clean paper.
    pub fn clear(&mut self, x: f64, y: f64, width: f64, height: f64) {
        let columns = x.max(0.0) as usize..((x + width).max(0.0) as usize).min(self.width as usize);
        let rows = y.max(0.0) as usize..(y + height).max(0.0) as usize;
        for row in self.pixels.chunks_mut(self.width as usize).skip(rows.start).take(rows.len()) {
            if let Some(part) = row.get_mut(columns.clone()) {
                part.fill(PAPER);
            }
        }
    }

    /// A box of slanted lines, for what is not known.
    pub fn hatch(&mut self, x: f64, y: f64, width: f64, height: f64) {
        let (left, top) = (x.round() as i64, y.round() as i64);
        for row in 0..height.round() as i64 {
            for column in 0..width.round() as i64 {
                if (row + column) % 8 == 0 {
                    self.dot(left + column, top + row, INK);
                }
            }
        }
    }

    /// A line of a thickness; `dash` is the length of its dashes, 0 for none.
    pub fn line(&mut self, from: (f64, f64), to: (f64, f64), thick: f64, dash: f64) {
        let length = (to.0 - from.0).hypot(to.1 - from.1);
        let steps = (length * 2.0).ceil().clamp(1.0, 20_000.0) as u32;
        for step in 0..=steps {
            let part = f64::from(step) / f64::from(steps);
            if dash > 0.0 && (part * length / dash) as i64 % 2 == 1 {
                continue;
            }
            let x = from.0 + (to.0 - from.0) * part - thick / 2.0;
            let y = from.1 + (to.1 - from.1) * part - thick / 2.0;
            self.fill(x, y, thick, thick);
        }
    }

    /// A border all around, broken or not.
    pub fn border(&mut self, thick: f64, dash: f64) {
        let (right, bottom) = (f64::from(self.width) - thick, f64::from(self.height) - thick);
        let half = thick / 2.0;
        let corners = [
            (half, half),
            (right + half, half),
            (right + half, bottom + half),
            (half, bottom + half),
        ];
        for side in 0..4 {
            self.line(corners[side], corners[(side + 1) % 4], thick, dash);
        }
    }

    /// How wide a text is.
    pub fn wide(&self, text: &str, size: f64) -> f64 {
        let Some(font) = &self.font else { return 0.0 };
        let scaled = font.as_scaled(PxScale::from(size as f32));
        text.chars().map(|c| f64::from(scaled.h_advance(scaled.glyph_id(c)))).sum()
    }

    /// A text on its base line, made smaller where it is wider than `room`.
    pub fn text(&mut self, text: &str, at: (f64, f64), side: Side, size: f64, room: f64) {
        let wide = self.wide(text, size);
        let size = if wide > room && room > 0.0 { size * room / wide } else { size };
        let wide = wide.min(room.max(0.0));
        let Some(font) = self.font.clone() else { return };
        let scaled = font.as_scaled(PxScale::from(size as f32));
        let mut x = match side {
            Side::Left => at.0,
            Side::Middle => at.0 - wide / 2.0,
            Side::Right => at.0 - wide,
        };
        for c in text.chars() {
            let glyph = scaled.glyph_id(c);
            let advance = f64::from(scaled.h_advance(glyph));
            // Whole pixels: an upright stroke is as sharp in every letter.
            let placed = glyph.with_scale_and_position(
                PxScale::from(size as f32),
                point(x.round() as f32, at.1.round() as f32),
            );
            if let Some(outline) = font.outline_glyph(placed) {
                let bounds = outline.px_bounds();
                let (left, top) = (bounds.min.x as i64, bounds.min.y as i64);
                let grey = self.grey;
                let mut dots = Vec::new();
                outline.draw(|column, row, cover| {
                    let ink = if grey { 255 - (cover.clamp(0.0, 1.0) * 255.0) as u8 } else { INK };
                    if grey || cover >= 0.5 {
                        dots.push((left + i64::from(column), top + i64::from(row), ink));
                    }
                });
                for (column, row, ink) in dots {
                    self.dot(column, row, ink);
                }
            }
            x += advance;
        }
    }

    /// The picture as PNG.
    ///
    /// # Errors
    /// In one line, what the encoder refused.
    pub fn png(&self, depth: u8) -> Result<Vec<u8>, String> {
        let bits = match depth {
            1 => png::BitDepth::One,
            2 => png::BitDepth::Two,
            4 => png::BitDepth::Four,
            _ => png::BitDepth::Eight,
        };
        let depth = u32::from(depth.clamp(1, 8));
        let top = (1_u32 << depth) - 1;
        let row_bytes = (self.width * depth).div_ceil(8) as usize;
        let mut data = Vec::with_capacity(row_bytes * self.height as usize);
        for row in self.pixels.chunks(self.width as usize) {
            let mut packed = vec![0_u8; row_bytes];
            for (place, pixel) in row.iter().enumerate() {
                let level = (u32::from(*pixel) * top + 127) / 255;
                let bit = place as u32 * depth;
                if let Some(byte) = packed.get_mut((bit / 8) as usize) {
                    *byte |= (level << (8 - depth - bit % 8)) as u8;
                }
            }
            data.extend_from_slice(&packed);
        }
        let mut out = Vec::new();
        let mut encoder = png::Encoder::new(&mut out, self.width, self.height);
        encoder.set_color(png::ColorType::Grayscale);
        encoder.set_depth(bits);
        let mut writer = encoder.write_header().map_err(|e| e.to_string())?;
        writer.write_image_data(&data).map_err(|e| e.to_string())?;
        writer.finish().map_err(|e| e.to_string())?;
        Ok(out)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    // The size and depth as the PNG's own header says them: RFC 2083, 4.1.1.
    #[test]
    fn every_depth_is_written_as_asked() {
        for depth in [1, 2, 4, 8] {
            let mut canvas = Canvas::new(101, 33, depth);
            canvas.text("-8.2", (50.0, 30.0), Side::Middle, 28.0, 100.0);
            let png = canvas.png(depth).unwrap();
            let number = |at: usize| u32::from_be_bytes(png[at..at + 4].try_into().unwrap());
            assert_eq!((number(16), number(20), png[24], png[25]), (101, 33, depth, 0));
            let ink = canvas.pixels.iter().filter(|p| **p < 128).count();
            assert!((60..900).contains(&ink), "{ink}");
            if depth == 1 {
                assert!(canvas.pixels.iter().all(|p| *p == INK || *p == PAPER), "crisp");
            }
        }
    }

    #[test]
    fn a_text_wider_than_its_room_is_made_smaller() {
        let mut canvas = Canvas::new(60, 20, 1);
        canvas.text("no reading since", (0.0, 15.0), Side::Left, 18.0, 40.0);
        let inked = |from: usize, to: usize| {
            canvas.pixels.chunks(60).any(|row| row[from..to].contains(&INK))
        };
        assert!(inked(0, 40) && !inked(42, 60));
    }
}
