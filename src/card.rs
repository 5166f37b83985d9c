//! The test card: what the tester writes down about a test; read from a TOML file.
//!
//! Does not judge the test.
