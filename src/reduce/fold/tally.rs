//! Totals by phase, and the length of the line through the fixes.
//!
//! Beside the sums themselves it keeps what each error of a sensor does to them: a wrong zero of the current adds
//! its size times the integral of the voltage, a skew between voltage and current its size times the integral of V dI.
//!
//! Fills no gap.

use super::Row;
use crate::ledger::Phase;
use crate::schema::Role;

/// Totals of one phase. A row's increments belong to the phase that the row is in.
#[derive(Clone, Copy, Debug, Default)]
pub struct PhaseTotals {
    /// Time, s.
    pub duration: f64,
    /// Of that, time in which the pack's power was unobserved, s.
    pub unobserved: f64,
    /// Energy out of the pack, J.
    pub energy_out: f64,
    /// Energy into the pack, J, plug left out.
    pub energy_in: f64,
    /// Energy into the pack from a plug, J.
    pub energy_charged: f64,
    /// Charge out of the pack, C.
    pub charge_out: f64,
    /// Charge into the pack, C, plug left out.
    pub charge_in: f64,
    /// Charge into the pack from a plug, C.
    pub charge_charged: f64,
    /// Distance by the wheel speed, m.
    pub distance: f64,
    /// Observed time with current out and in, s.
    pub time: [f64; 2],
    /// Integral of the voltage over it, V s.
    pub volt_seconds: [f64; 2],
    /// Integral of V dI, J/s: what a second of skew between voltage and current would add to energy out and in.
    pub skew: [f64; 2],
}

/// Where a phase's totals stand in an array.
pub(super) fn index(phase: Phase) -> usize {
    PhaseTotals::PHASES.iter().position(|known| *known == phase).unwrap_or(0)
}

impl PhaseTotals {
    /// The phases, in the order that arrays of totals have.
    pub const PHASES: [Phase; 3] = [Phase::Drive, Phase::Stand, Phase::Charge];

    pub(super) fn add(&mut self, last: &Row, row: &Row) {
        let dt = (row.t - last.t).max(0.0);
        let (a, b) = (&last.sums, &row.sums);
        self.duration += dt;
        self.unobserved += (b.time_unobserved - a.time_unobserved).max(0.0);
        self.energy_out += b.energy_out - a.energy_out;
        self.energy_in += b.energy_in - a.energy_in;
        self.energy_charged += b.energy_charged - a.energy_charged;
        self.charge_out += b.charge_out - a.charge_out;
        self.charge_in += b.charge_in - a.charge_in;
        self.charge_charged += b.charge_charged - a.charge_charged;
        self.distance += b.distance - a.distance;
        let volt = [last.role(Role::PackVoltage), row.role(Role::PackVoltage)];
        let current = [last.role(Role::PackCurrent), row.role(Role::PackCurrent)];
        let power = row.role(Role::PackPower);
        let sign = if current[1].is_finite() { current[0] + current[1] } else { power };
        if !sign.is_finite() {
            return;
        }
        let side = usize::from(sign < 0.0);
        self.time[side] += dt;
        let mean = (volt[0] + volt[1]) / 2.0;
        if mean.is_finite() {
            self.volt_seconds[side] += mean * dt;
            let change = current[1] - current[0];
            self.skew[side] += if change.is_finite() { mean * change } else { 0.0 };
        }
    }

    /// The totals of two stretches.
    pub fn plus(&self, other: &Self) -> Self {
        let pair = |a: [f64; 2], b: [f64; 2]| [a[0] + b[0], a[1] + b[1]];
        Self {
            duration: self.duration + other.duration,
            unobserved: self.unobserved + other.unobserved,
            energy_out: self.energy_out + other.energy_out,
            energy_in: self.energy_in + other.energy_in,
            energy_charged: self.energy_charged + other.energy_charged,
            charge_out: self.charge_out + other.charge_out,
            charge_in: self.charge_in + other.charge_in,
            charge_charged: self.charge_charged + other.charge_charged,
            distance: self.distance + other.distance,
            time: pair(self.time, other.time),
            volt_seconds: pair(self.volt_seconds, other.volt_seconds),
            skew: pair(self.skew, other.skew),
        }
    }
}

/// The line through the fixes.
#[derive(Default)]
pub(super) struct Fixes {
    last: Option<(f64, (f64, f64))>,
    length: f64,
    apart: f64,
    moved: bool,
}

/// Fixes further apart than this leave the way between them unknown, s.
const APART_S: f64 = 5.0;

impl Fixes {
    pub(super) fn see(&mut self, t: f64, fix: (f64, f64), moving: bool) {
        if !(fix.0.is_finite() && fix.1.is_finite()) {
            return;
        }
        match self.last {
            Some((_, last)) if last == fix => {}
            // Noise lengthens the line of a standing car: only its last place is kept.
            Some(_) if !moving => self.last = Some((t, fix)),
            Some((then, last)) => {
                let step = on_the_ellipsoid(last, fix);
                self.length += step;
                self.apart += if t - then > APART_S { step } else { 0.0 };
                self.moved = true;
                self.last = Some((t, fix));
            }
            None => self.last = Some((t, fix)),
        }
    }

    pub(super) fn length(&self) -> Option<(f64, f64)> {
        self.moved.then_some((self.length, self.apart))
    }
}

/// Distance in metres between two near places (degrees north, east) on the WGS84 ellipsoid.
///
/// By the radii of curvature in meridian and prime vertical at the mean latitude (any textbook of geodesy, such as
/// Torge, Geodesy, 4.1.3); over steps of 100 m it differs from the geodesic by less than 1e-8 of the step.
fn on_the_ellipsoid(a: (f64, f64), b: (f64, f64)) -> f64 {
    /// Semi-major axis, m, and first eccentricity squared of WGS84 (NGA.STND.0036).
    const AXIS_M: f64 = 6_378_137.0;
    const ECCENTRICITY_2: f64 = 6.694_379_990_141e-3;
    let latitude = ((a.0 + b.0) / 2.0).to_radians();
    let w2 = 1.0 - ECCENTRICITY_2 * latitude.sin().powi(2);
    let prime_vertical = AXIS_M / w2.sqrt();
    let meridian = prime_vertical * (1.0 - ECCENTRICITY_2) / w2;
    // Across the date line the short way.
    let east = (b.1 - a.1 + 540.0).rem_euclid(360.0) - 180.0;
    (meridian * (b.0 - a.0).to_radians()).hypot(prime_vertical * latitude.cos() * east.to_radians())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_steps_on_the_ellipsoid() {
        // One arc minute of latitude on WGS84: 1842.905 m at the equator, 1861.566 m at 90 degrees, and of longitude at the
        // equator 1855.325 m (arithmetic from the ellipsoid's axes: radius of curvature times pi / 10800).
        let minute = 1.0 / 60.0;
        assert!((on_the_ellipsoid((-minute / 2.0, 7.0), (minute / 2.0, 7.0)) - 1_842.905).abs() < 0.001);
        assert!((on_the_ellipsoid((90.0 - minute, 7.0), (90.0, 7.0)) - 1_861.566).abs() < 0.001);
        assert!((on_the_ellipsoid((0.0, 179.995), (0.0, 180.0 - 0.005 + minute - 360.0)) - 1_855.325).abs() < 0.001);
    }
}
