//! Whether the charge before the drive was ended by the car's own decision: plugged in still, and the current gone to zero.
//!
//! A car whose plug is not on the bus can't be seen to end a charge: unplugging looks the same. Then only the card tells.

use crate::ledger::{Phase, TraceRow};
use crate::schema::Role;
use crate::time::{RunTime, Span};

/// The charge before the drive, as far as it was seen.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Charged {
    /// No charge was seen to be ended by the car.
    #[default]
    NotSeen,
    /// Energy comes from the plug.
    Charging,
    /// The car ended the charge.
    Full,
}

/// Into the pack at a charge, W; less is rest (common practice, no source).
const TAKES: f64 = 300.0;
/// A charge that takes nothing for this long has been ended.
const ENDED_FOR: Span = Span::of_seconds(60);
/// Below this displayed state of charge, percent, an end of the current is a pause (a limit that was set, a cable that failed).
const NEARLY_FULL: f64 = 98.5;

/// Watches rows of the trace for it.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct FullWatch {
    charged: Charged,
    /// Since when, and in which run, nothing has been taken though a charge was under way.
    rests: Option<(u64, RunTime)>,
}

impl FullWatch {
    /// Looks at a row; runs are numbered upwards.
    pub fn see(&mut self, run: u64, row: &TraceRow) {
        let power = row.roles[Role::PackPower as usize];
        if row.phase != Phase::Charge {
            self.rests = None;
            if self.charged == Charged::Charging {
                self.charged = Charged::NotSeen;
            }
        } else if power < -TAKES {
            (self.charged, self.rests) = (Charged::Charging, None);
        } else if power.is_finite() && self.charged == Charged::Charging {
            match self.rests {
                Some((of, since)) if of == run => {
                    let soc = row.roles[Role::Soc as usize];
                    if row.at - since >= ENDED_FOR && (soc.is_nan() || soc >= NEARLY_FULL) {
                        self.charged = Charged::Full;
                    }
                }
                _ => self.rests = Some((run, row.at)),
            }
        }
    }

    /// What was seen so far.
    pub fn charged(self) -> Charged {
        self.charged
    }
}
