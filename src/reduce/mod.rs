//! From the files of a run to figures, each with its uncertainty.
//!
//! Pure after loading; prints nothing.
