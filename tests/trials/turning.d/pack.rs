//! The pack: charge, voltage by charge, and what its display and its lowest cell say.
//!
//! Charge counts from displayed 0: positive above it, negative in the reserve. Knows no road.

use super::chance::Chance;

/// Charge in parts of the cell's whole, and open-circuit voltage, V: three kinds of cell, the last one flat.
const CHARGE: [f64; 14] = [0.0, 0.01, 0.02, 0.04, 0.06, 0.1, 0.15, 0.2, 0.3, 0.5, 0.7, 0.8, 0.9, 1.0];
const CELLS: [[f64; 14]; 3] = [
    [2.75, 2.95, 3.06, 3.20, 3.29, 3.40, 3.46, 3.51, 3.57, 3.67, 3.85, 3.95, 4.05, 4.18],
    [2.80, 3.02, 3.15, 3.27, 3.35, 3.43, 3.49, 3.54, 3.61, 3.73, 3.91, 4.00, 4.08, 4.19],
    [2.55, 2.88, 3.02, 3.13, 3.17, 3.20, 3.225, 3.245, 3.275, 3.295, 3.325, 3.33, 3.335, 3.40],
];
/// Points of the table of energy by charge.
const POINTS: usize = 500;

fn between(xs: &[f64], ys: &[f64], x: f64) -> f64 {
    let after = xs.partition_point(|point| *point <= x).clamp(1, xs.len() - 1);
    let share = (x - xs[after - 1]) / (xs[after] - xs[after - 1]);
    ys[after - 1] + share * (ys[after] - ys[after - 1])
}

/// How a display rounds; whatever it does, 0 is shown from displayed 0 on and not before.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Rounding {
    Nearest,
    Down,
    Up,
}

/// The pack and its display, drawn.
#[derive(Clone, Debug)]
pub struct Pack {
    cells: f64,
    curve: [f64; 14],
    pub flat: bool,
    /// Charge from full to displayed 0, and from there until the car stops, C.
    pub charge: f64,
    pub below: f64,
    /// Ohm of the whole pack, warm.
    ohm: f64,
    /// How full the lowest cell still is when the car stops, in parts; the mean cell holds `spread` more.
    rest: f64,
    spread: f64,
    /// The display falls by so much within the last moments.
    pub drop: f64,
    /// The display counts energy instead of charge.
    by_energy: bool,
    bend: [f64; 2],
    pub step: f64,
    rounding: Rounding,
    /// Energy from full down, by shares of the charge from -below to full, J; the last point is full.
    energy: Vec<f64>,
    /// Cut-off voltage of the lowest cell at cruising current, V.
    pub cut_off: f64,
}

impl Pack {
    /// Drawn for about so much usable energy, J, a reserve in parts of it, and a cruising power, W.
    pub fn draw(chance: &mut Chance, usable: f64, reserve: f64, cruise: f64) -> Self {
        let flat = chance.one_in(5.0);
        let mut curve = if flat { CELLS[2] } else { CELLS[chance.below(2)] };
        let (tilt, hump) = (chance.normal(0.015), chance.normal(0.01));
        for (volt, x) in curve.iter_mut().zip(CHARGE) {
            *volt += tilt * (x - 0.5) + hump * 4.0 * x * (1.0 - x);
        }
        let cells = if flat { [108.0, 120.0][chance.below(2)] } else { [96.0, 108.0][chance.below(2)] };
        let drops = chance.one_in(12.0);
        let drop = chance.between(0.01, 0.04) * f64::from(drops);
        let spread = if drops { drop + 0.01 } else { chance.between(0.003, 0.015) };
        let rest = if drops { 0.0 } else { chance.between(0.0, 0.03) };
        let bend = [chance.normal(0.02), chance.normal(0.008)];
        let step = if chance.one_in(4.0) { 0.005 } else { 0.01 };
        let rounding = [Rounding::Nearest, Rounding::Nearest, Rounding::Down, Rounding::Up][chance.below(4)];
        let charge = usable / (cells * if flat { 3.28 } else { 3.68 });
        let mut pack = Self {
            cells,
            curve,
            flat,
            charge,
            below: reserve * charge,
            ohm: chance.between(0.04, 0.1),
            rest,
            spread,
            drop,
            by_energy: chance.one_in(4.0),
            bend,
            step,
            rounding,
            energy: Vec::new(),
            cut_off: 0.0,
        };
        pack.count(cruise);
        let amp = pack.current(cruise, -pack.below);
        pack.cut_off = pack.lowest_cell(-pack.below, amp);
        pack
    }

