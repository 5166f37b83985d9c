//! Whole-program tests: each module says what it shows and against which outside source.
//!
//! Tests that ask a reference library run `.venv/bin/python`, which `bash tests/run` installs.

mod support;
