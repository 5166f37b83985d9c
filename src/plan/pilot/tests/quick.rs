//! How long a picture takes; the clock is read by the tests below alone.

mod tests;
