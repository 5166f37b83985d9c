//! A plot as a PNG: drawn by `resvg` with a font that the program brings, so that it is the same whatever fonts a machine has.
//!
//! Reads no font of the system, no file and no address.

use std::sync::Arc;

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb};

use super::Plot;

/// Widest picture, pixels.
pub const WIDTH_MAX_PX: u32 = 8_000;

/// Why a plot could not be made a PNG.
#[derive(Debug, thiserror::Error)]
pub enum PlotError {
    /// The width is none that a picture can have.
    #[error("a picture {0} pixels wide cannot be made; ask for 1 to {WIDTH_MAX_PX}")]
    Width(u32),
    /// The plot's own SVG was not understood.
    #[error("the plot '{0}' could not be drawn: {1}")]
    Drawing(&'static str, String),
}

/// Draws a plot so many pixels wide.
pub fn png(plot: &Plot, width_px: u32) -> Result<Vec<u8>, PlotError> {
    if !(1..=WIDTH_MAX_PX).contains(&width_px) {
        return Err(PlotError::Width(width_px));
    }
    let drawing = |error: String| PlotError::Drawing(plot.name, error);
    let tree = Tree::from_str(&plot.svg, &options()).map_err(|error| drawing(error.to_string()))?;
    let size = tree.size();
    let scale = width_px as f32 / size.width();
    let height = (size.height() * scale).round().max(1.0);
    let mut picture = Pixmap::new(width_px, height as u32).ok_or(PlotError::Width(width_px))?;
    resvg::render(&tree, Transform::from_scale(scale, scale), &mut picture.as_mut());
    picture.encode_png().map_err(|error| drawing(error.to_string()))
}

/// With the one font, for whatever family is asked for.
fn options() -> Options<'static> {
    let mut fonts = fontdb::Database::new();
    fonts.load_font_data(epaint_default_fonts::UBUNTU_LIGHT.to_vec());
    let family = fonts.faces().next().and_then(|face| face.families.first()).map(|(name, _)| name.clone());
    let family = family.unwrap_or_default();
    fonts.set_sans_serif_family(family.clone());
    Options { font_family: family, fontdb: Arc::new(fonts), ..Options::default() }
}