    /// The table of energy by charge at a power, naively in small steps.
    fn count(&mut self, cruise: f64) {
        let span = self.charge + self.below;
        let piece = span / POINTS as f64;
        let mut sum = 0.0;
        self.energy = vec![0.0];
        for point in 0..POINTS {
            let charge = -self.below + (point as f64 + 0.5) * piece;
            let amp = self.current(cruise, charge);
            sum += piece * (self.open(charge, self.spread) - amp * self.resistance(charge));
            self.energy.push(sum);
        }
        let zero = self.energy_of(0.0);
        self.energy.iter_mut().for_each(|energy| *energy -= zero);
    }

    /// Energy between a charge and displayed 0 at cruising power, J; negative in the reserve.
    pub fn energy_of(&self, charge: f64) -> f64 {
        let at = ((charge + self.below) / (self.charge + self.below) * POINTS as f64).clamp(0.0, POINTS as f64);
        let low = (at as usize).min(POINTS - 1);
        self.energy[low] + (at - low as f64) * (self.energy[low + 1] - self.energy[low])
    }

    /// Usable energy, full to displayed 0, at cruising power, J.
    pub fn usable(&self) -> f64 {
        self.energy_of(self.charge)
    }

    /// Energy from displayed 0 until the car stops, J.
    pub fn reserve(&self) -> f64 {
        -self.energy_of(-self.below)
    }

    /// Open-circuit voltage of the pack, V, its cells holding `more` than the lowest, in parts.
    fn open(&self, charge: f64, more: f64) -> f64 {
        self.cells * self.cell(charge, more)
    }

    fn cell(&self, charge: f64, more: f64) -> f64 {
        let share = ((charge + self.below) / (self.charge + self.below)).clamp(0.0, 1.0);
        let fill = self.rest + (1.0 - self.rest - self.spread) * share + more;
        between(&CHARGE, &self.curve, fill)
    }

    fn resistance(&self, charge: f64) -> f64 {
        let share = charge / self.charge;
        self.ohm * (1.0 + 1.2 * libm::exp(-(share.max(0.0)) / 0.05))
    }

    /// The current that gives a power, A.
    pub fn current(&self, power: f64, charge: f64) -> f64 {
        let (open, ohm) = (self.open(charge, self.spread), self.resistance(charge));
        (open - (open * open - 4.0 * ohm * power).max(0.0).sqrt()) / (2.0 * ohm)
    }

    /// Voltage at the terminals, V.
    pub fn voltage(&self, charge: f64, amp: f64) -> f64 {
        self.open(charge, self.spread) - amp * self.resistance(charge)
    }

    /// Voltage of the lowest cell, V.
    pub fn lowest_cell(&self, charge: f64, amp: f64) -> f64 {
        self.cell(charge, 0.0) - amp * self.resistance(charge) / self.cells
    }

    /// What the display would say without steps, in parts.
    pub fn level(&self, charge: f64) -> f64 {
        let share = if self.by_energy { self.energy_of(charge) / self.usable() } else { charge / self.charge };
        if share <= 0.0 {
            return 0.0;
        }
        let even = self.drop + (1.0 - self.drop) * share.min(1.0);
        let [one, two] = self.bend;
        let bent = even + one * 4.0 * even * (1.0 - even) + two * libm::sin(std::f64::consts::TAU * even);
        // A display never says 0 for bending alone.
        let bent = bent.max(0.5 * share);
        // The last moments of a pack that drops.
        const MOMENTS: f64 = 0.004;
        if self.drop > 0.0 && share < MOMENTS { bent * share / MOMENTS } else { bent.min(1.0) }
    }

    /// A level as shown.
    pub fn shown(&self, level: f64) -> f64 {
        let steps = level / self.step;
        let all = 1.0 / self.step;
        let whole = match self.rounding {
            Rounding::Up => (steps - 1e-9).ceil(),
            Rounding::Nearest => (steps * (1.0 - 0.5 / all) + 0.5 + 1e-9).round().max((steps > 0.0).into()),
            Rounding::Down => (steps * (1.0 - 1.0 / all) + 1.0 + 1e-9).floor().max((steps > 0.0).into()),
        };
        if level <= 0.0 { 0.0 } else { whole * self.step }
    }
}
