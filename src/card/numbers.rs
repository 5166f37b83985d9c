//! Numbers that may stand in one of several units, the unit in the key: `set_bar`, `set_kpa`, `set_psi`.
//!
//! Judges only whether a number can be true; a number that could be so in another unit is named with that unit.

use std::ops::RangeInclusive;

use crate::quantity::{
    KILOGRAM_PER_LB, METRE_PER_MILE, MPS_PER_KMH, MPS_PER_MPH, NEWTON_PER_LBF, PASCAL_PER_BAR, PASCAL_PER_PSI,
};

/// A unit that a key may end in.
pub(super) struct Unit {
    /// What the key ends in; empty where the key has one unit alone.
    pub suffix: &'static str,
    /// As printed.
    pub symbol: &'static str,
    /// SI units in one.
    pub factor: f64,
    /// SI value of its zero.
    pub zero: f64,
}

const fn unit(suffix: &'static str, symbol: &'static str, factor: f64) -> Unit {
    Unit { suffix, symbol, factor, zero: 0.0 }
}

pub(super) const PRESSURE: &[Unit] =
    &[unit("_bar", "bar", PASCAL_PER_BAR), unit("_kpa", "kPa", 1e3), unit("_psi", "psi", PASCAL_PER_PSI)];
/// A conventional inch of mercury is 3386.389 Pa (NIST SP 811, appendix B.8).
pub(super) const AIR_PRESSURE: &[Unit] = &[unit("_hpa", "hPa", 100.0), unit("_inhg", "inHg", 3_386.389)];
pub(super) const MASS: &[Unit] = &[unit("_kg", "kg", 1.0), unit("_lb", "lb", KILOGRAM_PER_LB)];
pub(super) const SPEED: &[Unit] = &[unit("_kmh", "km/h", MPS_PER_KMH), unit("_mph", "mph", MPS_PER_MPH)];
pub(super) const WIND: &[Unit] =
    &[unit("_mps", "m/s", 1.0), unit("_kmh", "km/h", MPS_PER_KMH), unit("_mph", "mph", MPS_PER_MPH)];
pub(super) const TEMPERATURE: &[Unit] =
    &[unit("_degc", "degC", 1.0), Unit { suffix: "_degf", symbol: "degF", factor: 5.0 / 9.0, zero: -160.0 / 9.0 }];
pub(super) const LENGTH: &[Unit] = &[unit("_km", "km", 1e3), unit("_mi", "mi", METRE_PER_MILE)];
/// A, B and C of a road load, in N, N per m/s and N per (m/s)².
pub(super) const FORCE: &[Unit] = &[unit("_n", "N", 1.0), unit("_lbf", "lbf", NEWTON_PER_LBF)];
pub(super) const FORCE_PER_SPEED: &[Unit] =
    &[unit("_n_per_kmh", "N/(km/h)", 1.0 / MPS_PER_KMH), unit("_lbf_per_mph", "lbf/mph", NEWTON_PER_LBF / MPS_PER_MPH)];
pub(super) const FORCE_PER_SPEED_2: &[Unit] = &[
    unit("_n_per_kmh2", "N/(km/h)2", 1.0 / (MPS_PER_KMH * MPS_PER_KMH)),
    unit("_lbf_per_mph2", "lbf/mph2", NEWTON_PER_LBF / (MPS_PER_MPH * MPS_PER_MPH)),
];
/// In J/m.
pub(super) const PER_DISTANCE: &[Unit] =
    &[unit("_wh_per_km", "Wh/km", 3.6), unit("_wh_per_mi", "Wh/mi", 3_600.0 / METRE_PER_MILE)];

impl Unit {
    pub fn to_si(&self, value: f64) -> f64 {
        value * self.factor + self.zero
    }

    /// An SI value in this unit, as people write it.
    fn written(&self, si: f64) -> String {
        let value = (si - self.zero) / self.factor;
        // Bounds are round in one unit; in another three digits say enough.
        let digits = if value == 0.0 { 0 } else { (2 - value.abs().log10().floor() as i32).clamp(0, 6) };
        let text = format!("{value:.*}", digits as usize);
        if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
    }

    /// A range of SI values in this unit, as people read it.
    pub fn range(&self, range: &RangeInclusive<f64>) -> String {
        format!("{} to {} {}", self.written(*range.start()), self.written(*range.end()), self.symbol).trim_end().into()
    }
}

/// The other units of a family in which a number could be true.
pub(super) fn plausible_in<'a>(
    value: f64,
    not: &'a Unit,
    family: &'a [Unit],
    range: &'a RangeInclusive<f64>,
) -> impl Iterator<Item = &'a Unit> {
    family.iter().filter(move |unit| unit.suffix != not.suffix && range.contains(&unit.to_si(value)))
}
