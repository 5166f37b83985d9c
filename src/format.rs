//! How figures are written for people: the only place that rounds.
//!
//! Does not know what a figure means.
