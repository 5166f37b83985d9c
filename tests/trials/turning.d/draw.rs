//! A test of the trial drawn by its seed: car, pack, display, air, and what goes wrong on the way.
//!
//! How wide each is drawn stands in `docs/turning.md`. Drives nothing.

use drawdown::plan::pilot::CutOff;
use drawdown::plan::{Guess, Known};
use drawdown::quantity::MetrePerSecond;

use super::chance::Chance;
use super::courses::Road;
use super::pack::Pack;

/// A car's way of taking energy, SI.
#[derive(Clone, Debug)]
pub struct Vehicle {
    pub mass: f64,
    pub rolling: f64,
    pub drag_area: f64,
    pub drive: f64,
    pub regain: f64,
    pub accessory: f64,
    pub climate_start: f64,
    pub climate: f64,
    pub cold_share: f64,
    pub cold_s: f64,
}

/// The air along the road, m/s; against who drives out is positive.
#[derive(Clone, Debug)]
pub struct Air {
    pub density: f64,
    pub wind: f64,
    pub drift: f64,
    pub shelter: f64,
    pub gust: f64,
}

/// A stretch of time.
#[derive(Clone, Copy, Debug)]
pub struct While {
    pub from: f64,
    pub to: f64,
    /// m/s, or W.
    pub value: f64,
}

/// The pack is warmed on the way to the charger.
#[derive(Clone, Copy, Debug)]
pub struct Warming {
    pub power: f64,
    /// So far from the charger it begins, m; so long it lasts, s; and not below a displayed share.
    pub within: f64,
    pub lasts: f64,
    pub not_below: f64,
}

/// The charger is taken or dead.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Taken {
    No,
    OnArrival,
    /// Told so far before it, m.
    Told(f64),
}

/// What the bus tells.
#[derive(Clone, Copy, Debug)]
pub struct Tells {
    pub cell: bool,
    pub heaters: bool,
    pub rest: bool,
    pub temperature: bool,
}

/// A drawn test.
pub struct Test {
    pub seed: u64,
    pub road: usize,
    pub is_known: bool,
    pub pack: Pack,
    pub vehicle: Vehicle,
    pub air: Air,
    pub target: f64,
    /// Mean energy per distance in still air on a level road, warm, J/m.
    pub per_metre: f64,
    pub traffic: Vec<While>,
    pub extra: Vec<While>,
    pub lost: Vec<While>,
    pub warming: Option<Warming>,
    pub taken: Taken,
    pub tells: Tells,
    /// Sensors: energy, wheel speed, in parts too much.
    pub energy_gain: f64,
    pub wheel_gain: f64,
    /// The car's own guess of its usable energy and energy per distance, in parts too much.
    pub own: [f64; 2],
    /// The passenger marks turns.
    pub marks: bool,
    /// What is known before, by the program.
    pub known: Known,
}

/// Power at a steady speed in still air on a level road, W.
fn cruise(vehicle: &Vehicle, density: f64, speed: f64) -> f64 {
    let force = vehicle.mass * 9.81 * vehicle.rolling + 0.5 * density * vehicle.drag_area * speed * speed;
    force * speed / vehicle.drive + vehicle.accessory + vehicle.climate
}

/// The test of a seed: courses and known cars take turns.
pub fn test(seed: u64, roads: &[Road]) -> Test {
    let mut chance = Chance::of(seed, 1);
    let road = (seed % roads.len() as u64) as usize;
    let is_known = (seed / roads.len() as u64) % 2 == 1;
    let target = chance.between(85.0, 125.0) / 3.6;
    let (vehicle, air) = car_and_air(&mut chance);
    let power = cruise(&vehicle, air.density, target);
    // Known or not, some cars stop as soon as they show 0.
    let reserve = match is_known {
        true => chance.between(0.005, 0.05),
        false if chance.one_in(3.0) => 0.0,
        false => chance.between(0.0, 0.04),
    };
    let kwh = chance.between(34.0, 66.0);
    let pack = Pack::draw(&mut chance, kwh * 3.6e6, reserve, power);
    let hours = kwh * 3.6e6 / power / 3_600.0;
    let energy_gain = chance.normal(0.007);
    let tells = Tells {
        cell: !chance.one_in(3.0),
        heaters: chance.one_in(2.0),
        rest: chance.one_in(2.0),
        temperature: chance.one_in(2.0),
    };
    let known = known(&mut chance, &pack, is_known, power / target, energy_gain, tells);
    let traffic = whiles(&mut chance, hours, 5, [60.0, 500.0], [14.0, 0.9 * target]);
    let extra =
        if chance.one_in(5.0) { whiles(&mut chance, hours, 1, [300.0, 1_800.0], [1_000.0, 2_500.0]) } else { vec![] };
    let mut lost = if chance.one_in(2.0) { whiles(&mut chance, hours, 2, [60.0, 900.0], [0.0, 1.0]) } else { vec![] };
    if chance.one_in(10.0) {
        let from = chance.between(0.0, hours * 3_600.0);
        lost.push(While { from, to: from + chance.between(1_800.0, 3_600.0), value: 0.0 });
    }
    let warming = chance.one_in(4.0).then(|| Warming {
        power: chance.between(2_000.0, 5_000.0),
        within: chance.between(8_000.0, 25_000.0),
        lasts: chance.between(300.0, 1_200.0),
        not_below: chance.between(0.0, 0.15),
    });
    let taken = match (chance.one_in(25.0), chance.one_in(2.0)) {
        (false, _) => Taken::No,
        (true, false) => Taken::OnArrival,
        (true, true) => Taken::Told(chance.between(2_000.0, 25_000.0)),
    };
    let wheel_gain = chance.normal(0.005);
    let own = [chance.normal(0.02), chance.normal(0.05)];
    let marks = chance.one_in(2.0);
    let known = Known {
        course: Some(roads[road].course.clone()),
        target: Some(MetrePerSecond(target)),
        tolerance: Some(MetrePerSecond(1.0)),
        ..known
    };
    Test {
        seed,
        road,
        is_known,
        pack,
        vehicle,
        air,
        target,
        per_metre: power / target,
        traffic,
        extra,
        lost,
        warming,
        taken,
        tells,
        energy_gain,
        wheel_gain,
        own,
        marks,
        known,
    }
}

