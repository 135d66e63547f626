//! SVG to PNG, with the fonts inside the program: the picture is the same on a machine that has none.

use std::sync::{Arc, OnceLock};

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb};

use super::palette;

/// Why a picture could not be drawn.
#[derive(Debug, thiserror::Error)]
pub enum PngError {
    #[error("the chart is not a picture that can be drawn")]
    Unreadable(#[source] resvg::usvg::Error),
    #[error("a picture of {width} × {height} pixels cannot be drawn")]
    Size { width: u32, height: u32 },
    #[error("the picture could not be written as PNG")]
    Encoding(#[source] Box<dyn std::error::Error + Send + Sync>),
}

/// Draws one of our charts. `scale`: pixels of the PNG for one of the SVG; 2 is sharp on paper and on most screens.
///
/// # Errors
/// When the text is no SVG, or the picture would be larger than 8,000 pixels a side.
pub fn draw(svg: &str, scale: f32) -> Result<Vec<u8>, PngError> {
    pixels(svg, scale)?.encode_png().map_err(|why| PngError::Encoding(why.into()))
}

/// As [`draw`], with at most so many colours (2 to 256), which takes far fewer bytes. The picture must be opaque.
///
/// # Errors
/// As [`draw`].
pub fn draw_small(svg: &str, scale: f32, colours: usize) -> Result<Vec<u8>, PngError> {
    palette::encode(&pixels(svg, scale)?, colours).map_err(|why| PngError::Encoding(why.into()))
}

fn pixels(svg: &str, scale: f32) -> Result<Pixmap, PngError> {
    let tree = parse(svg)?;
    let size = tree.size();
    let side = |length: f32| (length * scale).ceil() as u32;
    let (width, height) = (side(size.width()), side(size.height()));
    let too_large = PngError::Size { width, height };
    if width.max(height) > 8000 {
        return Err(too_large);
    }
    let Some(mut pixels) = Pixmap::new(width, height) else { return Err(too_large) };
    resvg::render(&tree, Transform::from_scale(scale, scale), &mut pixels.as_mut());
    Ok(pixels)
}

/// Reads an SVG as it will be drawn, text laid out.
pub(super) fn parse(svg: &str) -> Result<Tree, PngError> {
    let options = Options { fontdb: fonts(), font_family: FAMILY.to_owned(), ..Options::default() };
    Tree::from_str(svg, &options).map_err(PngError::Unreadable)
}

const FAMILY: &str = "DejaVu Sans";

fn fonts() -> Arc<fontdb::Database> {
    static FONTS: OnceLock<Arc<fontdb::Database>> = OnceLock::new();
    FONTS
        .get_or_init(|| {
            let mut fonts = fontdb::Database::new();
            fonts.load_font_data(dejavu::sans::regular().to_vec());
            fonts.load_font_data(dejavu::sans::bold().to_vec());
            fonts.set_sans_serif_family(FAMILY);
            Arc::new(fonts)
        })
        .clone()
}
