//! Colours and sizes of all plots.
//!
//! Colours are those of Okabe and Ito, "Color Universal Design" (2008), which readers with any common colour vision tell apart,
//! beside greys and a tint. No two things are told apart by colour alone: they differ by lightness, shape, dash or name too.
//! Draws nothing.

/// Width of every plot in its own units.
pub const WIDTH: f64 = 520.0;
/// Size of all text but the heading: 9 px where a phone shows the plot 344 px wide, 12 pt on a page of 170 mm.
pub const TEXT: f64 = 14.0;
/// Size of the heading.
pub const HEADING: f64 = 17.0;
/// A character's mean width in parts of the size, on the safe side for the fonts that pages have.
pub const CHARACTER: f64 = 0.56;

/// The card that a plot stands on.
pub const GROUND: &str = "#fff";
/// Text.
pub const INK: &str = "#1c2329";
/// Text that stands back: axes, captions.
pub const MUTED: &str = "#56616b";
/// Lines of the grid.
pub const GRID: &str = "#dde2e7";
/// Behind every other leg.
pub const SHADE: &str = "#edf0f3";
/// Lines of a hatch.
pub const HATCH: &str = "#8a949e";
/// The first of two.
pub const BLUE: &str = "#0072b2";
/// The first's light companion.
pub const SKY: &str = "#56b4e9";
/// The second of two.
pub const VERMILLION: &str = "#d55e00";
/// The second's light companion.
pub const ORANGE: &str = "#e69f00";
/// A third.
pub const GREEN: &str = "#009e73";
/// The third's light companion.
pub const MINT: &str = "#a5dccb";
