//! The car: one step of driver, road, drive train, pack and battery computer.
//!
//! All values hold at the start of a step; between steps voltage, current and speed are straight lines, and the truth is
//! integrated over those.
//!
//! Sends no frame.

use super::computer::{Computer, Totals};
use super::driver::{Driver, Order};
use super::noise::{Noise, Stream, Wander};
use super::pack::{Flow, Pack};
use super::road::{self, RoadLoad};
use super::scenario::{Air, ChargeBefore, ColdTyres, Scenario, Vehicle};
use crate::course::Course;

/// What the car is doing.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Stage {
    /// At the plug, taking charge.
    Charging,
    /// At the plug, the charge ended by the car.
    Full,
    /// Unplugged, awake, standing.
    Standing,
    /// On the road.
    Driving,
    /// At the charger, standing, not plugged in.
    Arrived,
    /// The pack gave no more: standing on the road.
    Stranded,
    /// Asleep.
    Silent,
}

/// The model at a moment.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Moment {
    /// Since the start, s.
    pub time: f64,
    /// V.
    pub voltage: f64,
    /// A, discharge positive.
    pub current: f64,
    /// True speed, m/s.
    pub speed: f64,
    /// True distance driven, m.
    pub distance: f64,
    /// Whether the plug is in.
    pub plugged: bool,
    /// Along the road, m.
    pub at: f64,
    /// Which way along the road: +1 out, -1 back.
    pub heading: f64,
}

/// Where the energy of the drive went, J.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Books {
    /// Accessories and climate.
    pub auxiliary: f64,
    /// Lost between terminals and wheels.
    pub drive_train: f64,
    /// Against road load and wind.
    pub road: f64,
    /// Lifting the car.
    pub height: f64,
    /// Setting it and its wheels in motion.
    pub motion: f64,
    /// In the brakes.
    pub brakes: f64,
}

/// The invented car.
pub(super) struct Car {
    vehicle: Vehicle,
    air: Air,
    load: RoadLoad,
    charge_before: Option<ChargeBefore>,
    stand_before: f64,
    stand_after: f64,
    full: f64,
    step: f64,
    steps: u64,
    pub driver: Driver,
    pub pack: Pack,
    pub computer: Computer,
    gusts: Wander,
    noise: Noise,
    stage: Stage,
    stage_began: f64,
    unplugged_at: Option<f64>,
    speed: f64,
    totals: Totals,
    zero_told: bool,
    stranded: bool,
    pub books: Books,
}

/// What a step at the wheels comes to.
struct Wheels {
    acceleration: f64,
    mean_speed: f64,
    /// At the pack's terminals, W.
    electric: f64,
}

impl Car {
    pub fn new(scenario: &Scenario, course: &Course) -> Self {
        let step = scenario.step_s();
        let full = scenario.pack.full_percent;
        let soc = scenario.charge_before.as_ref().map_or(full, |charge| charge.from_percent);
        let charging = scenario.charge_before.is_some();
        Self {
            load: RoadLoad::of(&scenario.vehicle, &scenario.air),
            vehicle: scenario.vehicle.clone(),
            air: scenario.air.clone(),
            charge_before: scenario.charge_before.clone(),
            stand_before: scenario.drive.stand_before_s,
            stand_after: scenario.drive.stand_after_s,
            full,
            step,
            steps: 0,
            driver: Driver::new(scenario, course, step),
            pack: Pack::new(&scenario.pack, soc),
            computer: Computer::new(&scenario.computer, scenario.pack.capacity_ah, soc, scenario.seed),
            gusts: Wander::new(scenario.air.gust_mps, scenario.air.gust_s, step),
            noise: Noise::new(scenario.seed, Stream::Wind),
            stage: if charging { Stage::Charging } else { Stage::Standing },
            stage_began: 0.0,
            unplugged_at: (!charging).then_some(0.0),
            speed: 0.0,
            totals: Totals::default(),
            zero_told: false,
            stranded: false,
            books: Books::default(),
        }
    }

    pub fn stage(&self) -> Stage {
        self.stage
    }

    /// How long it has been driven, s.
    pub fn time(&self) -> f64 {
        self.steps as f64 * self.step
    }

    /// Whether the plug is in.
    pub fn plugged(&self) -> bool {
        matches!(self.stage, Stage::Charging | Stage::Full)
    }

    /// Whether it stands at the charger or has come to sleep there.
    pub fn at_charger(&self) -> bool {
        matches!(self.stage, Stage::Arrived | Stage::Silent) && !self.stranded && self.driver.charger_ahead()
    }

    /// Whether the pack was spent on the road.
    pub fn stranded(&self) -> bool {
        self.stranded
    }

    /// Power of accessories, W, from the pack.
    pub fn accessories(&self) -> f64 {
        if self.plugged() { 0.0 } else { self.vehicle.accessory_w }
    }

    /// Power of the climate control at a moment, W, from the pack.
    pub fn climate(&self, time: f64) -> f64 {
        let climate = &self.vehicle.climate;
        let Some(since) = self.unplugged_at else { return 0.0 };
        climate.steady_w + (climate.start_w - climate.steady_w) * libm::exp(-(time - since) / climate.decay_s)
    }

    /// Tells the driver that the display has held 0 %.
    pub fn told_zero(&mut self, held: bool) {
        if held && !self.zero_told {
            self.zero_told = true;
            self.driver.make_for_charger(self.speed);
        }
    }

    /// Tells the driver what to do next.
    pub fn follow(&mut self, order: Option<Order>) {
        self.driver.follow(order, self.speed);
    }

