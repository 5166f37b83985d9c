//! The truth: what really happened, before any sensor, as the model knows it.
//!
//! Integrated over straight lines of voltage and current between the model's steps, split at the exact zero of the current.
//! Sees no frames.

use serde::{Deserialize, Serialize};

use super::car::{Car, Moment};
use super::scenario::Scenario;
use crate::quantity::{COULOMB_PER_AH, JOULE_PER_KWH, JOULE_PER_WH};
use crate::time::WallClock;

/// A displayed value counts once it has been held for this long, s.
const HELD_S: f64 = 10.0;
/// Nothing displayed in this time after waking counts, s.
const WAKING_S: f64 = 30.0;

/// What really happened.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Truth {
    /// Version of this layout.
    pub schema: u32,
    /// The invented car.
    pub car: String,
    /// Wall-clock time of the first moment.
    pub start: String,
    /// From the first moment to the bus falling silent; energy from a plug left out.
    pub whole: Part,
    /// Energy from a plug, kWh.
    pub charged_kwh: f64,
    /// Charge from a plug, Ah.
    pub charged_ah: f64,
    /// While the car moved.
    pub driven: Part,
    /// Net energy while it moved over true distance, Wh/km; null where it did not move.
    pub consumption_wh_per_km: Option<f64>,
    /// The same over the distance by the wheels.
    pub consumption_wh_per_wheel_km: Option<f64>,
    /// From the first moment to the first moment of the first held displayed 0 %.
    pub to_zero: Option<Part>,
    /// From unplugging at full to that moment: the usable energy is its net.
    pub usable: Option<Part>,
    /// What came after that moment, and what is left.
    pub reserve: Option<Reserve>,
    /// The first moment of each displayed value that was held for 10 s, those of the first 30 s left out.
    pub checkpoints: Vec<Checkpoint>,
    /// When all frames were missing.
    pub gaps: Vec<GapTruth>,
    /// Whether it came to a charger.
    pub reached_charger: bool,
    /// Whether the pack was spent on the road.
    pub stopped_on_road: bool,
}

/// A part of the recording.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Part {
    /// s.
    pub duration_s: f64,
    /// True distance, km.
    pub distance_km: f64,
    /// Distance by the wheels, km.
    pub wheel_distance_km: f64,
    /// Energy out of the pack, kWh.
    pub out_kwh: f64,
    /// Energy into the pack, kWh.
    pub in_kwh: f64,
    /// Out less in, kWh.
    pub net_kwh: f64,
    /// Charge out of the pack less charge into it, Ah.
    pub charge_net_ah: f64,
}

/// What lies beyond displayed 0 %.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Reserve {
    /// What was used of it.
    pub used: Part,
    /// Open-circuit energy left in the pack at the end, kWh.
    pub left_kwh: f64,
    /// Charge left in the pack at the end, Ah.
    pub left_ah: f64,
}

/// The moment a displayed state of charge was first reached and held.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Checkpoint {
    /// The displayed state of charge, %.
    pub displayed_percent: f64,
    /// True state of charge, %.
    pub true_percent: f64,
    /// From the first moment to it.
    pub since_start: Part,
}

/// A time without frames, to the model's step.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct GapTruth {
    /// When it began, s since the first moment.
    pub start_s: f64,
    /// What happened in it.
    pub within: Part,
}

/// Running sums, J, C, m, s.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sums {
    pub time: f64,
    pub distance: f64,
    pub energy_out: f64,
    pub energy_in: f64,
    pub energy_charged: f64,
    pub charge_out: f64,
    pub charge_in: f64,
    pub charge_charged: f64,
}

/// Watches the model and sums up.
pub(super) struct Witness {
    car: String,
    start: WallClock,
    wheel_factor: f64,
    capacity_ah: f64,
    last: Option<Moment>,
    sums: Sums,
    driven: Sums,
    unplugged: Option<Sums>,
    /// Displayed values reached, not yet held long enough.
    pending: Vec<(Checkpoint, Sums)>,
    checkpoints: Vec<Checkpoint>,
    lowest: Option<f64>,
    zero: Option<Sums>,
    gaps: Vec<(f64, f64, Option<Sums>, Option<Sums>)>,
}

impl Witness {
    pub fn new(scenario: &Scenario) -> Self {
        Self {
            car: scenario.car.clone(),
            start: scenario.start,
            wheel_factor: 1.0 + scenario.vehicle.wheel_gain,
            capacity_ah: scenario.pack.capacity_ah,
            last: None,
            sums: Sums::default(),
            driven: Sums::default(),
            unplugged: None,
            pending: Vec::new(),
            checkpoints: Vec::new(),
            lowest: None,
            zero: None,
            gaps: scenario.gap.iter().map(|gap| (gap.start_s, gap.start_s + gap.duration_s, None, None)).collect(),
        }
    }

    /// Takes in the next moment.
    pub fn see(&mut self, moment: &Moment, car: &Car) {
        if let Some(last) = self.last.replace(*moment) {
            self.sums.add(&last, moment);
            if last.speed > 0.0 || moment.speed > 0.0 {
                self.driven.add(&last, moment);
            }
        }
        if !moment.plugged && self.unplugged.is_none() {
            self.unplugged = Some(self.sums);
        }
        for (start, end, at_start, at_end) in &mut self.gaps {
            if *start <= moment.time && at_start.is_none() {
                *at_start = Some(self.sums);
            }
            if *end <= moment.time && at_end.is_none() {
                *at_end = Some(self.sums);
            }
        }
        self.watch_display(moment, car);
    }

