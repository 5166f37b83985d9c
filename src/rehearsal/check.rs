//! Checks of a scenario: alone, and against the course it names.
//!
//! What it asks of a map is checked where the bus is set up.
//!
//! Changes nothing in it.

use super::scenario::{Curve, Scenario, Sensors, Vehicle};
use crate::course::{Course, Direction};
use crate::document::Fault;
use crate::document::did_you_mean;

struct Check<'a> {
    scenario: &'a Scenario,
    faults: Vec<Fault>,
}

/// Everything wrong with a scenario by itself.
pub(super) fn alone(scenario: &Scenario) -> Vec<Fault> {
    let mut check = Check { scenario, faults: Vec::new() };
    check.car();
    check.pack();
    check.computer();
    check.drive();
    check.recording();
    check.faults
}

impl Check<'_> {
    fn say(&mut self, key: &str, what: impl Into<String>, remedy: impl Into<String>) {
        self.faults.push(self.scenario.fault(key, what).remedy(remedy));
    }

    fn within(&mut self, key: &str, value: f64, least: f64, most: f64) {
        if !(least..=most).contains(&value) {
            let name = key.rsplit('.').next().unwrap_or(key);
            self.say(key, format!("{name} is {value}"), format!("give a number from {least} to {most}"));
        }
    }

    fn all_within(&mut self, values: &[(&str, f64, f64, f64)]) {
        for (key, value, least, most) in values {
            self.within(key, *value, *least, *most);
        }
    }

    fn car(&mut self) {
        let (car, air) = (&self.scenario.vehicle, &self.scenario.air);
        self.all_within(&[
            ("step_ms", f64::from(self.scenario.step_ms), 1.0, 100.0),
            ("vehicle.mass_kg", car.mass_kg, 100.0, 60_000.0),
            ("vehicle.rotating_mass_kg", car.rotating_mass_kg, 0.0, 10_000.0),
            ("vehicle.drive_efficiency", car.drive_efficiency, 0.1, 1.0),
            ("vehicle.power_limit_kw", car.power_limit_kw, 1.0, 2_000.0),
            ("vehicle.regeneration.limit_kw", car.regeneration.limit_kw, 0.0, 1_000.0),
            ("vehicle.regeneration.efficiency", car.regeneration.efficiency, 0.0, 1.0),
            ("vehicle.accessory_w", car.accessory_w, 0.0, 50_000.0),
            ("vehicle.climate.start_w", car.climate.start_w, 0.0, 50_000.0),
            ("vehicle.climate.steady_w", car.climate.steady_w, 0.0, 50_000.0),
            ("vehicle.climate.decay_s", car.climate.decay_s, 0.1, 1e6),
            ("vehicle.wheel_gain", car.wheel_gain, -0.5, 0.5),
            ("vehicle.dial_gain", car.dial_gain, -0.5, 0.5),
            ("vehicle.odometer_km", car.odometer_km, 0.0, 1e7),
            ("air.temperature_degc", air.temperature_degc, -60.0, 60.0),
            ("air.density_kg_per_m3", air.density_kg_per_m3, 0.1, 2.0),
            ("air.wind_out_mps", air.wind_out_mps, -40.0, 40.0),
            ("air.wind_across_mps", air.wind_across_mps, -40.0, 40.0),
            ("air.gust_mps", air.gust_mps, 0.0, 20.0),
            ("air.gust_s", air.gust_s, 0.1, 3_600.0),
        ]);
        self.road_load(car);
    }

    fn road_load(&mut self, car: &Vehicle) {
        let pair = car.rolling_resistance.is_some() || car.drag_area_m2.is_some();
        let forms = [car.road_load.is_some(), car.road_load_lbf_mph.is_some(), pair];
        if forms.iter().filter(|given| **given).count() != 1 {
            let remedy = "give one of road_load, road_load_lbf_mph, or rolling_resistance with drag_area_m2";
            self.say("vehicle", "the road load is given in no form or in several", remedy);
        }
        if pair {
            self.within("vehicle.rolling_resistance", car.rolling_resistance.unwrap_or(f64::NAN), 0.0, 0.1);
            self.within("vehicle.drag_area_m2", car.drag_area_m2.unwrap_or(f64::NAN), 0.0, 20.0);
        }
        let (si, pounds) = (car.road_load, car.road_load_lbf_mph);
        for (key, given) in [("vehicle.road_load", si), ("vehicle.road_load_lbf_mph", pounds)] {
            let [a, b, c] = given.unwrap_or_default();
            self.all_within(&[(key, a, -1e4, 1e4), (key, b, -1e3, 1e3), (key, c, 0.0, 100.0)]);
        }
    }

    fn pack(&mut self) {
        let pack = &self.scenario.pack;
        self.all_within(&[
            ("pack.capacity_ah", pack.capacity_ah, 1.0, 5_000.0),
            ("pack.cells_in_series", f64::from(pack.cells_in_series), 1.0, 1_000.0),
            ("pack.resistance.ohm", pack.resistance.ohm, 1e-4, 10.0),
            ("pack.resistance.per_degc", pack.resistance.per_degc, 0.0, 0.2),
            ("pack.cell_cutoff_v", pack.cell_cutoff_v, 0.5, 4.5),
            ("pack.full_percent", pack.full_percent, 1.0, 100.0),
            ("pack.temperature_degc", pack.temperature_degc, -60.0, 60.0),
            ("pack.heat_capacity_j_per_degc", pack.heat_capacity_j_per_degc, 1e3, 1e8),
            ("pack.cooling_w_per_degc", pack.cooling_w_per_degc, 0.0, 1e4),
        ]);
        if let Some(slow) = &pack.polarisation {
            self.all_within(&[
                ("pack.polarisation.ohm", slow.ohm, 1e-6, 10.0),
                ("pack.polarisation.time_s", slow.time_s, 1.0, 1e5),
            ]);
        }
        if let Some(weakest) = &pack.weakest_cell {
            self.all_within(&[
                ("pack.weakest_cell.capacity_share", weakest.capacity_share, 0.5, 1.0),
                ("pack.weakest_cell.resistance_factor", weakest.resistance_factor, 1.0, 10.0),
            ]);
        }
        self.curve("pack.open_circuit_v", &pack.open_circuit_v, 0.5, 5.0);
        if let Some(curve) = &pack.resistance.over_soc {
            self.curve("pack.resistance.over_soc", curve, 0.01, 100.0);
        }
        if let (Some(first), Some(last)) = (pack.open_circuit_v.0.first(), pack.open_circuit_v.0.last())
            && (first.0, last.0) != (0.0, 100.0)
        {
            self.say("pack.open_circuit_v", "the curve does not go from 0 to 100 %", "add points at 0 and 100");
        }
    }

    fn curve(&mut self, key: &str, curve: &Curve, least: f64, most: f64) {
        if curve.0.len() < 2 || curve.0.windows(2).any(|pair| pair[1].0.is_nan() || pair[1].0 <= pair[0].0) {
            self.say(
                key,
                "the curve's points do not go from left to right",
                "give two points or more, by increasing %",
            );
        }
        for (index, (x, y)) in curve.0.iter().enumerate() {
            self.within(&format!("{key}.{index}"), *x, 0.0, 100.0);
            self.within(&format!("{key}.{index}"), *y, least, most);
        }
    }

    fn computer(&mut self) {
        let computer = &self.scenario.computer;
        self.all_within(&[
            ("computer.cycle_s", computer.cycle_s, self.scenario.step_s(), 60.0),
            ("computer.counting_gain", computer.counting_gain, -0.2, 0.2),
            ("computer.displayed_top_percent", computer.displayed_top_percent, 1.0, 100.0),
            ("computer.displayed_bottom_percent", computer.displayed_bottom_percent, 0.0, 99.0),
            ("computer.bend_percent", computer.bend_percent[0], -20.0, 20.0),
            ("computer.bend_percent", computer.bend_percent[1], -20.0, 20.0),
            ("computer.wander_percent", computer.wander_percent, 0.0, 20.0),
            ("computer.filter_s", computer.filter_s, 0.0, 3_600.0),
            ("computer.step_percent", computer.step_percent, 0.001, 20.0),
            ("computer.assumed_energy_kwh", computer.assumed_energy_kwh, 0.1, 5_000.0),
            ("computer.assumed_wh_per_km", computer.assumed_wh_per_km, 1.0, 10_000.0),
            ("computer.memory_km", computer.memory_km, 0.1, 1e4),
            ("computer.lifetime_out_kwh", computer.lifetime_out_kwh, 0.0, 1e7),
            ("computer.lifetime_in_kwh", computer.lifetime_in_kwh, 0.0, 1e7),
        ]);
        if let Some(curve) = &computer.bend_curve {
            self.curve("computer.bend_curve", curve, -20.0, 20.0);
        }
        if let Some(plateau) = computer.plateau {
            self.within("computer.plateau.percent", plateau.percent, 0.0, 20.0);
            let made_up = plateau.made_up_at_percent.unwrap_or(0.0);
            self.within("computer.plateau.made_up_at_percent", made_up, 0.0, 99.0 - plateau.percent);
        }
        for (index, jump) in computer.jump.iter().enumerate() {
            self.within(&format!("computer.jump.{index}.below_percent"), jump.below_percent, 0.0, 100.0);
            self.within(&format!("computer.jump.{index}.by_percent"), jump.by_percent, -20.0, 20.0);
        }
        if computer.displayed_top_percent <= computer.displayed_bottom_percent {
            let what = "displays 100 % at or below the charge where it displays 0 %";
            self.say("computer.displayed_top_percent", what, "raise it");
        }
    }

    fn drive(&mut self) {
        let drive = &self.scenario.drive;
        self.all_within(&[
            ("drive.target_kmh", drive.target_kmh, 5.0, 300.0),
            ("drive.wander_kmh", drive.wander_kmh, 0.0, 10.0),
            ("drive.wander_s", drive.wander_s, 1.0, 3_600.0),
            ("drive.acceleration_mps2", drive.acceleration_mps2, 0.05, 10.0),
            ("drive.braking_mps2", drive.braking_mps2, 0.05, 5.0),
            ("drive.stand_before_s", drive.stand_before_s, 0.0, 86_400.0),
            ("drive.stand_after_s", drive.stand_after_s, 0.0, 86_400.0),
            ("drive.hours_max", drive.hours_max, 0.001, 72.0),
        ]);
        for (index, traffic) in drive.traffic.iter().enumerate() {
            self.within(&format!("drive.traffic.{index}.start_km"), traffic.start_km, 0.0, 1e5);
            self.within(&format!("drive.traffic.{index}.length_km"), traffic.length_km, 0.001, 1e4);
            self.within(&format!("drive.traffic.{index}.speed_kmh"), traffic.speed_kmh, 1.0, 300.0);
        }
        if let Some(charge) = &self.scenario.charge_before {
            self.all_within(&[
                ("charge_before.from_percent", charge.from_percent, 0.0, self.scenario.pack.full_percent),
                ("charge_before.power_kw", charge.power_kw, 0.1, 1_000.0),
                ("charge_before.rest_s", charge.rest_s, 0.0, 86_400.0),
            ]);
        }
    }

    fn recording(&mut self) {
        let Sensors { current, voltage, .. } = &self.scenario.sensors;
        self.all_within(&[
            ("sensors.current.gain", current.gain, -0.5, 0.5),
            ("sensors.current.zero_a", current.zero_a, -100.0, 100.0),
            ("sensors.current.drift_a_per_root_h", current.drift_a_per_root_h, 0.0, 100.0),
            ("sensors.current.noise_a", current.noise_a, 0.0, 100.0),
            ("sensors.current.resolution_a", current.resolution_a, 0.0, 100.0),
            ("sensors.current.delay_ms", current.delay_ms, 0.0, DELAY_MAX_MS),
            ("sensors.voltage.gain", voltage.gain, -0.5, 0.5),
            ("sensors.voltage.noise_v", voltage.noise_v, 0.0, 100.0),
            ("sensors.voltage.resolution_v", voltage.resolution_v, 0.0, 100.0),
            ("sensors.voltage.delay_ms", voltage.delay_ms, 0.0, DELAY_MAX_MS),
            ("sensors.speed_noise_kmh", self.scenario.sensors.speed_noise_kmh, 0.0, 20.0),
            ("sensors.temperature_noise_degc", self.scenario.sensors.temperature_noise_degc, 0.0, 20.0),
            ("bus.frame_us", f64::from(self.scenario.bus.frame_us), 0.0, 10_000.0),
        ]);
        let least_ms = f64::from(self.scenario.bus.jitter_us) / 500.0;
        for (name, period) in &self.scenario.period_ms {
            self.within(&format!("period_ms.{name}"), *period, least_ms.max(1.0), 3.6e6);
        }
        for (index, noise) in self.scenario.noise.iter().enumerate() {
            let id_max = if noise.extended { 0x1FFF_FFFF } else { 0x7FF };
            self.within(&format!("noise.{index}.id"), f64::from(noise.id), 0.0, f64::from(id_max));
            self.within(&format!("noise.{index}.length"), f64::from(noise.length), 0.0, 64.0);
            self.within(&format!("noise.{index}.period_ms"), noise.period_ms, least_ms.max(1.0), 3.6e6);
        }
        for (index, gap) in self.scenario.gap.iter().enumerate() {
            self.within(&format!("gap.{index}.start_s"), gap.start_s, 0.0, 3e5);
            self.within(&format!("gap.{index}.duration_s"), gap.duration_s, 0.001, 3e5);
        }
        if let Some(satellite) = &self.scenario.satellite {
            self.all_within(&[
                ("satellite.period_ms", satellite.period_ms, 10.0, 3.6e6),
                ("satellite.noise_m", satellite.noise_m, 0.0, 1_000.0),
                ("satellite.speed_noise_mps", satellite.speed_noise_mps, 0.0, 20.0),
            ]);
        }
    }
}

