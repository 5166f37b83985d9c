//! What the car's sensors make of the truth: gains, zeros, noise, steps and delays.
//!
//! Gives values in base units by role; knows no signal and no frame.

use super::car::{Car, Moment, Stage};
use super::check::DELAY_MAX_MS;
use super::noise::{Noise, Stream};
use super::scenario::{Scenario, Sensors};
use super::truth::Sums;
use crate::quantity::JOULE_PER_KWH;
use crate::schema::Role;

/// Cabin temperature that the climate control comes to, degC (common practice, no source).
const CABIN_DEGC: f64 = 21.0;
/// Time constant of the cabin's temperature, s (common practice, no source).
const CABIN_S: f64 = 600.0;
/// The low-voltage supply while awake, V (common practice, no source).
const SUPPLY_V: f64 = 14.1;

/// The model as the sensors see it: its latest moment, its state, its sums.
pub(super) struct Senses<'a> {
    pub moment: &'a Moment,
    pub car: &'a Car,
    pub sums: &'a Sums,
}

/// The car's sensors.
pub(super) struct Sensing {
    errors: Sensors,
    current_delay: f64,
    voltage_delay: f64,
    wheel_factor: f64,
    dial_factor: f64,
    odometer: f64,
    by_compressor: bool,
    air: f64,
    lifetime_out: f64,
    lifetime_in: f64,
    noise: Noise,
    /// How far the current's zero has wandered, A, by how much it does in a step, and the noise of that.
    zero: f64,
    zero_kick: f64,
    zero_noise: Noise,
    step: f64,
    /// The latest moments, moment `n` at `n` modulo the length.
    history: Vec<Moment>,
    count: usize,
}

impl Sensing {
    pub fn new(scenario: &Scenario) -> Self {
        let step = scenario.step_s();
        Self {
            errors: scenario.sensors.clone(),
            current_delay: scenario.sensors.current.delay_ms / 1e3,
            voltage_delay: scenario.sensors.voltage.delay_ms / 1e3,
            wheel_factor: 1.0 + scenario.vehicle.wheel_gain,
            dial_factor: 1.0 + scenario.vehicle.dial_gain,
            odometer: scenario.vehicle.odometer_km * 1e3,
            by_compressor: scenario.vehicle.climate.by_compressor,
            air: scenario.air.temperature_degc,
            lifetime_out: scenario.computer.lifetime_out_kwh * JOULE_PER_KWH,
            lifetime_in: scenario.computer.lifetime_in_kwh * JOULE_PER_KWH,
            noise: Noise::new(scenario.seed, Stream::Sensors),
            zero: 0.0,
            zero_kick: scenario.sensors.current.drift_a_per_root_h * (step / 3_600.0).sqrt(),
            zero_noise: Noise::new(scenario.seed, Stream::CurrentZero),
            step,
            history: vec![Moment::default(); (DELAY_MAX_MS / 1e3 / step) as usize + 4],
            count: 0,
        }
    }

    /// Takes in the next moment.
    pub fn remember(&mut self, moment: &Moment) {
        let slot = self.count % self.history.len();
        self.history[slot] = *moment;
        self.zero += self.zero_noise.normal(self.zero_kick);
        self.count += 1;
    }

    /// A quantity of the model at a time within the memory, on the straight line between two moments.
    fn past(&self, time: f64, of: impl Fn(&Moment) -> f64) -> f64 {
        let newest = self.count.saturating_sub(1);
        let oldest = self.count.saturating_sub(self.history.len());
        let steps = (time / self.step).max(0.0);
        let before = (steps as usize).clamp(oldest, newest);
        let after = (before + 1).min(newest);
        let share = (steps - before as f64).clamp(0.0, 1.0);
        let value = |index: usize| of(&self.history[index % self.history.len()]);
        value(before) + (value(after) - value(before)) * share
    }

    fn current(&mut self, time: f64) -> f64 {
        let truth = self.past(time - self.current_delay, |moment| moment.current);
        let error = &self.errors.current;
        let read = truth * (1.0 + error.gain) + (error.zero_a + self.zero) + self.noise.normal(error.noise_a);
        in_steps(read, error.resolution_a)
    }

    fn voltage(&mut self, time: f64) -> f64 {
        let truth = self.past(time - self.voltage_delay, |moment| moment.voltage);
        let error = &self.errors.voltage;
        in_steps(truth * (1.0 + error.gain) + self.noise.normal(error.noise_v), error.resolution_v)
    }

    fn speed(&mut self, time: f64) -> f64 {
        let truth = self.past(time, |moment| moment.speed);
        // A wheel that stands gives no pulses and no noise.
        if truth == 0.0 {
            return 0.0;
        }
        (truth * self.wheel_factor + self.noise.normal(self.errors.speed_noise_kmh / 3.6)).max(0.0)
    }

    /// True speed at a time, m/s.
    pub fn true_speed(&self, time: f64) -> f64 {
        self.past(time, |moment| moment.speed)
    }

    /// What the car reads for a role at a time (s), in the role's base unit; of one pack if there are several.
    pub fn read(&mut self, role: Role, packs: f64, time: f64, now: &Senses<'_>) -> f64 {
        let car = now.car;
        let flow = super::pack::Flow { voltage: now.moment.voltage, current: now.moment.current };
        let state = |on: bool| if on { 1.0 } else { 0.0 };
        let degrees = |noise: &mut Noise, value: f64| value + noise.normal(self.errors.temperature_noise_degc);
        match role {
            Role::Speed => self.speed(time),
            Role::SpeedDisplayed => self.speed(time) * self.dial_factor,
            Role::Odometer => self.odometer + self.past(time, |moment| moment.distance) * self.wheel_factor,
            Role::PackVoltage => self.voltage(time),
            Role::PackCurrent => self.current(time) / packs,
            Role::PackPower => self.voltage(time) * self.current(time) / packs,
            Role::Soc => car.computer.displayed,
            Role::SocInternal => car.computer.counted,
            Role::CellVoltageMin => car.pack.lowest_cell(flow),
            Role::CellVoltageMax => car.pack.highest_cell(flow),
            Role::PackTemperature => degrees(&mut self.noise, car.pack.temperature),
            Role::EnergyOutCounter => self.lifetime_out + now.sums.energy_out,
            Role::EnergyInCounter => self.lifetime_in + now.sums.energy_in + now.sums.energy_charged,
            Role::ChargeCounter => now.sums.charge_out - now.sums.charge_in - now.sums.charge_charged,
            Role::DisplayedRest => car.computer.rest,
            Role::Plug => state(car.plugged()),
            Role::Contactor => state(!matches!(car.stage(), Stage::Full | Stage::Silent)),
            Role::Ready => state(matches!(car.stage(), Stage::Driving | Stage::Arrived | Stage::Stranded)),
            Role::HeaterPower => {
                if self.by_compressor {
                    0.0
                } else {
                    car.climate(time)
                }
            }
            Role::CompressorPower => {
                if self.by_compressor {
                    car.climate(time)
                } else {
                    0.0
                }
            }
            Role::BatteryHeaterPower => 0.0,
            Role::AccessoryPower => car.accessories(),
            Role::AmbientTemperature => degrees(&mut self.noise, self.air),
            Role::CabinTemperature => {
                let cabin = CABIN_DEGC + (self.air - CABIN_DEGC) * libm::exp(-time / CABIN_S);
                degrees(&mut self.noise, cabin)
            }
            Role::SupplyVoltage => SUPPLY_V,
        }
    }
}

fn in_steps(value: f64, step: f64) -> f64 {
    if step > 0.0 { (value / step + 0.5).floor() * step } else { value }
}
