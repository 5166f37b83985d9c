//! Printing of faults and damage to standard error, the same for every command.
//!
//! Does not decide what they mean for the exit status.

use super::Outcome;
use crate::document::Fault;
use crate::store::run_file::Damage;

/// Prints faults, one a line; returns whether any of them is an error.
pub fn faults(faults: &[Fault]) -> bool {
    for fault in faults {
        eprintln!("{fault}");
    }
    faults.iter().any(Fault::is_error)
}

/// Prints why a command was not done.
pub fn not_done(fault: &Fault) -> Outcome {
    eprintln!("{fault}");
    Outcome::NotDone
}

/// Prints what could not be read of recordings: the first few places, then how many more; returns whether there was any.
pub fn damage(damage: &[Damage]) -> bool {
    for damage in damage {
        damage.first.iter().for_each(|text| eprintln!("{text}"));
        let more = damage.count.saturating_sub(damage.first.len() as u64);
        if more > 0 {
            eprintln!("{}: and {more} more places that could not be read; the rest was read", damage.source);
        }
    }
    !damage.is_empty()
}