/// The oldest value that a frame may carry.
pub(super) const DELAY_MAX_MS: f64 = 500.0;

/// What the drive asks that the course does not have: its places, and turns that can be driven one after the other.
pub(super) fn against_course(scenario: &Scenario, course: &Course) -> Vec<Fault> {
    let drive = &scenario.drive;
    let mut faults = Vec::new();
    let mut find = |key: String, name: &str| {
        let place = course.place(name);
        if place.is_none() {
            let known = course.places.iter().map(|place| &*place.name);
            let fault = scenario.fault(&key, format!("the course has no place '{name}'"));
            faults.push(fault.remedy(did_you_mean(name, known)));
        }
        place
    };
    let from = find("drive.from".into(), &drive.from);
    let turns: Vec<_> =
        drive.turns.iter().enumerate().map(|(index, name)| find(format!("drive.turns.{index}"), name)).collect();
    let Some(mut at) = from.map(|place| place.at) else { return faults };
    if turns.is_empty() {
        faults.push(scenario.fault("drive.turns", "the drive has no turns").remedy("name the places where to turn"));
    }
    let mut direction = if drive.out_first { Direction::Out } else { Direction::Back };
    // Twice round: an odd number of turns meets every place from both sides.
    for (index, place) in turns.iter().enumerate().chain(turns.iter().enumerate()) {
        let Some(place) = place else { break };
        let ahead = (place.at - at).0 * direction.sign() > 0.0;
        if !ahead || place.turn(direction).is_none() {
            let way = if direction == Direction::Out { "out" } else { "back" };
            let what = if ahead { "one cannot turn there" } else { "it is not ahead" };
            let fault =
                scenario.fault(&format!("drive.turns.{index}"), format!("driving {way} to '{}', {what}", place.name));
            faults.push(fault.remedy("list an even number of places, each a turn in the direction it is reached"));
            break;
        }
        (at, direction) = (place.at, direction.turned());
    }
    faults
}
