//! How far long work is, on standard error while that is a terminal; nothing at all when it is not.
//!
//! No command of its own; counts nothing itself.

use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// How often it is drawn anew, Hz.
const DRAWN_HZ: u8 = 5;

fn bar(length: Option<u64>, template: &str) -> ProgressBar {
    let bar = length.map_or_else(ProgressBar::no_length, ProgressBar::new);
    bar.set_draw_target(ProgressDrawTarget::stderr_with_hz(DRAWN_HZ));
    if let Ok(style) = ProgressStyle::with_template(template) {
        bar.set_style(style);
    }
    bar
}

/// Bytes gone through, a message, the time left.
pub fn bytes(total: Option<u64>) -> ProgressBar {
    bar(total, "{bar:30} {bytes} of {total_bytes}  {msg}  {eta} left")
}

/// Things done of so many, and which is at hand.
pub fn things(total: usize) -> ProgressBar {
    bar(Some(total as u64), "{bar:30} {pos} of {len}  {msg}")
}

/// Work whose length nobody knows: what it is, and for how long it has gone on.
pub fn work(what: &'static str) -> ProgressBar {
    let bar = bar(None, "{spinner} {msg}, {elapsed}");
    bar.set_message(what);
    bar.enable_steady_tick(Duration::from_millis(1_000 / u64::from(DRAWN_HZ)));
    bar
}
