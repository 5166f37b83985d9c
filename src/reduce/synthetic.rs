//! Invented discharges for tests: a small pack model whose truth is known, seen through sensors with drawn errors.
//!
//! Shares no formula with the reduction: it integrates row by row, bends the display by solving for it, and knows the truth.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

use super::fold::{Folder, TraceChunk, columns};
use super::input::{Gap, Missing, RoleUse, RunInput};
use super::sampling::Sampling;
use crate::ledger::Phase;
use crate::map::{Basis, Sent};
use crate::schema::Role;
use crate::time::WallClock;

/// A source of repeatable chance.
pub struct Chance(ChaCha8Rng);

impl Chance {
    pub fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }
    /// Uniform in 0..1.
    pub fn uniform(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }
    /// Standard normal (Box and Muller).
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// A pack, its display and its sensors.
#[derive(Clone, Debug)]
pub struct Car {
    /// Charge from full to the display's 0, C.
    pub whole: f64,
    /// Open-circuit voltage at full, its fall to empty, the hump of the curve and the fall at the very bottom, V.
    pub voltage: [f64; 4],
    /// Ohm.
    pub resistance: f64,
    /// Remaining share = d + sum of these times the modes (not the reduction's own: polynomials).
    pub bend: [f64; 3],
    /// Step of the display, percent, and the part of a step by which it rounds up: 0 floor, 0.5 nearest, 1 ceiling.
    pub step: (f64, f64),
    /// True errors: current gain, current zero (A), voltage gain.
    pub errors: [f64; 3],
    /// Mean power, W.
    pub power: f64,
    /// How far the power sways about it: 0.25 by half of it, a minute or so at a time.
    pub sway: f64,
}

impl Car {
    /// One without errors, of 60 kWh or so.
    pub fn plain() -> Self {
        Self {
            whole: 160.0 * 3600.0,
            voltage: [400.0, 50.0, 0.0, 0.0],
            resistance: 0.08,
            bend: [0.0; 3],
            step: (1.0, 0.5),
            errors: [0.0; 3],
            power: 20_000.0,
            sway: 0.25,
        }
    }

    /// One with everything drawn: sensors as common practice assumes, a display as bent as the prior is wide.
    pub fn drawn(chance: &mut Chance) -> Self {
        let mut plain = Self::plain();
        plain.whole *= 0.5 + chance.uniform();
        plain.voltage = [
            360.0 + 80.0 * chance.uniform(),
            20.0 + 60.0 * chance.uniform(),
            16.0 * (chance.uniform() - 0.5),
            20.0 * chance.uniform(),
        ];
        plain.resistance = 0.04 + 0.1 * chance.uniform();
        plain.bend = [0.02 * chance.normal(), 0.008 * chance.normal(), 0.004 * chance.normal()];
        plain.step =
            ([0.5, 1.0][usize::from(chance.uniform() < 0.5)], [0.0, 0.5, 1.0][(3.0 * chance.uniform()) as usize]);
        plain.errors = [0.02 * chance.normal(), chance.normal(), 0.005 * chance.normal()];
        plain.power = 14_000.0 + 12_000.0 * chance.uniform();
        plain
    }

    fn open_voltage(&self, remaining: f64) -> f64 {
        let [full, fall, hump, bottom] = self.voltage;
        full - fall * (1.0 - remaining) + hump * 4.0 * remaining * (1.0 - remaining)
            - bottom * (-remaining / 0.03).exp()
    }

    /// The remaining share at an unrounded display of d.
    fn remaining(&self, d: f64) -> f64 {
        let middle = d - 0.5;
        let hump = 4.0 * d * (1.0 - d);
        d + hump * (self.bend[0] - 5.2 * middle * self.bend[1] + self.bend[2] * (1.0 - 20.0 * middle * middle))
    }

    fn displayed(&self, remaining: f64) -> f64 {
        // The display is the inverse of `remaining`: by halving, which needs no derivative.
        let (mut low, mut high) = (-0.2, 1.2);
        for _ in 0..26 {
            let middle = (low + high) / 2.0;
            if self.remaining(middle) < remaining { low = middle } else { high = middle }
        }
        let (step, up) = self.step;
        ((low * 100.0 / step + up).floor() * step).clamp(0.0, 100.0)
    }
}

/// A whole discharge, row by row, from full until 0 has been displayed for a while.
pub struct Drive {
    names: Vec<&'static str>,
    columns: Vec<Vec<f64>>,
    soc: Vec<f64>,
    /// True net energy so far, J, and charge so far, C, by row.
    pub truth: Vec<(f64, f64)>,
}

