//! A picture with few colours, as a PNG of the indexed kind: our charts are flat areas, lines and letters, and take a third of
//! the bytes that way.

use std::collections::HashMap;

use png::{BitDepth, ColorType, Compression, Encoder, Filter};
use resvg::tiny_skia::Pixmap;

type Colour = [u8; 3];

/// Writes an opaque picture with at most `most` colours, 2 to 256.
///
/// # Errors
/// When the picture has no size.
pub(super) fn encode(pixels: &Pixmap, most: usize) -> Result<Vec<u8>, png::EncodingError> {
    let colours: Vec<Colour> = pixels.pixels().iter().map(|of| [of.red(), of.green(), of.blue()]).collect();
    let palette = palette(&colours, most.clamp(2, 256));
    let mut nearest: HashMap<Colour, u8> = HashMap::new();
    let mut indices: Vec<u8> = Vec::with_capacity(colours.len());
    for (colour, length) in runs(&colours) {
        let index = *nearest.entry(colour).or_insert_with(|| index_of(&palette, colour));
        indices.resize(indices.len() + length, index);
    }
    let depth = match palette.len() {
        ..=2 => 1,
        3..=4 => 2,
        5..=16 => 4,
        _ => 8,
    };
    let mut out = Vec::new();
    let mut encoder = Encoder::new(&mut out, pixels.width(), pixels.height());
    encoder.set_color(ColorType::Indexed);
    encoder.set_depth(match depth {
        1 => BitDepth::One,
        2 => BitDepth::Two,
        4 => BitDepth::Four,
        _ => BitDepth::Eight,
    });
    encoder.set_palette(palette.concat());
    encoder.set_compression(Compression::High);
    // Neighbouring indices say nothing of each other: a filter only hides what repeats.
    encoder.set_filter(Filter::NoFilter);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(&packed(&indices, pixels.width() as usize, depth))?;
    writer.finish()?;
    Ok(out)
}

/// Neighbours of one colour, and how many they are: most of a chart is flat, so that few are looked up.
fn runs(colours: &[Colour]) -> impl Iterator<Item = (Colour, usize)> {
    colours.chunk_by(|one, next| one == next).filter_map(|run| Some((*run.first()?, run.len())))
}

/// Rows of indices, several to a byte, each row from a byte of its own.
fn packed(indices: &[u8], width: usize, depth: usize) -> Vec<u8> {
    let each = 8 / depth;
    let row = |row: &[u8]| {
        row.chunks(each)
            .map(|some| some.iter().enumerate().fold(0, |byte, (at, index)| byte | index << (8 - depth * (at + 1))))
            .collect::<Vec<u8>>()
    };
    indices.chunks(width.max(1)).flat_map(row).collect()
}

fn index_of(palette: &[Colour], colour: Colour) -> u8 {
    let nearest = palette.iter().enumerate().min_by_key(|(_, of)| distance(**of, colour));
    nearest.map_or(0, |(at, _)| u8::try_from(at).unwrap_or(0))
}

/// Squared, weighted as the eye sees red, green and blue.
fn distance(a: Colour, b: Colour) -> u32 {
    let square = |at: usize| u32::from(a[at].abs_diff(b[at])).pow(2);
    3 * square(0) + 6 * square(1) + square(2)
}

/// The colours that stand for all: those of the most pixels first, and of the others that which lies farthest off for the
/// most pixels, one after the other. The same picture always has the same ones.
fn palette(colours: &[Colour], most: usize) -> Vec<Colour> {
    let mut counts: HashMap<Colour, usize> = HashMap::new();
    for (colour, length) in runs(colours) {
        *counts.entry(colour).or_default() += length;
    }
    let mut left: Vec<(Colour, usize, u32)> =
        counts.into_iter().map(|(colour, count)| (colour, count, u32::MAX)).collect();
    left.sort_by_key(|(colour, count, _)| (std::cmp::Reverse(*count), *colour));
    let mut palette: Vec<Colour> = Vec::with_capacity(most);
    while palette.len() < most {
        let weight = |(_, count, off): &&(Colour, usize, u32)| u64::from(*off) * *count as u64;
        let Some((next, ..)) = left.iter().max_by_key(|one| (weight(one), std::cmp::Reverse(one.0))).copied() else {
            break;
        };
        palette.push(next);
        for one in &mut left {
            one.2 = one.2.min(distance(one.0, next));
        }
        left.retain(|(_, _, off)| *off > 0);
    }
    palette
}

#[cfg(test)]
mod tests {
    use resvg::tiny_skia::{Color, Paint, Rect, Transform};

    use super::*;

    fn striped(stripes: u8) -> Pixmap {
        let mut pixels = Pixmap::new(67, 40).unwrap();
        pixels.fill(Color::WHITE);
        for at in 0..stripes {
            let mut paint = Paint::default();
            paint.set_color_rgba8(at * 7, 200 - at * 5, 90, 255);
            paint.anti_alias = false;
            let stripe = Rect::from_xywh(0.0, f32::from(at), 67.0 - f32::from(at), 1.0).unwrap();
            pixels.fill_rect(stripe, &paint, Transform::identity(), None);
        }
        pixels
    }

    #[test]
    fn a_picture_of_few_colours_is_the_same_to_the_pixel() {
        for stripes in [1, 2, 3, 12, 20] {
            let picture = striped(stripes);
            let png = encode(&picture, 64).unwrap();
            assert_eq!(Pixmap::decode_png(&png).unwrap().data(), picture.data(), "{stripes} stripes");
        }
    }

    #[test]
    fn of_many_colours_none_comes_out_far_off() {
        let picture = striped(30);
        let decoded = Pixmap::decode_png(&encode(&picture, 16).unwrap()).unwrap();
        for (a, b) in picture.pixels().iter().zip(decoded.pixels()) {
            let off = a.red().abs_diff(b.red()).max(a.green().abs_diff(b.green())).max(a.blue().abs_diff(b.blue()));
            assert!(off <= 14, "{a:?} became {b:?}");
        }
    }
}
