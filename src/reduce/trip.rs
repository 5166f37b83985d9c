//! Invented drives for tests, second by second, along a straight road on the equator: their truth is arithmetic.
//!
//! Shares no formula with the reduction.

use super::fold::{Folder, RunSummary, TraceChunk, columns};
use super::input::{Fix, RoleUse, RunInput};
use super::sampling::Sampling;
use super::synthetic::Chance;
use crate::ledger::Phase;
use crate::map::{Basis, Sent};
use crate::schema::Role;
use crate::time::WallClock;

/// A degree of longitude on the equator, m: a pi / 180 with a = 6,378,137 m (WGS84), a geodesic there.
pub const DEGREE_M: f64 = 6_378_137.0 * std::f64::consts::PI / 180.0;

/// A drive: true speed (m/s) and direction along the road for every second.
#[derive(Clone, Debug)]
pub struct Trip {
    pub speed: Vec<f64>,
    pub direction: Vec<f64>,
    /// What the wheels read per true metre.
    pub wheels: f64,
    /// What the dial shows: gain, and m/s more.
    pub dial: (f64, f64),
    /// Energy per metre driven out and driven back, J.
    pub per_metre: [f64; 2],
    /// Power of everything else, W.
    pub other: f64,
    /// Where the road lies: degrees east at its begin.
    pub begin: f64,
    /// Noise of positions, m, and of the receiver's speed, m/s.
    pub noise: (f64, f64),
    /// Columns that the map does not fill.
    pub without: Vec<&'static str>,
}

impl Trip {
    /// Twice to and fro at 110 km/h, 22 km each way, with wheels and dial that show too much and a noisy receiver.
    pub fn to_and_fro() -> Self {
        Self {
            wheels: 1.02,
            dial: (1.01, 0.8),
            per_metre: [650.0, 550.0],
            noise: (2.0, 0.1),
            ..Self::legs(110.0 / 3.6, &[22_000.0, 22_000.0, 22_000.0, 22_000.0])
        }
    }

    /// Standing for 20 s, then legs to and fro at a speed: each of a length, m, with 40 s at 10 m/s about each turn.
    pub fn legs(speed: f64, lengths: &[f64]) -> Self {
        let (mut speeds, mut direction) = (vec![0.0; 20], vec![1.0; 20]);
        let mut now: f64 = 0.0;
        for (leg, length) in lengths.iter().enumerate() {
            let sign = if leg % 2 == 0 { 1.0 } else { -1.0 };
            let mut done = 0.0;
            while done < *length {
                let slow = leg + 1 < lengths.len() && length - done < 200.0 || leg > 0 && done < 200.0;
                let wanted = if slow { 10.0 } else { speed };
                now += (wanted - now).clamp(-2.0, 1.5);
                done += now;
                speeds.push(now);
                direction.push(sign);
            }
        }
        while now > 0.0 {
            now = (now - 2.0).max(0.0);
            speeds.push(now);
            direction.push(*direction.last().unwrap());
        }
        Self {
            speed: speeds,
            direction,
            wheels: 1.0,
            dial: (1.0, 0.0),
            per_metre: [600.0, 600.0],
            other: 400.0,
            begin: 10.0,
            noise: (0.0, 0.0),
            without: Vec::new(),
        }
    }

    /// True metres up to each second's end; a second is driven at the mean of both ends' speeds.
    pub fn driven(&self) -> Vec<f64> {
        let mut sum = 0.0;
        let mut driven = vec![0.0];
        for pair in self.speed.windows(2) {
            sum += (pair[0] + pair[1]) / 2.0;
            driven.push(sum);
        }
        driven
    }

    /// Where the car is along the road at each second, m.
    pub fn places(&self) -> Vec<f64> {
        let driven = self.driven();
        let mut at = 0.0;
        let mut places = vec![0.0];
        for (second, pair) in driven.windows(2).enumerate() {
            at += self.direction[second + 1] * (pair[1] - pair[0]);
            places.push(at);
        }
        places
    }

    /// Net energy up to each second's end, J.
    pub fn energy(&self) -> Vec<f64> {
        let mut sum = 0.0;
        let mut energy = vec![0.0];
        for (second, pair) in self.driven().windows(2).enumerate() {
            sum += (pair[1] - pair[0]) * self.per_metre[usize::from(self.direction[second + 1] < 0.0)] + self.other;
            energy.push(sum);
        }
        energy
    }

    /// The receiver's fixes, one a second.
    pub fn fixes(&self) -> Vec<Fix> {
        let mut chance = Chance::new(5);
        let places = self.places();
        let fix = |(second, at): (usize, &f64)| Fix {
            t: second as f64,
            latitude: self.noise.0 * chance.normal() / DEGREE_M,
            longitude: self.begin + (at + self.noise.0 * chance.normal()) / DEGREE_M,
            altitude: 100.0,
            speed: (self.speed[second] + self.noise.1 * chance.normal()).max(0.0) as f32,
            hdop: 0.8,
        };
        places.iter().enumerate().map(fix).collect()
    }

