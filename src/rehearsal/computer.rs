//! The battery computer: what the car believes and displays of its charge and of the distance it can go.
//!
//! Counts charge from the pack's true current (with a gain of its own); sees no sensor noise and sends no frames.

use super::noise::{Noise, Stream};
use super::scenario::{Computer as Spec, Rounding};
use crate::quantity::COULOMB_PER_AH;

/// The battery computer's state.
pub(super) struct Computer {
    spec: Spec,
    capacity: f64,
    /// Its state of charge of the whole pack, %.
    pub counted: f64,
    /// The display before rounding, %.
    filtered: f64,
    /// The display, %.
    pub displayed: f64,
    /// How far its random walk has gone, %.
    wandered: f64,
    noise: Noise,
    next_cycle: f64,
    last: Totals,
    wh_per_km: f64,
    /// How far it says the car can go, m.
    pub rest: f64,
}

/// What the computer reads off once a cycle.
#[derive(Clone, Copy, Default)]
pub(super) struct Totals {
    /// Net charge out of the pack, C.
    pub charge: f64,
    /// Net energy out of the pack, J.
    pub energy: f64,
    /// Distance by the wheels, m.
    pub distance: f64,
}

impl Computer {
    pub fn new(spec: &Spec, capacity_ah: f64, soc: f64, seed: u64) -> Self {
        let mut computer = Self {
            spec: spec.clone(),
            capacity: capacity_ah * COULOMB_PER_AH,
            counted: soc,
            filtered: 0.0,
            displayed: 0.0,
            wandered: 0.0,
            noise: Noise::new(seed, Stream::Computer),
            next_cycle: 0.0,
            last: Totals::default(),
            wh_per_km: spec.assumed_wh_per_km,
            rest: 0.0,
        };
        computer.filtered = computer.unfiltered();
        computer.show();
        computer
    }

    /// Called at every step; acts once a cycle.
    pub fn step(&mut self, time: f64, totals: Totals) {
        if time < self.next_cycle {
            return;
        }
        let cycle = self.spec.cycle_s;
        self.next_cycle += cycle;
        let charge = totals.charge - self.last.charge;
        self.counted -= charge * (1.0 + self.spec.counting_gain) / self.capacity * 100.0;
        let whole = self.capacity * (self.spec.displayed_top_percent - self.spec.displayed_bottom_percent) / 100.0;
        self.wandered += self.noise.normal(self.spec.wander_percent * (charge.abs() / whole).sqrt());
        let share = if self.spec.filter_s > 0.0 { 1.0 - libm::exp(-cycle / self.spec.filter_s) } else { 1.0 };
        self.filtered += (self.unfiltered() - self.filtered) * share;
        let distance = totals.distance - self.last.distance;
        if distance > 1.0 {
            let here = (totals.energy - self.last.energy) / 3.6 / distance;
            let forget = 1.0 - libm::exp(-distance / (self.spec.memory_km * 1_000.0));
            self.wh_per_km = (self.wh_per_km + (here - self.wh_per_km) * forget).max(1.0);
        }
        self.last = totals;
        self.show();
    }

    fn unfiltered(&self) -> f64 {
        let spec = &self.spec;
        let (top, bottom) = (spec.displayed_top_percent, spec.displayed_bottom_percent);
        // Below its window it goes on counting, so that a correction cannot keep the display from 0 for ever.
        let x = ((self.counted - bottom) / (top - bottom)).min(1.0);
        let mut shown = x * 100.0 + bend(spec.bend_percent, x);
        if let Some(curve) = &spec.bend_curve {
            shown += curve.at(x * 100.0);
        }
        for jump in spec.jump.iter().filter(|jump| x * 100.0 < jump.below_percent) {
            shown += jump.by_percent;
        }
        self.held_at_the_top(shown + self.wandered)
    }

    fn held_at_the_top(&self, shown: f64) -> f64 {
        let Some(plateau) = self.spec.plateau else { return shown };
        let holds_until = 100.0 - plateau.percent;
        match plateau.made_up_at_percent {
            None => shown.min(holds_until) * 100.0 / holds_until,
            Some(_) if shown >= holds_until => 100.0,
            Some(end) if shown > end => end + (shown - end) * (100.0 - end) / (holds_until - end),
            Some(_) => shown,
        }
    }

    fn show(&mut self) {
        let steps = self.filtered / self.spec.step_percent;
        // A filter comes near its end but never there: a thousandth of a step counts as the step.
        let steps = match self.spec.rounding {
            Rounding::Nearest => (steps + 0.5).floor(),
            Rounding::Down => (steps + 1e-3).floor(),
            Rounding::Up => (steps - 1e-3).ceil(),
        };
        self.displayed = (steps * self.spec.step_percent).clamp(0.0, 100.0);
        self.rest = self.displayed / 100.0 * self.spec.assumed_energy_kwh * 1e3 / self.wh_per_km * 1e3;
    }
}

/// The display's bend, %; 0 at both ends.
fn bend([even, odd]: [f64; 2], x: f64) -> f64 {
    4.0 * x * (1.0 - x) * (even + odd * (1.0 - 2.0 * x))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spec() -> Spec {
        toml::from_str(
            "cycle_s = 1\ndisplayed_top_percent = 96\ndisplayed_bottom_percent = 4\nstep_percent = 1\n\
             assumed_energy_kwh = 48\nassumed_wh_per_km = 200\n",
        )
        .unwrap()
    }

    #[test]
    fn the_window_hides_both_ends() {
        let shows = |soc| Computer::new(&spec(), 100.0, soc, 1).displayed;
        assert_eq!([97.0, 96.0, 50.0, 4.0, 2.0].map(shows), [100.0, 100.0, 50.0, 0.0, 0.0]);
    }

    #[test]
    fn the_bend_is_nothing_at_the_ends() {
        for x in [0.0, 1.0] {
            assert_eq!(bend([2.0, 1.0], x), 0.0);
        }
        assert_eq!(bend([2.0, 1.0], 0.5), 2.0);
    }

    #[test]
    fn charge_is_counted_and_the_distance_to_go_follows_the_drive() {
        let mut computer = Computer::new(&spec(), 100.0, 96.0, 1);
        assert_eq!(computer.rest, 240_000.0);
        // 46 Ah of 100 Ah in 138 km: half the window; 150 Wh/km driven, 200 assumed, memory 30 km.
        for second in 0..=4_600 {
            let time = f64::from(second);
            computer.step(time, Totals { charge: time * 36.0, energy: time * 30.0 * 540.0, distance: time * 30.0 });
        }
        assert_eq!(computer.displayed, 50.0);
        let memory = libm::exp(-138.0 / 30.0);
        let expected = 24_000.0 / (150.0 + 50.0 * memory) * 1e3;
        assert!((computer.rest / expected - 1.0).abs() < 1e-9, "{} {expected}", computer.rest);
    }
}
