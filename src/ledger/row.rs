//! A row of the trace: the ledger's sums, the phase and the latest value of every role at one moment.
//!
//! Plain data.
//!
//! Computes nothing.

use serde::{Deserialize, Serialize};

use crate::schema::Role;
use crate::time::RunTime;

/// What the car is doing.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Phase {
    /// Moving.
    Drive,
    /// Standing, not charging.
    #[default]
    Stand,
    /// Taking energy from a plug.
    Charge,
}

impl Phase {
    /// As the `phase` column writes it.
    pub fn key(self) -> &'static str {
        match self {
            Self::Drive => "drive",
            Self::Stand => "stand",
            Self::Charge => "charge",
        }
    }

    /// From the `phase` column's form.
    pub fn from_key(key: &str) -> Option<Self> {
        [Self::Drive, Self::Stand, Self::Charge].into_iter().find(|known| known.key() == key)
    }
}

/// The ledger's observed sums since the run's start; NaN where the roles to measure it are not mapped.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Sums {
    /// Energy out of the pack, J.
    pub energy_out: f64,
    /// Energy into the pack, J, energy from a plug left out.
    pub energy_in: f64,
    /// Energy into the pack from a plug, J.
    pub energy_charged: f64,
    /// Charge out of the pack, C.
    pub charge_out: f64,
    /// Charge into the pack, C, charge from a plug left out.
    pub charge_in: f64,
    /// Charge into the pack from a plug, C.
    pub charge_charged: f64,
    /// Integral of the wheel speed, m.
    pub distance: f64,
    /// Time in which the pack's power was unobserved, s.
    pub time_unobserved: f64,
}

impl Sums {
    /// At a run's start, every role mapped.
    pub const NOTHING: Self = Self {
        energy_out: 0.0,
        energy_in: 0.0,
        energy_charged: 0.0,
        charge_out: 0.0,
        charge_in: 0.0,
        charge_charged: 0.0,
        distance: 0.0,
        time_unobserved: 0.0,
    };

    /// From values in the order of [`crate::schema::tables::TRACE_SUMS`].
    #[inline]
    pub fn from_column_order(columns: [f64; 8]) -> Self {
        let [energy_out, energy_in, energy_charged, charge_out, charge_in, charge_charged, distance, time_unobserved] =
            columns;
        Self { energy_out, energy_in, energy_charged, charge_out, charge_in, charge_charged, distance, time_unobserved }
    }

    /// The values in the order of [`crate::schema::tables::TRACE_SUMS`].
    pub fn in_column_order(&self) -> [f64; 8] {
        [
            self.energy_out,
            self.energy_in,
            self.energy_charged,
            self.charge_out,
            self.charge_in,
            self.charge_charged,
            self.distance,
            self.time_unobserved,
        ]
    }
}

/// A row of the trace.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct TraceRow {
    /// The moment.
    pub at: RunTime,
    /// What the car is doing.
    pub phase: Phase,
    /// The sums so far.
    pub sums: Sums,
    /// The latest value of every role in its base unit, by [`Role`] as index; NaN where unknown or stale.
    pub roles: [f64; Role::COUNT],
    /// Latest fix, degrees north; NaN where unknown or stale.
    pub latitude_deg: f64,
    /// Latest fix, degrees east; NaN where unknown or stale.
    pub longitude_deg: f64,
}