/// Seconds a row.
const ROW_S: f64 = 2.0;

impl Drive {
    pub fn of(car: &Car, chance: &mut Chance) -> Self {
        let names = columns();
        let place = |name: &str| names.iter().position(|n| *n == name).unwrap();
        let cells =
            ["energy_out", "energy_in", "charge_out", "charge_in", "distance", "time_unobserved", "speed"].map(place);
        let (volt_at, current_at, soc_at) = (place("pack_voltage"), place("pack_current"), place("soc"));
        let zeros = [place("energy_charged"), place("charge_charged")];
        let mut drive =
            Self { names: names.clone(), columns: vec![Vec::new(); names.len()], soc: Vec::new(), truth: Vec::new() };
        let (mut used, mut energy, mut sums) = (0.0, 0.0, [0.0; 5]);
        let (mut sway, mut shown_zero) = (0.0, 0);
        let mut last: Option<(f64, f64, f64, f64)> = None;
        while shown_zero < 30 && drive.soc.len() < 20_000 {
            sway = 0.97 * sway + car.sway * chance.normal();
            let power = car.power * (1.0 + 0.5 * sway);
            let open = car.open_voltage(1.0 - used / car.whole);
            let current =
                (open - (open * open - 4.0 * car.resistance * power).max(0.0).sqrt()) / (2.0 * car.resistance);
            let volt = open - car.resistance * current;
            let seen = (volt * (1.0 + car.errors[2]), current * (1.0 + car.errors[0]) + car.errors[1]);
            if let Some((v0, i0, v1, i1)) = last {
                used += ROW_S * (i0 + current) / 2.0;
                energy += ROW_S * (2.0 * v0 * i0 + v0 * current + volt * i0 + 2.0 * volt * current) / 6.0;
                add(&mut sums, (v1, i1), seen);
                sums[4] += 30.0 * ROW_S;
            }
            last = Some((volt, current, seen.0, seen.1));
            let soc = car.displayed(1.0 - used / car.whole);
            shown_zero += usize::from(soc <= 0.0);
            let mut row = vec![f64::NAN; names.len()];
            let values = [sums[0], sums[1], sums[2], sums[3], sums[4], 0.0, 30.0];
            cells.iter().zip(values).for_each(|(at, value)| row[*at] = value);
            zeros.iter().for_each(|at| row[*at] = 0.0);
            (row[volt_at], row[current_at], row[soc_at]) = (seen.0, seen.1, soc);
            drive.columns.iter_mut().zip(row).for_each(|(column, cell)| column.push(cell));
            drive.soc.push(soc);
            drive.truth.push((energy, used));
        }
        drive
    }

    /// The rows from when the display first falls to `from` percent (from the start, for 100) until it falls to `to`.
    pub fn window(&self, from: f64, to: f64) -> std::ops::Range<usize> {
        let reached = |value: f64| self.soc.iter().position(|soc| *soc <= value).unwrap_or(self.soc.len());
        let start = if from >= 100.0 { 0 } else { reached(from) };
        let end = if to <= 0.0 { self.soc.len() } else { reached(to) };
        start..end
    }

    /// The first row that shows so many percent or less.
    pub fn first_at(&self, value: f64) -> usize {
        self.soc.iter().position(|soc| *soc <= value).unwrap_or(self.soc.len())
    }

    /// True net energy, J, and charge, C, of some rows; and of the whole until 0 is first displayed.
    pub fn true_net(&self, rows: &std::ops::Range<usize>) -> (f64, f64) {
        let (a, b) = (self.truth[rows.start], self.truth[rows.end - 1]);
        (b.0 - a.0, b.1 - a.1)
    }

    /// See [`Self::true_net`].
    pub fn true_usable(&self) -> (f64, f64) {
        self.truth[self.soc.iter().position(|soc| *soc <= 0.0).unwrap_or(self.soc.len() - 1)]
    }

    fn column(&mut self, name: &str) -> &mut Vec<f64> {
        let at = self.names.iter().position(|known| *known == name).unwrap();
        &mut self.columns[at]
    }

    /// The same, some columns never read.
    pub fn without(mut self, names: &[&str]) -> Self {
        names.iter().for_each(|name| self.column(name).fill(f64::NAN));
        self
    }

    /// The same, a column filled by row.
    pub fn with(mut self, name: &str, value: impl Fn(usize) -> f64) -> Self {
        self.column(name).iter_mut().enumerate().for_each(|(row, cell)| *cell = value(row));
        self
    }

