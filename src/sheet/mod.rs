//! What people read: terminal tables.
//!
//! Computes no figure.