    /// The model now, then one step on.
    pub fn step(&mut self) -> Moment {
        let time = self.steps as f64 * self.step;
        self.steps += 1;
        self.change_stage(time);
        self.computer.step(time, self.totals);
        let wind = self.air.wind_out_mps + self.gusts.step(&mut self.noise);
        let (flow, wheels) = self.flow(time, wind);
        let moment = Moment {
            time,
            voltage: flow.voltage,
            current: flow.current,
            speed: self.speed,
            distance: self.driver.driven,
            plugged: self.plugged(),
            at: self.driver.at(),
            heading: self.driver.heading(),
        };
        let distance = wheels.mean_speed * self.step;
        self.speed += wheels.acceleration * self.step;
        if distance > 0.0 {
            self.driver.advance(distance, self.speed);
        }
        self.pack.step(flow, self.step, self.air.temperature_degc);
        self.totals.charge += flow.current * self.step;
        self.totals.energy += flow.voltage * flow.current * self.step;
        self.totals.distance += distance * (1.0 + self.vehicle.wheel_gain);
        moment
    }

    fn flow(&mut self, time: f64, wind: f64) -> (Flow, Wheels) {
        let still = Wheels { acceleration: 0.0, mean_speed: 0.0, electric: 0.0 };
        match self.stage {
            Stage::Charging => {
                let power = self.charge_before.as_ref().map_or(0.0, |charge| charge.power_kw * 1e3);
                // The last per cent tapers to a twentieth.
                (self.pack.flow(-power * (self.full - self.pack.soc).clamp(0.05, 1.0)), still)
            }
            Stage::Full | Stage::Silent => (self.pack.resting(), still),
            _ => {
                let limit = self.pack.power_limit();
                let auxiliary = (self.accessories() + self.climate(time)).min(limit);
                let wheels =
                    if self.stage == Stage::Driving { self.wheels(time, limit - auxiliary, wind) } else { still };
                self.books.auxiliary += auxiliary * self.step;
                (self.pack.flow(auxiliary + wheels.electric), wheels)
            }
        }
    }

    /// What the driver's wish comes to at a time (s) with at most this electric power (W), in this wind (m/s, from behind when
    /// driving out).
    fn wheels(&mut self, time: f64, power_left: f64, wind: f64) -> Wheels {
        let vehicle = &self.vehicle;
        let inertia = vehicle.mass_kg + vehicle.rotating_mass_kg;
        let cold = |tyres: &ColdTyres| tyres.share * libm::exp(-(time - self.stage_began) / tyres.time_s);
        let rolling = 1.0 + vehicle.cold_tyres.as_ref().map_or(0.0, cold);
        let behind = wind * self.driver.heading();
        let road = self.load.force_across(self.speed, behind, self.air.wind_across_mps, rolling);
        let climb = road::grade_force(vehicle.mass_kg, self.driver.grade());
        let most = power_left.min(vehicle.power_limit_kw * 1e3).max(0.0) * vehicle.drive_efficiency;
        let wish = self.driver.wish(self.speed);
        let mean = |acceleration: f64| (self.speed + acceleration * self.step / 2.0).max(0.0);
        let within_power = (most / mean(wish).max(0.1) - road - climb) / inertia;
        // No car is pushed backwards by its road load.
        let mut acceleration = wish.min(within_power).max(-self.speed / self.step);
        // The last centimetres a second are given up: a stop is a stop.
        if self.speed < 0.05 && acceleration < 0.0 {
            acceleration = -self.speed / self.step;
        }
        let mean_speed = mean(acceleration);
        let force = inertia * acceleration + road + climb;
        let mechanical = force * mean_speed;
        let (electric, brakes) = if mechanical >= 0.0 {
            (mechanical / vehicle.drive_efficiency, 0.0)
        } else {
            let back = (-mechanical * vehicle.regeneration.efficiency).min(vehicle.regeneration.limit_kw * 1e3);
            let by_motor = if back > 0.0 { back / vehicle.regeneration.efficiency } else { 0.0 };
            (-back, -mechanical - by_motor)
        };
        let step = self.step;
        self.books.road += road * mean_speed * step;
        self.books.height += climb * mean_speed * step;
        self.books.motion += inertia * acceleration * mean_speed * step;
        self.books.brakes += brakes * step;
        self.books.drive_train += (electric - mechanical - brakes) * step;
        Wheels { acceleration, mean_speed, electric }
    }

    fn change_stage(&mut self, time: f64) {
        let lasted = time - self.stage_began;
        let rest = self.charge_before.as_ref().map_or(0.0, |charge| charge.rest_s);
        let next = match self.stage {
            Stage::Charging if self.pack.soc >= self.full => Stage::Full,
            Stage::Full if lasted >= rest => Stage::Standing,
            Stage::Standing if lasted >= self.stand_before => Stage::Driving,
            Stage::Driving if self.speed == 0.0 && self.driver.arrived() => Stage::Arrived,
            Stage::Driving if self.speed == 0.0 && lasted > 1.0 && self.spent() => Stage::Stranded,
            Stage::Arrived | Stage::Stranded if lasted >= self.stand_after => Stage::Silent,
            same => same,
        };
        if next != self.stage {
            if next == Stage::Standing {
                self.unplugged_at = Some(time);
            }
            self.stranded |= next == Stage::Stranded;
            (self.stage, self.stage_began) = (next, time);
        }
    }

    /// Whether the pack gives no more than the car takes at rest.
    fn spent(&self) -> bool {
        self.pack.power_limit() <= self.vehicle.accessory_w + self.vehicle.climate.steady_w
    }
}
