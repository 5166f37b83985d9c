//! Road load as arithmetic: force by speed, air and temperature, in wind and on a grade, and its restating by WLTP's form.
//!
//! Plain functions in SI units; knows no drive and no card.

use crate::quantity::KELVIN_AT_0_DEGC;

pub use super::super::mass::GRAVITY;

/// From the pack's terminals to height, where the road rises: common practice, no source.
pub const EFFICIENCY: f64 = 0.9;
/// Relative fall of the rolling resistance per kelvin warmer, about the reference temperature: WLTP's K0 (UN GTR No. 15,
/// Annex 4, from memory); SAE J1263 has the same by memory.
pub const TYRES_PER_K: f64 = 8.6e-3;
/// 40 CFR 1037.528 has 0.006 per kelvin about 24 degC: the difference, as the half-width of a rectangle, is how well it is known.
pub const TYRES_PER_K_BOUND: f64 = 2.6e-3;

/// A road load `A + B v + C v²` with the air and the temperature that it holds at.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct RoadLoad {
    /// A, N; B, N per m/s; C, N per (m/s)².
    pub abc: [f64; 3],
    /// degC.
    pub degc: f64,
    /// Density of the air, kg/m³.
    pub density: f64,
}

/// What a car meets on the road.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Air {
    /// degC.
    pub degc: f64,
    /// kg/m³.
    pub density: f64,
    /// Relative fall of the rolling resistance per kelvin.
    pub tyres_per_k: f64,
}

impl RoadLoad {
    /// Force, N, in still air of its own conditions.
    pub fn force(&self, speed: f64) -> f64 {
        let [a, b, c] = self.abc;
        a + b * speed + c * speed * speed
    }

    /// Force, N, at a speed in a wind from ahead and across (m/s), in other air: rolling by its temperature, drag by its density.
    ///
    /// Drag is taken along the road and level with the yaw of the air.
    pub fn force_in(&self, speed: f64, ahead: f64, across: f64, air: &Air) -> f64 {
        let [a, b, _] = self.abc;
        let rolling = (a + b * speed) / (1.0 + air.tyres_per_k * (air.degc - self.degc));
        let along = speed + ahead;
        rolling + self.drag(air) * (along * along.abs() + across * across)
    }

    /// What a square of the air's speed along the road adds to the force in other air, N per (m/s)².
    pub fn drag(&self, air: &Air) -> f64 {
        self.abc[2] * air.density / self.density
    }

    /// The part of the force that the air takes, a share.
    pub fn drag_share(&self, speed: f64) -> f64 {
        self.abc[2] * speed * speed / self.force(speed)
    }
}

/// Speed of the air against a car, m/s, and its yaw, rad, from the speeds of car and wind and the wind's angle to the
/// direction that the car comes from (0: from ahead).
pub fn air_speed(speed: f64, wind: f64, angle: f64) -> (f64, f64) {
    let (ahead, across) = (wind * angle.cos(), wind * angle.sin());
    ((speed + ahead).hypot(across), across.atan2(speed + ahead))
}

/// Force of WLTP's coast-down correction to 20 degC, 100 kPa and no wind, N: `f` in N, N per km/h, N per (km/h)² at a speed
/// (km/h), at a temperature (degC), pressure (Pa) and wind along the road (m/s), with the mass term K1 (N). UN GTR No. 15, Annex 4, 4.5.5, from memory.
pub fn wltp_corrected(f: [f64; 3], speed_kmh: f64, degc: f64, pascal: f64, wind: f64, mass_term: f64) -> f64 {
    let wind_term = 3.6f64.powi(2) * f[2] * wind * wind;
    let drag = (degc + KELVIN_AT_0_DEGC) / (20.0 + KELVIN_AT_0_DEGC) * (1e5 / pascal);
    let rolling = (f[0] - wind_term - mass_term) + f[1] * speed_kmh;
    rolling * (1.0 + TYRES_PER_K * (degc - 20.0)) + drag * f[2] * speed_kmh * speed_kmh
}

