//! An invented car as a live source: driven over a course while the clock runs, its frames and fixes handed on as any other's.
//!
//! The driver follows the orders that its outlet carries. Who wants a faster rehearsal gives everybody a
//! [`crate::source::ScaledClock`], which runs no further than what was handed on: nothing of a rehearsal is ever late. Plans nothing and knows no truth of its own but
//! the model's, written beside at the end if asked for.

use std::path::PathBuf;

use super::live::{Failure, Live, Outlet};
use crate::observation::{Batch, BusNames};
use crate::rehearsal::Rehearsal;
use crate::time::{Span, Steady};

/// How far the drive is ahead of the clock, in time of the machine: one that is woken a little late need not let it stand still.
const LEAD: Span = Span::of_millis(60);
/// How often it is driven on, in time of the machine.
const EVERY: Span = Span::of_millis(20);

/// What is driven, and how.
pub struct Settings {
    /// The car at its start.
    pub rehearsal: Rehearsal,
    /// The buses as this process numbers them, all of the car's among them.
    pub names: BusNames,
    /// How many times as fast as the machine's the clock runs.
    pub speed: f64,
    /// Where the model's truth is written at the end.
    pub truth: Option<PathBuf>,
}

/// An invented car, driven while the clock runs.
pub struct InventedCar {
    settings: Settings,
    begun: bool,
    over: bool,
}

impl InventedCar {
    /// A car that has not been driven yet.
    pub fn new(settings: Settings) -> Self {
        Self { settings, begun: false, over: false }
    }

    fn scaled(&self, span: Span) -> Span {
        Span((span.0 as f64 * self.settings.speed.max(1.0)) as i64)
    }

    /// Drives on to a moment; what came is in the batch. `false` once the bus sleeps for good.
    fn drive_to(&mut self, until: Steady, batch: &mut Batch, outlet: &Outlet) -> bool {
        let Settings { rehearsal, names, .. } = &mut self.settings;
        while rehearsal.now() < until {
            // Nobody waits for a car of which nothing is to be had: told to stop, it is left where it is.
            if outlet.stopping() || !rehearsal.step(batch, names) {
                return outlet.stopping();
            }
        }
        true
    }

    fn write_truth(&self, outlet: &Outlet) {
        let Some(path) = &self.settings.truth else { return };
        let written = serde_json::to_string_pretty(&self.settings.rehearsal.truth()).map_err(std::io::Error::other);
        if let Err(error) = written.and_then(|text| std::fs::write(path, text + "\n")) {
            outlet.trouble(format!("{}: the truth cannot be written: {error}", path.display()));
        }
    }
}

/// Lets the clock run by itself when nothing more comes.
struct Free<'a>(&'a Outlet);

impl Drop for Free<'_> {
    fn drop(&mut self) {
        self.0.grant(Steady::MAX);
    }
}

impl Live for InventedCar {
    fn run(&mut self, outlet: &Outlet) -> Result<(), Failure> {
        outlet.reading();
        // However it ends, time goes on.
        let _free = Free(outlet);
        if !std::mem::replace(&mut self.begun, true) {
            self.settings.rehearsal.begin_at(outlet.now() + self.scaled(LEAD));
        }
        let mut batch = Batch::default();
        while !outlet.stopping() && !self.over {
            let now = outlet.now();
            let until = now + self.scaled(LEAD);
            self.settings.rehearsal.follow(outlet.order());
            self.over = !self.drive_to(until, &mut batch, outlet);
            outlet.send(&mut batch);
            outlet.grant(until);
            if self.over {
                self.write_truth(outlet);
                outlet.grant(Steady::MAX);
                outlet.over();
            }
            // Counted from when it was looked at, which is never past what is granted: a clock that stands there would be waited for without end.
            outlet.pause_until(now + self.scaled(EVERY));
        }
        while !outlet.stopping() {
            outlet.pause(self.scaled(EVERY));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests;
