//! Plots of a test as SVG, each with what it shows in words for whom cannot see it.
//!
//! Only draws: what is drawn is the reduction's and the trail's, and numbers are written by `format`.

/// A plot, ready to stand in a page or a file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Plot {
    /// A short name, of a file too: `along`, `legs`.
    pub name: &'static str,
    /// Its heading.
    pub title: String,
    /// What it shows, in words that give what a reader of the plot would take from it.
    pub alternative: String,
    /// An `svg` element with its view box, a title and a description, without outside references.
    pub svg: String,
}