/// Mean force against a coasting car, N: from its effective and its gravitational mass (kg), its speeds (m/s), the time (s), the
/// heights (m) and the way (m) between two moments.
pub fn coasting(masses: (f64, f64), speeds: (f64, f64), time: f64, heights: (f64, f64), way: f64, gravity: f64) -> f64 {
    let inertia = masses.0 * (speeds.0 - speeds.1) / time;
    inertia - masses.1 * gravity * (heights.1 - heights.0) / way
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coast_down_list_at_70_mph() {
        // A 30 lbf, B 0.2 lbf/mph, C 0.018 lbf/mph² at 70 mph: 132.2 lbf, 588.0549 N, 18 401.88 W, 262.884 Wh/mi
        // (arithmetic from the exact pound-force and mile; the form of the public EPA lists).
        let load = RoadLoad {
            abc: [30.0 * 4.448_221_615_260_5, 0.2 * 9.950_388_4, 0.018 * 22.258_385_8],
            degc: 20.0,
            density: 1.167,
        };
        let speed = 70.0 * 0.447_04;
        assert!((load.force(speed) - 588.0549).abs() < 1e-4, "{}", load.force(speed));
        assert!((load.force(speed) * speed - 18_401.88).abs() < 0.01);
        assert!((load.force(speed) * 1_609.344 / 3_600.0 - 262.884).abs() < 1e-3);
        let same = Air { degc: 20.0, density: 1.167, tyres_per_k: TYRES_PER_K };
        assert!((load.force_in(speed, 0.0, 0.0, &same) - load.force(speed)).abs() < 1e-9);
    }

    #[test]
    fn air_speed_in_a_wind() {
        // 40 CFR 1037.528(g): wind 7.1 mi/h at 47 degrees, car 64.9 mi/h: 69.93 mi/h (exactly 69.9352), yaw 4.26 degrees.
        let (speed, yaw) = air_speed(64.9, 7.1, 47f64.to_radians());
        assert!((speed - 69.9352).abs() < 1e-4 && (speed - 69.93).abs() < 0.01, "{speed}");
        assert!((yaw.to_degrees() - 4.26).abs() < 0.005, "{}", yaw.to_degrees());
    }

    #[test]
    fn coasting_on_a_grade() {
        // 40 CFR 1037.528(h)(4): 4645.5 N, of which 4810.20 N inertia and -164.70 N grade.
        let force = coasting((17_129.0, 16_108.0), (31.28, 26.77), 19.11 - 3.05, (0.044, 0.547), 697.8 - 215.4, 9.8061);
        assert!((force - 4_645.5).abs() < 0.05, "{force}");
        let inertia = coasting((17_129.0, 0.0), (31.28, 26.77), 19.11 - 3.05, (0.0, 0.0), 1.0, 9.8061);
        assert!((inertia - 4_810.20).abs() < 0.05, "{inertia}");
        // 2000 kg over 100 m: 0.544814 kWh.
        assert!((2_000.0 * GRAVITY * 100.0 / 3.6e6 - 0.544_814).abs() < 1e-6);
    }

    #[test]
    fn tyres_by_temperature() {
        // 40 CFR 1037.528(h)(6): F [1 + 0.006 (24 - T)], a tyre's force at 24 degC brought to T: 1028.7 N at 25.5 degC are
        // 1019.4 N, 837.5 N at 25.1 degC 832.0 N. Ours divides, as WLTP's inverse does: x² apart, here 8e-5.
        for (at_24, degc, force) in [(1_028.7, 25.5, 1_019.4), (837.5, 25.1, 832.0)] {
            let load = RoadLoad { abc: [at_24, 0.0, 0.0], degc: 24.0, density: 1.2 };
            let air = Air { degc, density: 1.2, tyres_per_k: 0.006 };
            let ours = load.force_in(0.0, 0.0, 0.0, &air);
            assert!((ours - force).abs() < 0.05 + 1e-4 * force, "{force} {ours}");
            assert!((ours - at_24).abs() > 5.0, "it moves with the temperature");
        }
    }

    #[test]
    fn drag_area_from_two_forces() {
        // 40 CFR 1037.528(h)(10), inputs as printed, result by arithmetic: 6.120 m² at 1.23921 kg/m³ (dry ideal gas).
        let density: f64 = 101_727.0 / (287.058 * 285.97);
        assert!((density - 1.239_21).abs() < 1e-5);
        let area = 2.0 * (4_645.5 - 1_005.0 - 77.0 - 187.4) / (933.4 - 43.12) / density;
        assert!((area - 6.120).abs() < 5e-4, "{area}");
        // The same two forces by the model: what drag adds between two squared air speeds.
        let load = RoadLoad { abc: [1_000.0, 0.0, density * area / 2.0], degc: 20.0, density };
        let rise = load.force(933.4f64.sqrt()) - load.force(43.12f64.sqrt());
        assert!((rise - 3_376.1).abs() < 0.1, "{rise}");
    }

    #[test]
    fn wltp_arithmetic() {
        // f0 120 N, f1 0.5, f2 0.035, 70 mph = 112.654 km/h, 5 degC, 101.3 kPa, wind 2 m/s, equal mass: 568.260 N
        // (arithmetic with the formula from memory; w1 1.8144, K2 0.93713 with T/293 there, 273.15 K here: 1e-3).
        let f: [f64; 3] = [120.0, 0.5, 0.035];
        let speed = 112.654_08;
        assert!((f[0] + f[1] * speed + f[2] * speed * speed - 620.510).abs() < 1e-3);
        let corrected = wltp_corrected(f, speed, 5.0, 101_300.0, 2.0, 0.0);
        assert!((corrected / 568.260 - 1.0).abs() < 1e-3, "{corrected}");
        // Our own restating of the same car's force agrees: rolling by K0, drag by density, the wind's square taken off. WLTP
        // takes w1 off the rolling part and warms it with it, which moves it by 0.2 N.
        let measured =
            RoadLoad { abc: [120.0 - 1.8144, 0.5 * 3.6, 0.035 * 12.96], degc: 5.0, density: 101_300.0 / 278.15 };
        let reference = measured.force_in(
            speed / 3.6,
            0.0,
            0.0,
            &Air { degc: 20.0, density: 100_000.0 / 293.15, tyres_per_k: 0.0 },
        );
        let rolling = (measured.abc[0] + measured.abc[1] * speed / 3.6) * TYRES_PER_K * -15.0;
        assert!((reference + rolling - corrected).abs() < 0.5, "{} {corrected}", reference + rolling);
    }

    #[test]
    fn out_and_back_in_a_wind() {
        // The mean of (v ± w)² is v² + w²: at 120 km/h drag rises by 0.81 % at 3 m/s, 2.25 % at 5, 5.76 % at 8; and by 1.69 %
        // from 119 to 120 km/h.
        let load = RoadLoad { abc: [0.0, 0.0, 0.4], degc: 20.0, density: 1.2 };
        let air = Air { degc: 20.0, density: 1.2, tyres_per_k: TYRES_PER_K };
        let v = 120.0 / 3.6;
        for (wind, rise) in [(3.0, 0.0081), (5.0, 0.0225), (8.0, 0.0576)] {
            let mean = (load.force_in(v, wind, 0.0, &air) + load.force_in(v, -wind, 0.0, &air)) / 2.0;
            assert!((mean / load.force(v) - 1.0 - rise).abs() < 1e-4, "{wind}");
        }
        assert!((load.force(v) / load.force(119.0 / 3.6) - 1.0169).abs() < 1e-4);
    }
}
