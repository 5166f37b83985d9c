//! A rehearsed test drawn by its seed: car, pack, display, sensors, air, road and what goes wrong.
//!
//! How wide each is drawn stands in `docs/uncertainty.md`: the sensors' errors as wide as their declared tolerances, the
//! display's as wide as the method assumes. Drives nothing and judges nothing.

use std::fmt::Write as _;

use drawdown::course::Course;
use drawdown::document::Document;
use drawdown::reduce::capacity::BEND_SD;
use drawdown::rehearsal::Scenario;

/// A seeded sequence (Vigna's splitmix64).
pub struct Chance(u64);

impl Chance {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    /// Evenly from 0 to 1.
    fn share(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }
    fn between(&mut self, least: f64, most: f64) -> f64 {
        least + (most - least) * self.share()
    }
    fn one_in(&mut self, n: f64) -> bool {
        self.share() * n < 1.0
    }
    fn of<T: Copy>(&mut self, all: &[T]) -> T {
        all[((self.share() * all.len() as f64) as usize).min(all.len() - 1)]
    }
    /// Normal with a standard deviation (Box and Muller).
    fn normal(&mut self, deviation: f64) -> f64 {
        let radius = (-2.0 * libm::log(1.0 - self.share())).sqrt();
        deviation * radius * libm::cos(std::f64::consts::TAU * self.share())
    }
}

/// One standard uncertainty of every sensor, as the map declares it.
#[derive(Clone, Copy, Debug)]
pub struct Declared {
    pub current_gain: f64,
    pub current_zero: f64,
    pub voltage_gain: f64,
    pub speed_scale: f64,
}

/// What common practice assumes where a map declares nothing, and a good data sheet.
const DECLARED: [Declared; 2] = [
    Declared { current_gain: 0.02, current_zero: 1.0, voltage_gain: 0.005, speed_scale: 0.01 },
    Declared { current_gain: 0.005, current_zero: 0.3, voltage_gain: 0.002, speed_scale: 0.004 },
];

/// A test, ready to be driven.
pub struct Drawn {
    pub scenario: Scenario,
    pub course: Course,
    pub declared: Declared,
    /// Period of voltage and current, s.
    pub period_s: f64,
    /// Period of the displayed state of charge, s.
    pub soc_period_s: f64,
    /// The contactors are told; they stand open for a while before the drive.
    pub contactor: bool,
    /// Nothing but the declared tolerances is at work in what is read directly: no gap, samples close together.
    pub plain: bool,
}

/// The test of a seed.
pub fn test(seed: u64) -> Drawn {
    let mut chance = Chance(seed.wrapping_mul(0xd134_2543_de82_ef95) ^ 0x5eed);
    chance.bits();
    let declared = chance.of(&DECLARED);
    let contactor = chance.one_in(3.0);
    let period_s = chance.of(&[0.1, 0.1, 0.1, 0.5, 1.0]);
    let soc_period_s = chance.of(&[0.5, 1.0]);
    let mut text = format!("car = 'Heron'\nseed = {}\n", seed & 0xffff_ffff);
    text += "start = '2027-03-14T06:15:02Z'\ncourse = 'drawn.toml'\nstep_ms = 100\nbus = { name = 'can0' }\nperiod_ms = {}\n";
    let gaps = if chance.one_in(2.0) { 0 } else { chance.of(&[1, 1, 2, 3]) };
    let hours = air_and_vehicle(&mut chance, &mut text);
    for _ in 0..gaps {
        let (start, length) = (chance.between(300.0, hours * 3_600.0), chance.between(2.0, 40.0));
        let _ = write!(text, "\n[[gap]]\nstart_s = {start:.1}\nduration_s = {length:.1}\n");
    }
    display(&mut chance, &mut text);
    sensors(&mut chance, &mut text, &declared);
    drive(&mut chance, &mut text, hours);
    if contactor {
        let rest = chance.between(30.0, 240.0);
        let _ = write!(text, "\n[charge_before]\nfrom_percent = 97.4\npower_kw = 30\nrest_s = {rest:.0}\n");
    }
    let (scenario, faults) = Scenario::parse(Document::from_text("drawn scenario", &*text));
    let scenario = scenario.unwrap_or_else(|| panic!("{}\n{text}", said(&faults)));
    let course = course(&mut chance);
    Drawn { scenario, course, declared, period_s, soc_period_s, contactor, plain: gaps == 0 && period_s < 0.2 }
}

