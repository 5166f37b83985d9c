//! A test as one archive for those who do not believe its figures: the runs without what is nobody's business, and a list of
//! every file with its digest.
//!
//! Computes no figure: what stands in for positions is given to it, and what the figures are too. `docs/bundle.md` says what is
//! in a bundle and why.

pub mod archive;
mod manifest;
mod rewrite;
pub mod scrub;
mod strip;

pub use manifest::{MANIFEST, Manifest, Member, Original, Packed, SCHEMA};
pub use strip::{Asked, InPlace, strip, words_in};
