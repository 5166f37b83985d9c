//! The companion's commands, thin: parse, call, print, exit code.
//!
//! Computes nothing.