fn said(faults: &[drawdown::document::Fault]) -> String {
    faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}

/// The air, the car and its pack; about how many hours it will drive.
fn air_and_vehicle(chance: &mut Chance, text: &mut String) -> f64 {
    let degrees = chance.between(-5.0, 32.0);
    let density = 1.225 * 288.0 / (273.0 + degrees) * chance.between(0.93, 1.02);
    let (along, across) = (chance.normal(3.0), chance.normal(3.0));
    let gust = chance.between(0.3, 1.5);
    let _ = write!(
        text,
        "\n[air]\ntemperature_degc = {degrees:.2}\ndensity_kg_per_m3 = {density:.4}\nwind_out_mps = {along:.3}\n\
         wind_across_mps = {across:.3}\ngust_mps = {gust:.3}\n"
    );
    let (mass, drag) = (chance.between(1_500.0, 2_500.0), chance.between(0.52, 0.8));
    let rolling = chance.between(0.0075, 0.0105);
    let (start, steady) = if degrees < 15.0 {
        (150.0 * (20.0 - degrees), 60.0 * (20.0 - degrees))
    } else {
        (90.0 * (degrees - 12.0), 45.0 * (degrees - 12.0))
    };
    let (cold, cold_s) = (chance.between(0.0, 0.25), chance.between(400.0, 1_800.0));
    let accessory = chance.between(200.0, 600.0);
    let regeneration = chance.between(30.0, 90.0);
    let _ = write!(
        text,
        "\n[vehicle]\nmass_kg = {mass:.0}\nrotating_mass_kg = 55\nrolling_resistance = {rolling:.5}\n\
         drag_area_m2 = {drag:.4}\ndrive_efficiency = 0.9\npower_limit_kw = 140\naccessory_w = {accessory:.0}\n\
         regeneration = {{ limit_kw = {regeneration:.0}, efficiency = 0.82 }}\n\
         climate = {{ start_w = {start:.0}, steady_w = {steady:.0}, decay_s = 420 }}\n\
         cold_tyres = {{ share = {cold:.3}, time_s = {cold_s:.0} }}\nwheel_gain = WHEELS\n"
    );
    let (amp_hours, cells) = (chance.between(70.0, 150.0), chance.of(&[90, 96, 108]));
    pack(chance, text, amp_hours, cells, degrees);
    0.8 * amp_hours * f64::from(cells) * 3.7 / 19_000.0
}