    fn summary(&self, mut folder: Folder, zero: f64) -> RunSummary {
        let names = columns();
        let driven = self.driven();
        let energy = self.energy();
        let mut cells = vec![vec![f64::NAN; driven.len()]; names.len()];
        let mut put = |name: &str, of: &dyn Fn(usize) -> f64| {
            if !self.without.contains(&name) {
                let at = names.iter().position(|known| *known == name).unwrap();
                cells[at].iter_mut().enumerate().for_each(|(row, cell)| *cell = of(row));
            }
        };
        let power = |row: usize| if row == 0 { 0.0 } else { energy[row] - energy[row - 1] };
        put("distance", &|row| self.wheels * driven[row]);
        put("speed", &|row| self.wheels * self.speed[row]);
        put("odometer", &|row| ((5_000_000.0 + self.wheels * driven[row]) / 100.0).floor() * 100.0);
        put("speed_displayed", &|row| {
            let ends = [self.speed[row.saturating_sub(1)], self.speed[row]];
            self.dial.0 * (ends[0] + ends[1]) / 2.0 + self.dial.1
        });
        put("energy_out", &|row| energy[row]);
        put("charge_out", &|row| energy[row] / 400.0);
        put("pack_voltage", &|_| 400.0);
        put("pack_current", &|row| power(row) / 400.0);
        put("ambient_temperature", &|row| 10.0 + row as f64 / 1e3);
        for name in ["energy_in", "charge_in", "energy_charged", "charge_charged", "time_unobserved"] {
            put(name, &|_| 0.0);
        }
        let t: Vec<i64> = (0..driven.len()).map(|row| (row as f64 - zero) as i64 * 1_000_000).collect();
        let moving = |row: usize| self.speed[row] > 0.0 || row > 0 && self.speed[row - 1] > 0.0;
        let phase: Vec<Phase> = (0..t.len()).map(|row| if moving(row) { Phase::Drive } else { Phase::Stand }).collect();
        let views: Vec<&[f64]> = cells.iter().map(Vec::as_slice).collect();
        folder.push(&TraceChunk { t_us: &t, phase: &phase, columns: &views });
        folder.finish()
    }

    /// As a run.
    pub fn run(&self, name: &str) -> RunInput {
        self.between(name, f64::NEG_INFINITY, f64::INFINITY, 0.0)
    }

    /// Cut in two at a second; the second run's time begins there.
    pub fn cut(&self, at: usize) -> [RunInput; 2] {
        let at = at as f64;
        [self.between("run=1", f64::NEG_INFINITY, at, 0.0), self.between("run=2", at, f64::INFINITY, at)]
    }

    fn between(&self, name: &str, from: f64, to: f64, zero: f64) -> RunInput {
        let used = |role: Role| RoleUse { role, gain: None, offset: None, basis: Basis::Assumed, sent: Sent::Cyclic };
        let mut fixes = self.fixes();
        fixes.retain(|fix| (from..=to).contains(&fix.t));
        fixes.iter_mut().for_each(|fix| fix.t -= zero);
        RunInput {
            name: name.into(),
            vehicle: "invented".into(),
            start: WallClock::parse_iso("2027-03-14T06:15:02Z").map(|at| WallClock(at.0 + (zero * 1e6) as i64)),
            soc_counts: Role::Soc,
            roles: [Role::PackCurrent, Role::PackVoltage, Role::Speed, Role::Odometer].map(used).to_vec(),
            gaps: Vec::new(),
            summary: self.summary(Folder::between(from - zero, to - zero), zero).into(),
            fixes,
            unplaced: None,
            turned: Vec::new(),
            sampling: Some(Sampling { energy: [2e3, 2e3, 0.0], charge: 5.0, blocks: 40 }),
            cut: false,
            problems: Vec::new(),
        }
    }
}

/// A run with fixes that say this many true metres per metre by its wheels.
pub fn with_fixes(mut run: RunInput, scale: f64) -> RunInput {
    let seconds = &run.summary.seconds;
    let speed = |at: usize| {
        let (a, b) = (at.max(1) - 1, at.max(1));
        (seconds[b].sums.distance - seconds[a].sums.distance) / (seconds[b].t - seconds[a].t)
    };
    let fix = |at: usize| Fix {
        t: seconds[at].t,
        latitude: 0.0,
        longitude: seconds[at].sums.distance * scale / DEGREE_M,
        altitude: 100.0,
        speed: (speed(at) * scale) as f32,
        hdop: 0.8,
    };
    run.fixes = (0..seconds.len()).map(fix).collect();
    run
}