fn car_and_air(chance: &mut Chance) -> (Vehicle, Air) {
    let degrees = chance.between(0.0, 30.0);
    let cold = (20.0 - degrees).max(0.0);
    let vehicle = Vehicle {
        mass: chance.between(1_500.0, 2_400.0),
        rolling: chance.between(0.0075, 0.0105),
        drag_area: chance.between(0.52, 0.78),
        drive: 0.9,
        regain: chance.between(0.65, 0.8),
        accessory: chance.between(200.0, 500.0),
        climate_start: 500.0 + 120.0 * cold,
        climate: 150.0 + 50.0 * cold,
        cold_share: chance.between(0.0, 0.2),
        cold_s: chance.between(600.0, 1_800.0),
    };
    let air = Air {
        density: 1.225 * 288.0 / (273.0 + degrees) * chance.between(0.94, 1.02),
        // At the height of a car about half of the wind at 10 m; in more than 5 m/s of that nobody begins a test.
        wind: chance.normal(1.5).clamp(-4.0, 4.0),
        drift: 0.7,
        shelter: 0.5,
        gust: chance.between(0.4, 1.2),
    };
    (vehicle, air)
}

/// What the program is told before the drive.
fn known(chance: &mut Chance, pack: &Pack, is_known: bool, per_metre: f64, gain: f64, tells: Tells) -> Known {
    let u = if is_known { chance.between(0.01, 0.015) } else { 0.03 };
    // An earlier test was measured by the same sensors; and no day is like another.
    let same = if is_known { (1.0 + gain) * (1.0 + chance.normal(0.005)) } else { 1.0 };
    let usable = pack.usable() * same * (1.0 + chance.normal(u));
    let below = pack.reserve() * (1.0 + chance.normal(0.15)).max(0.2);
    let off = if is_known { 0.03 } else { 0.06 };
    let expected = per_metre * same * (1.0 + chance.normal(off));
    let per_metre = (is_known || !chance.one_in(3.0)).then(|| Guess::new(expected, off * expected));
    let told = tells.cell && if is_known { chance.one_in(2.0) } else { chance.one_in(4.0) };
    let cell = told.then(|| pack.cut_off + chance.normal(if is_known { 0.02 } else { 0.05 }));
    // A tester who has seen a car's display fall to 0 from some per cent keeps them as a floor of his own.
    let fell = (pack.drop + chance.normal(0.005)).max(0.0);
    let floor_share = (is_known && pack.drop > 0.0).then(|| (fell * 100.0).ceil() / 100.0);
    Known {
        floor_share,
        usable: Some(Guess::new(usable, u * usable)),
        reserve: is_known.then(|| Guess::new(below, 0.15 * below)),
        per_metre,
        cut_off: CutOff { cell, pack: None },
        ..Known::default()
    }
}

/// Up to so many stretches of time, of lengths in s, with values.
fn whiles(chance: &mut Chance, hours: f64, most: usize, lengths: [f64; 2], values: [f64; 2]) -> Vec<While> {
    let count = if most == 1 { 1 } else { chance.below(most + 1) };
    let one = |_| {
        let from = chance.between(300.0, hours * 3_600.0);
        While { from, to: from + chance.between(lengths[0], lengths[1]), value: chance.between(values[0], values[1]) }
    };
    (0..count).map(one).collect()
}