/// The pack: open-circuit curves of four kinds, one of them flat, each bent a little.
fn pack(chance: &mut Chance, text: &mut String, amp_hours: f64, cells: u32, degrees: f64) {
    const CHARGE: [f64; 15] = [0.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 95.0, 100.0];
    const CURVES: [[f64; 15]; 4] = [
        [3.00, 3.17, 3.33, 3.44, 3.50, 3.545, 3.60, 3.645, 3.70, 3.785, 3.88, 3.97, 4.07, 4.125, 4.19],
        [2.95, 3.12, 3.28, 3.42, 3.47, 3.51, 3.57, 3.62, 3.68, 3.80, 3.92, 4.00, 4.08, 4.13, 4.20],
        [2.70, 3.00, 3.12, 3.19, 3.22, 3.24, 3.27, 3.285, 3.29, 3.30, 3.325, 3.33, 3.335, 3.34, 3.40],
        [3.05, 3.20, 3.34, 3.45, 3.53, 3.58, 3.63, 3.67, 3.74, 3.83, 3.90, 3.99, 4.09, 4.14, 4.18],
    ];
    let curve = chance.of(&CURVES);
    let (tilt, hump) = (chance.normal(0.03), chance.normal(0.02));
    let points = CHARGE.iter().zip(curve).map(|(percent, volt)| {
        let x = percent / 100.0;
        format!("[{percent}, {:.4}]", volt + tilt * (x - 1.0) + hump * 4.0 * x * (1.0 - x))
    });
    let points = points.collect::<Vec<_>>().join(", ");
    let ohm = chance.between(0.04, 0.1);
    let warm = degrees + chance.between(0.0, 12.0);
    let (slow, slow_s) = (chance.between(0.2, 0.6) * ohm, chance.between(30.0, 120.0));
    let _ = write!(
        text,
        "\n[pack]\ncapacity_ah = {amp_hours:.2}\ncells_in_series = {cells}\nfull_percent = 97.5\ncell_cutoff_v = 2.6\n\
         temperature_degc = {warm:.2}\nheat_capacity_j_per_degc = 3.3e5\ncooling_w_per_degc = 14\n\
         open_circuit_v = [{points}]\n\
         resistance = {{ ohm = {ohm:.4}, per_degc = 0.018, over_soc = [[0, 2.6], [5, 1.7], [12, 1.2], [25, 1.0], [100, 1.0]] }}\n\
         polarisation = {{ ohm = {slow:.4}, time_s = {slow_s:.0} }}\n"
    );
}

/// The battery computer and its display: bent by the priors of the method, and with what the method does not know.
fn display(chance: &mut Chance, text: &mut String) {
    let bottom = chance.between(2.5, 8.0);
    let step = chance.of(&[0.5, 1.0]);
    let bend = bend(chance, step);
    let rounding = chance.of(&["nearest", "nearest", "down", "up"]);
    let filter = chance.between(0.0, 15.0);
    let counting = chance.normal(0.01);
    let cycle = chance.of(&[0.5, 1.0]);
    let _ = write!(
        text,
        "\n[computer]\ncycle_s = {cycle}\ncounting_gain = {counting:.5}\ndisplayed_top_percent = 97.5\n\
         displayed_bottom_percent = {bottom:.3}\nbend_curve = [{bend}]\n\
         wander_percent = 0.2\nfilter_s = {filter:.2}\nstep_percent = {step}\nrounding = '{rounding}'\n\
         assumed_energy_kwh = 48\nassumed_wh_per_km = 178\n"
    );
    let plateau = chance.between(0.0, 2.0);
    let made_up = if chance.one_in(2.0) { ", made_up_at_percent = 95" } else { "" };
    let _ = writeln!(text, "plateau = {{ percent = {plateau:.3}{made_up} }}");
    if chance.one_in(4.0) {
        let (below, by) = (chance.between(5.0, 95.0), chance.normal(1.0));
        let _ = writeln!(text, "jump = [{{ below_percent = {below:.2}, by_percent = {by:.3} }}]");
    }
}

/// The bend, in points: six modes as high as the method assumes, in every other test of the method's own shapes, else of
/// others; and every tick early or late by a tenth of a step (%) for itself.
fn bend(chance: &mut Chance, step: f64) -> String {
    let own = chance.one_in(2.0);
    // Legendre's polynomials by their recurrence, times what is nothing at both ends.
    let other = |mode: usize, x: f64| {
        let (z, mut before, mut now) = (2.0 * x - 1.0, 0.0, 1.0);
        for n in 0..mode {
            let n = n as f64;
            (before, now) = (now, ((2.0 * n + 1.0) * z * now - n * before) / (n + 1.0));
        }
        4.0 * x * (1.0 - x) * now
    };
    let mode = |mode: usize, x: f64| match mode {
        _ if !own => other(mode, x),
        0 => 4.0 * x * (1.0 - x),
        _ => libm::sin((mode + 1) as f64 * std::f64::consts::PI * x),
    };
    let last = (100.0 / step) as usize;
    let at = |point: usize| point as f64 / last as f64;
    let mut bend: Vec<f64> = (0..=last).map(|_| chance.normal(0.1 * step)).collect();
    (bend[0], bend[last]) = (0.0, 0.0);
    for (index, deviation) in BEND_SD.iter().enumerate() {
        let highest = (0..=last).map(|point| mode(index, at(point)).abs()).fold(0.0, f64::max);
        let height = chance.normal(100.0 * deviation / highest);
        bend.iter_mut().enumerate().for_each(|(point, sum)| *sum += height * mode(index, at(point)));
    }
    let point = |(point, sum): (usize, &f64)| format!("[{}, {sum:.5}]", at(point) * 100.0);
    let points: Vec<String> = bend.iter().enumerate().map(point).collect();
    points.join(", ")
}

