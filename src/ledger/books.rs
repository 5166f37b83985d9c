//! The books: what was integrated so far, apart for each phase.
//!
//! Adds and reads; decides nothing. Times are whole microseconds; an account of products stays in the unit in which a
//! piece's formula needs no division (see [`Moved`]) and is scaled once, on reading.

use serde::{Deserialize, Serialize};

use super::row::{Phase, Sums};
use super::sum::Sum;

/// Microseconds in a second.
const US: f64 = 1e6;

/// What moved in one piece: `6 * W * us` for energies, `2 * A * us` for charges, each at least 0.
#[derive(Clone, Copy, Default, PartialEq, Debug)]
pub struct Moved {
    /// Energy out of the pack.
    pub energy_out: f64,
    /// Energy into the pack.
    pub energy_in: f64,
    /// Charge out of the pack.
    pub charge_out: f64,
    /// Charge into the pack.
    pub charge_in: f64,
}

impl Moved {
    /// Joules in its unit of energy.
    pub const PER_JOULE: f64 = 6.0 * US;
    /// Coulombs in its unit of charge.
    pub const PER_COULOMB: f64 = 2.0 * US;
}

/// What is integrated of one phase.
#[derive(Clone, Copy, Default, PartialEq, Debug, Serialize, Deserialize)]
pub struct Book {
    /// Time in the phase, us.
    pub time: i64,
    /// Of it, time in which a pack was unobserved, us.
    pub unobserved: i64,
    /// `2 * m/s * us`.
    distance: Sum,
    energy_out: Sum,
    energy_in: Sum,
    charge_out: Sum,
    charge_in: Sum,
}

impl Book {
    /// Adds a pack's piece. Most pieces move one way, and adding nothing to the other would change no bit.
    #[inline]
    pub fn add(&mut self, moved: &Moved) {
        if moved.energy_out != 0.0 {
            self.energy_out.add(moved.energy_out);
        }
        if moved.energy_in != 0.0 {
            self.energy_in.add(moved.energy_in);
        }
        if moved.charge_out != 0.0 {
            self.charge_out.add(moved.charge_out);
        }
        if moved.charge_in != 0.0 {
            self.charge_in.add(moved.charge_in);
        }
    }

    /// Adds a piece of way, in `2 * m/s * us`.
    #[inline]
    pub fn add_distance(&mut self, twice: f64) {
        self.distance.add(twice);
    }
}

/// What the mapped roles can measure at all; the rest reads NaN.
#[derive(Clone, Copy, Default, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Known {
    /// Every pack's energy.
    pub energy: bool,
    /// Every pack's charge.
    pub charge: bool,
    /// The distance.
    pub distance: bool,
}

/// The sums of one phase; NaN where the roles to measure it are not mapped.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct PhaseSums {
    /// Time in the phase, s.
    pub time_s: f64,
    /// Integral of the wheel speed, m.
    pub distance: f64,
    /// Energy out of the pack, J.
    pub energy_out: f64,
    /// Energy into the pack, J; in the charge phase, from the plug.
    pub energy_in: f64,
    /// Charge out of the pack, C.
    pub charge_out: f64,
    /// Charge into the pack, C; in the charge phase, from the plug.
    pub charge_in: f64,
    /// Time in which the pack's power was unobserved, s.
    pub time_unobserved: f64,
}

impl PhaseSums {
    /// Of two outcomes still open, what is certain: the lesser of each.
    pub fn certain(self, other: Self) -> Self {
        Self {
            time_s: lesser(self.time_s, other.time_s),
            distance: lesser(self.distance, other.distance),
            energy_out: lesser(self.energy_out, other.energy_out),
            energy_in: lesser(self.energy_in, other.energy_in),
            charge_out: lesser(self.charge_out, other.charge_out),
            charge_in: lesser(self.charge_in, other.charge_in),
            time_unobserved: lesser(self.time_unobserved, other.time_unobserved),
        }
    }
}

/// The lesser, NaN if both are.
fn lesser(a: f64, b: f64) -> f64 {
    a.min(b)
}

fn or_nan(known: bool, value: f64) -> f64 {
    if known { value } else { f64::NAN }
}

/// One book a phase, by [`Phase`] as index.
#[derive(Clone, Copy, Default, PartialEq, Debug, Serialize, Deserialize)]
pub struct Books([Book; 3]);

impl Books {
    /// The book of a phase.
    #[inline]
    pub fn of(&mut self, phase: Phase) -> &mut Book {
        &mut self.0[phase as usize]
    }

    /// Each phase's sums.
    pub fn by_phase(&self, known: Known) -> [PhaseSums; 3] {
        self.0.map(|book| PhaseSums {
            time_s: book.time as f64 / US,
            distance: or_nan(known.distance, book.distance.value() / (2.0 * US)),
            energy_out: or_nan(known.energy, book.energy_out.value() / Moved::PER_JOULE),
            energy_in: or_nan(known.energy, book.energy_in.value() / Moved::PER_JOULE),
            charge_out: or_nan(known.charge, book.charge_out.value() / Moved::PER_COULOMB),
            charge_in: or_nan(known.charge, book.charge_in.value() / Moved::PER_COULOMB),
            time_unobserved: or_nan(known.energy || known.charge, book.unobserved as f64 / US),
        })
    }

    /// The sums over the phases. Each is a rounded sum of values that never decrease, so never decreases either.
    pub fn sums(&self, known: Known) -> Sums {
        let [drive, stand, charge] = &self.0;
        let energy = |sum: f64| or_nan(known.energy, sum / Moved::PER_JOULE);
        let coulombs = |sum: f64| or_nan(known.charge, sum / Moved::PER_COULOMB);
        let unobserved = drive.unobserved + stand.unobserved + charge.unobserved;
        Sums {
            energy_out: energy(drive.energy_out.value() + stand.energy_out.value() + charge.energy_out.value()),
            energy_in: energy(drive.energy_in.value() + stand.energy_in.value()),
            energy_charged: energy(charge.energy_in.value()),
            charge_out: coulombs(drive.charge_out.value() + stand.charge_out.value() + charge.charge_out.value()),
            charge_in: coulombs(drive.charge_in.value() + stand.charge_in.value()),
            charge_charged: coulombs(charge.charge_in.value()),
            distance: or_nan(
                known.distance,
                (drive.distance.value() + stand.distance.value() + charge.distance.value()) / (2.0 * US),
            ),
            time_unobserved: or_nan(known.energy || known.charge, unobserved as f64 / US),
        }
    }
}

/// Of two outcomes still open, what is certain: the lesser of each sum.
pub fn certain(a: Sums, b: Sums) -> Sums {
    Sums {
        energy_out: lesser(a.energy_out, b.energy_out),
        energy_in: lesser(a.energy_in, b.energy_in),
        energy_charged: lesser(a.energy_charged, b.energy_charged),
        charge_out: lesser(a.charge_out, b.charge_out),
        charge_in: lesser(a.charge_in, b.charge_in),
        charge_charged: lesser(a.charge_charged, b.charge_charged),
        distance: lesser(a.distance, b.distance),
        time_unobserved: lesser(a.time_unobserved, b.time_unobserved),
    }
}