    fn watch_display(&mut self, moment: &Moment, car: &Car) {
        let displayed = car.computer.displayed;
        if moment.time < WAKING_S || moment.plugged {
            return;
        }
        let Some(lowest) = self.lowest else {
            self.lowest = Some(displayed);
            return;
        };
        // A value undone by regeneration was not held.
        while self.pending.last().is_some_and(|(point, _)| point.displayed_percent < displayed) {
            self.pending.pop();
        }
        let held = self.pending.partition_point(|(_, sums)| sums.time + HELD_S <= moment.time);
        for (point, sums) in self.pending.drain(..held) {
            self.lowest = Some(point.displayed_percent);
            if point.displayed_percent == 0.0 {
                self.zero = Some(sums);
            }
            self.checkpoints.push(point);
        }
        let reached = self.pending.last().map_or(self.lowest.unwrap_or(lowest), |(point, _)| point.displayed_percent);
        if displayed < reached {
            let since_start = self.part(&Sums::default(), &self.sums);
            let point = Checkpoint { displayed_percent: displayed, true_percent: car.pack.soc, since_start };
            self.pending.push((point, self.sums));
        }
    }

    /// Whether the display has held 0 %.
    pub fn zero_is_held(&self) -> bool {
        self.zero.is_some()
    }

    pub fn sums(&self) -> &Sums {
        &self.sums
    }

    fn part(&self, from: &Sums, to: &Sums) -> Part {
        let distance = to.distance - from.distance;
        let (out, back) = (to.energy_out - from.energy_out, to.energy_in - from.energy_in);
        let charge = (to.charge_out - from.charge_out) - (to.charge_in - from.charge_in);
        Part {
            duration_s: to.time - from.time,
            distance_km: distance / 1e3,
            wheel_distance_km: distance * self.wheel_factor / 1e3,
            out_kwh: out / JOULE_PER_KWH,
            in_kwh: back / JOULE_PER_KWH,
            net_kwh: (out - back) / JOULE_PER_KWH,
            charge_net_ah: charge / COULOMB_PER_AH,
        }
    }

    pub fn truth(&self, car: &Car) -> Truth {
        let nothing = Sums::default();
        let driven = self.part(&nothing, &self.driven);
        let per = |km: f64| (km > 0.0).then(|| driven.net_kwh * JOULE_PER_KWH / JOULE_PER_WH / km);
        let gap = |(start, _, from, to): &(f64, f64, Option<Sums>, Option<Sums>)| {
            let from = (*from)?;
            Some(GapTruth { start_s: *start, within: self.part(&from, &to.unwrap_or(self.sums)) })
        };
        Truth {
            schema: 1,
            car: self.car.clone(),
            start: self.start.iso(),
            whole: self.part(&nothing, &self.sums),
            charged_kwh: self.sums.energy_charged / JOULE_PER_KWH,
            charged_ah: self.sums.charge_charged / COULOMB_PER_AH,
            driven,
            consumption_wh_per_km: per(driven.distance_km),
            consumption_wh_per_wheel_km: per(driven.wheel_distance_km),
            to_zero: self.zero.map(|zero| self.part(&nothing, &zero)),
            usable: self.zero.zip(self.unplugged).map(|(zero, unplugged)| self.part(&unplugged, &zero)),
            reserve: self.zero.map(|zero| Reserve {
                used: self.part(&zero, &self.sums),
                left_kwh: car.pack.left() / JOULE_PER_KWH,
                left_ah: car.pack.soc / 100.0 * self.capacity_ah,
            }),
            checkpoints: self.checkpoints.clone(),
            gaps: self.gaps.iter().filter_map(gap).collect(),
            reached_charger: car.at_charger(),
            stopped_on_road: car.stranded(),
        }
    }
}

impl Sums {
    /// Adds the straight piece between two moments.
    fn add(&mut self, from: &Moment, to: &Moment) {
        let step = to.time - from.time;
        self.time += step;
        self.distance += to.distance - from.distance;
        let (i0, i1) = (from.current, to.current);
        if i0 * i1 < 0.0 {
            let share = i0 / (i0 - i1);
            let at_zero = from.voltage + (to.voltage - from.voltage) * share;
            self.add_one_way(from.plugged, step * share, (from.voltage, i0), (at_zero, 0.0));
            self.add_one_way(from.plugged, step * (1.0 - share), (at_zero, 0.0), (to.voltage, i1));
        } else {
            self.add_one_way(from.plugged, step, (from.voltage, i0), (to.voltage, i1));
        }
    }

    /// Adds a piece whose current keeps its sign; the product of two straight lines, exactly.
    fn add_one_way(&mut self, plugged: bool, time: f64, (v0, i0): (f64, f64), (v1, i1): (f64, f64)) {
        let energy = time / 6.0 * (2.0 * v0 * i0 + v0 * i1 + v1 * i0 + 2.0 * v1 * i1);
        let charge = time / 2.0 * (i0 + i1);
        if charge >= 0.0 {
            self.energy_out += energy;
            self.charge_out += charge;
        } else if plugged {
            self.energy_charged -= energy;
            self.charge_charged -= charge;
        } else {
            self.energy_in -= energy;
            self.charge_in -= charge;
        }
    }
}