fn sensors(chance: &mut Chance, text: &mut String, declared: &Declared) {
    let gain = chance.normal(declared.current_gain);
    // The zero wanders by 0.3 of its tolerance in an hour; with that it has the declared size over a drive.
    let (zero, drift) = (chance.normal(0.95 * declared.current_zero), 0.3 * declared.current_zero);
    let voltage = chance.normal(declared.voltage_gain);
    let skew_ms = chance.normal(5.0).clamp(-25.0, 25.0);
    let noise = chance.between(0.05, 0.4);
    let _ = write!(
        text,
        "\n[sensors]\nspeed_noise_kmh = 0.02\n\
         current = {{ gain = {gain:.6}, zero_a = {zero:.5}, drift_a_per_root_h = {drift:.4}, noise_a = {noise:.3}, \
         resolution_a = 0.1, delay_ms = {:.3} }}\n\
         voltage = {{ gain = {voltage:.6}, noise_v = 0.05, resolution_v = 0.1, delay_ms = 25 }}\n",
        25.0 + skew_ms
    );
    *text = text.replace("WHEELS", &format!("{:.6}", chance.normal(declared.speed_scale)));
}

fn drive(chance: &mut Chance, text: &mut String, hours: f64) {
    let (target, stand) = (chance.between(85.0, 125.0), chance.between(40.0, 300.0));
    let _ = write!(
        text,
        "\n[drive]\nfrom = 'Ashmere'\nturns = ['Low Farrow', 'Ashmere Cross']\ntarget_kmh = {target:.1}\n\
         wander_kmh = 0.4\nstand_before_s = {stand:.0}\nstand_after_s = 45\n"
    );
    for _ in 0..chance.of(&[0, 1, 2, 3, 5]) {
        let (start, length) = (chance.between(2.0, hours * target), chance.between(0.5, 6.0));
        let slow = chance.between(40.0, 95.0);
        let _ = write!(
            text,
            "\n[[drive.traffic]]\nstart_km = {start:.1}\nlength_km = {length:.1}\nspeed_kmh = {slow:.0}\n"
        );
    }
}

/// An invented road in the open ocean, hilly, with chargers close enough to be reached.
fn course(chance: &mut Chance) -> Course {
    const PLACES: [(&str, f64); 6] = [
        ("Ashmere", 0.0),
        ("Ashmere Cross", 3.0),
        ("Fallow Rise", 16.0),
        ("Penfold", 27.0),
        ("Harrow Top", 41.0),
        ("Low Farrow", 52.0),
    ];
    let mut text = "name = 'Ashmere to Low Farrow'\n".to_owned();
    for (name, km) in PLACES {
        let height = chance.between(10.0, 260.0);
        let east = -123.0 + km / 74.6;
        let turn = !matches!(name, "Ashmere" | "Harrow Top");
        let _ = write!(
            text,
            "\n[[place]]\nname = '{name}'\nkm = {km}\nelevation_m = {height:.0}\nposition = [-48.0, {east:.6}]\ncharger = true\n"
        );
        if turn {
            text += "turn = true\nturn_km = 0.9\nturn_s = 75\n";
        }
    }
    let (course, faults) = Course::parse(&Document::from_text("drawn course", &*text));
    course.unwrap_or_else(|| panic!("{}\n{text}", said(&faults)))
}
