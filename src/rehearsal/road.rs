//! Road load: the force a car needs at a speed, in wind and on a grade.
//!
//! Knows no drive train and no pack.

use crate::quantity::{MPS_PER_MPH, NEWTON_PER_LBF};

use super::scenario::{Air, Vehicle};

/// Standard acceleration of gravity, m/s^2 (ISO 80000-3, exact).
pub(super) const GRAVITY: f64 = 9.806_65;

/// Road load on a level road without wind: `A + B v + C v^2`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct RoadLoad {
    /// N.
    pub a: f64,
    /// N per m/s.
    pub b: f64,
    /// N per (m/s)^2; the part that the wind changes.
    pub c: f64,
}

impl RoadLoad {
    /// From the coefficients of the public coast-down lists: lbf, lbf per mph, lbf per mph^2.
    pub fn from_lbf_mph([a, b, c]: [f64; 3]) -> Self {
        Self {
            a: a * NEWTON_PER_LBF,
            b: b * NEWTON_PER_LBF / MPS_PER_MPH,
            c: c * NEWTON_PER_LBF / (MPS_PER_MPH * MPS_PER_MPH),
        }
    }

    /// From mass (kg), rolling resistance (share of the weight), drag area [m^2] and air density [kg/m^3].
    pub fn from_rolling_and_drag(mass: f64, rolling: f64, drag_area: f64, density: f64) -> Self {
        Self { a: mass * GRAVITY * rolling, b: 0.0, c: 0.5 * density * drag_area }
    }

    /// Force (N) against the car at a speed (m/s) over the road with a wind (m/s) from behind; 0 at rest.
    ///
    /// The wind acts on the C part alone, which takes all of it for drag.
    pub fn force(&self, speed: f64, wind_from_behind: f64) -> f64 {
        self.force_in(speed, wind_from_behind, 0.0)
    }

    /// [`Self::force`] with a wind across the road as well: drag acts along the air's way, and its part along the road counts.
    ///
    /// That the drag area grows when the air comes from the side is left out.
    pub fn force_in(&self, speed: f64, wind_from_behind: f64, crosswind: f64) -> f64 {
        if speed == 0.0 {
            return 0.0;
        }
        let air_speed = speed - wind_from_behind;
        let through_air = if crosswind == 0.0 { air_speed.abs() } else { libm::hypot(air_speed, crosswind) };
        self.a + self.b * speed + self.c * air_speed * through_air
    }

    /// The road load of a scenario's vehicle; coefficients given as such are taken to hold in the scenario's air.
    pub(super) fn of(vehicle: &Vehicle, air: &Air) -> Self {
        match (vehicle.road_load, vehicle.road_load_lbf_mph) {
            (Some([a, b, c]), _) => Self { a, b, c },
            (None, Some(coefficients)) => Self::from_lbf_mph(coefficients),
            (None, None) => Self::from_rolling_and_drag(
                vehicle.mass_kg,
                vehicle.rolling_resistance.unwrap_or(0.0),
                vehicle.drag_area_m2.unwrap_or(0.0),
                air.density_kg_per_m3,
            ),
        }
    }
}

/// Force (N) along the road that a grade (rise per distance along the road itself) puts on a mass (kg).
pub(super) fn grade_force(mass: f64, grade: f64) -> f64 {
    mass * GRAVITY * grade
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coast_down_coefficients_at_70_mph() {
        // Form of the public certification lists (lbf, mph); A 30, B 0.2, C 0.018 at 70 mph: 132.2 lbf = 588.0549 N,
        // 18,401.88 W, 262.884 Wh/mi. Arithmetic from the exact pound-force and mile.
        let load = RoadLoad::from_lbf_mph([30.0, 0.2, 0.018]);
        let speed = 70.0 * MPS_PER_MPH;
        let force = load.force(speed, 0.0);
        assert!((force - 588.0549).abs() < 5e-5, "{force}");
        assert!((force * speed - 18_401.88).abs() < 5e-3);
        assert!((force * 1_609.344 / 3_600.0 - 262.884).abs() < 5e-4);
    }

    #[test]
    fn wind_does_not_cancel_out_and_back() {
        // (v + w)^2 + (v - w)^2 = 2 (v^2 + w^2): at 120 km/h, +0.81 % at 3 m/s and +5.76 % at 8 m/s.
        let load = RoadLoad { a: 0.0, b: 0.0, c: 0.4 };
        let speed = 120.0 / 3.6;
        for (wind, rise) in [(3.0, 0.0081), (8.0, 0.0576)] {
            let mean = (load.force(speed, wind) + load.force(speed, -wind)) / 2.0;
            assert!((mean / load.force(speed, 0.0) - 1.0 - rise).abs() < 5e-5);
        }
    }

    #[test]
    fn a_climb_costs_its_height() {
        // 2,000 kg over 100 m of height: 0.544814 kWh (g = 9.80665 m/s^2).
        assert!((grade_force(2_000.0, 0.05) * (100.0 / 0.05) / 3.6e6 - 0.544_814).abs() < 1e-6);
    }
}
