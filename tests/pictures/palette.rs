//! A screenshot of ruled paper needs few colours: kept as 256 of them it is a third as long.

use std::collections::HashMap;
use std::fs::File;
use std::io::{BufReader, BufWriter};
use std::path::Path;

type Colour = [u8; 3];

/// Rewrites a picture with its 256 most frequent colours, each other one as the nearest of
/// them.
pub(super) fn shrink(file: &Path) {
    let (width, height, pixels) = read(file);
    let mut counts: HashMap<Colour, u32> = HashMap::new();
    for pixel in &pixels {
        *counts.entry(*pixel).or_default() += 1;
    }
    let mut order: Vec<(u32, Colour)> = counts.into_iter().map(|(c, n)| (n, c)).collect();
    order.sort_unstable_by(|a, b| b.cmp(a));
    let colours: Vec<Colour> = order.iter().take(256).map(|(_, c)| *c).collect();
    let mut nearest: HashMap<Colour, u8> = HashMap::new();
    let indices: Vec<u8> = pixels
        .iter()
        .map(|pixel| *nearest.entry(*pixel).or_insert_with(|| place(&colours, *pixel)))
        .collect();
    let out = BufWriter::new(File::create(file).expect("a folder to write to"));
    let mut encoder = png::Encoder::new(out, width, height);
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_palette(colours.concat());
    encoder.set_compression(png::Compression::High);
    // Neighbouring numbers of a palette are no neighbouring colours.
    encoder.set_filter(png::Filter::NoFilter);
    let mut writer = encoder.write_header().expect("a head");
    writer.write_image_data(&indices).expect("a picture");
    writer.finish().expect("an end");
}

fn read(file: &Path) -> (u32, u32, Vec<Colour>) {
    let decoder = png::Decoder::new(BufReader::new(File::open(file).expect("a picture")));
    let mut reader = decoder.read_info().expect("a PNG");
    let mut bytes = vec![0; reader.output_buffer_size().expect("a size")];
    let frame = reader.next_frame(&mut bytes).expect("a frame");
    let channels = frame.color_type.samples();
    assert!(channels >= 3 && frame.bit_depth == png::BitDepth::Eight, "a picture in colour");
    let pixels = bytes[..frame.buffer_size()].chunks_exact(channels);
    (frame.width, frame.height, pixels.map(|p| [p[0], p[1], p[2]]).collect())
}

fn place(colours: &[Colour], pixel: Colour) -> u8 {
    let far = |c: &Colour| -> i32 {
        c.iter().zip(pixel).map(|(a, b)| (i32::from(*a) - i32::from(b)).pow(2)).sum()
    };
    let best = colours.iter().enumerate().min_by_key(|(_, c)| far(c));
    best.map_or(0, |(place, _)| place as u8)
}