    /// The same, the display's readings sent as the battery computer's.
    pub fn with_soc_inside(mut self) -> Self {
        *self.column("soc_internal") = self.soc.clone();
        self.without(&["soc"])
    }

    /// A run of some rows.
    pub fn run(&self, name: &str, rows: std::ops::Range<usize>) -> RunInput {
        self.run_with_gap(name, rows, None)
    }

    /// Takes away what a silence of the pack from the row before `gap` to its last row would have taken.
    fn silence(&self, cells: &mut [Vec<f64>], gap: std::ops::Range<usize>) {
        let place = |name: &str| self.names.iter().position(|n| *n == name).unwrap();
        for at in ["energy_out", "energy_in", "charge_out", "charge_in"].map(place) {
            let column = &mut cells[at];
            let (before, after) = (column[gap.start - 1], column[gap.end - 1]);
            column[gap.clone()].fill(before);
            column[gap.end..].iter_mut().for_each(|cell| *cell -= after - before);
        }
        ["pack_voltage", "pack_current"].map(place).iter().for_each(|at| cells[*at][gap.clone()].fill(f64::NAN));
        let unobserved = &mut cells[place("time_unobserved")];
        for (row, cell) in unobserved.iter_mut().enumerate().skip(gap.start) {
            *cell = (row.min(gap.end - 1) + 1 - gap.start) as f64 * ROW_S;
        }
    }

    /// A run of some rows, the power unobserved for some of them.
    pub fn run_with_gap(
        &self,
        name: &str,
        rows: std::ops::Range<usize>,
        gap: Option<std::ops::Range<usize>>,
    ) -> RunInput {
        let mut folder = Folder::default();
        let mut cells: Vec<Vec<f64>> = self.columns.iter().map(|column| column[rows.clone()].to_vec()).collect();
        let t: Vec<i64> = (0..rows.len()).map(|row| (row as f64 * ROW_S * 1e6) as i64).collect();
        if let Some(gap) = &gap {
            self.silence(&mut cells, gap.start - rows.start..gap.end - rows.start);
        }
        let views: Vec<&[f64]> = cells.iter().map(Vec::as_slice).collect();
        folder.push(&TraceChunk { t_us: &t, phase: &vec![Phase::Drive; t.len()], columns: &views });
        let gaps = gap.map(|gap| Gap {
            missing: Missing::Power,
            from_s: (gap.start - rows.start - 1) as f64 * ROW_S,
            to_s: (gap.end - rows.start - 1) as f64 * ROW_S,
            part: 1.0,
        });
        RunInput {
            name: name.into(),
            vehicle: "invented".into(),
            start: WallClock::parse_iso("2027-03-14T06:15:02Z")
                .map(|at| WallClock(at.0 + rows.start as i64 * (ROW_S * 1e6) as i64)),
            soc_counts: Role::Soc,
            roles: [Role::PackCurrent, Role::PackVoltage, Role::Speed]
                .map(|role| RoleUse { role, gain: None, offset: None, basis: Basis::Assumed, sent: Sent::Cyclic })
                .to_vec(),
            gaps: gaps.into_iter().collect(),
            summary: folder.finish().into(),
            fixes: Vec::new(),
            unplaced: None,
            turned: Vec::new(),
            sampling: Some(Sampling { energy: [2e4, 2e4, 2e3], charge: 50.0, blocks: 40 }),
            cut: false,
            problems: Vec::new(),
        }
    }
}

fn add(sums: &mut [f64; 5], a: (f64, f64), b: (f64, f64)) {
    // Fine steps between the rows find the crossing of zero well enough.
    let pieces = if (a.1 > 0.0) == (b.1 > 0.0) { 1 } else { 64 };
    for piece in 0..pieces {
        let at = |k: usize| {
            let share = k as f64 / pieces as f64;
            (a.0 + (b.0 - a.0) * share, a.1 + (b.1 - a.1) * share)
        };
        let ((v0, i0), (v1, i1)) = (at(piece), at(piece + 1));
        let h = ROW_S / pieces as f64;
        let energy = h * (2.0 * v0 * i0 + v0 * i1 + v1 * i0 + 2.0 * v1 * i1) / 6.0;
        let side = usize::from(i0 + i1 < 0.0);
        sums[side] += energy.abs();
        sums[2 + side] += (h * (i0 + i1) / 2.0).abs();
    }
}
