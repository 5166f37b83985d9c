//! Where the energy went: to the drive, to each consumer that the map separates, to standing, back into the pack.
//!
//! A consumer's energy is the integral of its own power; what no sensor separates stays with the drive, and is said to. Of
//! time in which a consumer's power was not known the mean of the rest is taken, up to a stated share. Pure; does not guess
//! a consumer that the map does not have.

use super::energy::{Energy, Totals};
use super::estimate::{Estimate, Kind, Source};
use super::fold::{CONSUMERS, Step};
use super::reduction::Test;
use super::warm_up;
use crate::ledger::Phase;
use crate::schema::Role;

/// Gain of a consumer's own power, in parts, where the map gives none: common practice, no source.
const GAIN: f64 = 0.05;
/// Its zero, W, where the map gives none: common practice, no source.
const ZERO_W: f64 = 10.0;
/// Warming and cooling only.
const CLIMATE: [Role; 2] = [Role::HeaterPower, Role::CompressorPower];

/// A consumer.
#[derive(Clone, PartialEq, Debug)]
pub struct Consumer {
    /// Which; `None` for heater and compressor together: the climate control.
    pub role: Option<Role>,
    /// Its energy outside charging, J.
    pub energy: Estimate,
    /// That as a part of the net energy.
    pub share: Option<Estimate>,
}

/// Shares of the net energy outside charging.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Shares {
    /// What the map separates, in the order of the roles; the climate control last, where it is more than one of them.
    pub consumers: Vec<Consumer>,
    /// What is left: the drive, with all that the map does not separate; drive phases alone, J.
    pub drive: Option<Consumer>,
    /// Standing (no plug): energy, J, and mean power, W.
    pub standing: Option<(Estimate, Estimate)>,
    /// Energy that came back while driving as a part of what went out.
    pub recovered: Option<Estimate>,
    /// What warming up took beyond the steady power, J; see [`warm_up`].
    pub warm_up: Option<WarmUp>,
}

/// A warm-up.
#[derive(Clone, PartialEq, Debug)]
pub struct WarmUp {
    /// The consumers that it was found in.
    pub roles: Vec<Role>,
    /// Its energy, J.
    pub energy: Estimate,
    /// Steady power, power beyond it at the start, W, and decay time, s.
    pub decay: [f64; 3],
}

/// A consumer's sensor: one standard uncertainty of gain, in parts, and zero, W.
struct Sensor {
    gain: f64,
    zero: f64,
}

pub(super) fn of(test: &Test<'_>, totals: &Totals, energy: &Energy, problems: &mut Vec<String>) -> Shares {
    let Some(net) = &energy.net else { return Shares::default() };
    let all = |_: Phase| true;
    let mut shares = Shares::default();
    let mut separated = Estimate::exact(0.0);
    for (at, role) in CONSUMERS.into_iter().enumerate() {
        let Some((figure, unknown)) = consumed(test, at, role, all) else { continue };
        if unknown > test.options.estimated_share_max {
            let (name, share) = (role.info().meaning, crate::format::share(unknown));
            problems.push(format!("{name}: not measured, it was not known for {share} of the time"));
            continue;
        }
        if let Some((driving, _)) = consumed(test, at, role, |phase| phase == Phase::Drive) {
            separated = separated.add(&driving);
        }
        shares.consumers.push(Consumer { role: Some(role), share: figure.ratio(net), energy: figure });
    }
    let climate: Vec<&Consumer> =
        shares.consumers.iter().filter(|consumer| consumer.role.is_some_and(|role| CLIMATE.contains(&role))).collect();
    if let [heater, compressor] = climate[..] {
        let both = heater.energy.add(&compressor.energy);
        shares.consumers.push(Consumer { role: None, share: both.ratio(net), energy: both });
    }
    let driving = totals.figures(test, &totals.drive);
    let drive = driving.net.sub(&separated);
    shares.drive = Some(Consumer { role: None, share: drive.ratio(net), energy: drive });
    shares.standing = standing(test, totals);
    shares.recovered = driving.back.ratio(&driving.out).filter(|share| share.value > 0.0);
    shares.warm_up = warming(test);
    shares
}

/// The steps outside charging.
fn steps<'a>(test: &'a Test<'_>) -> impl Iterator<Item = Step<'a>> {
    let open = |step: &Step<'_>| step.phase() != Phase::Charge && step.dt() > 0.0;
    test.runs.iter().flat_map(|run| run.summary.steps()).filter(open)
}

/// A consumer's energy in some phases, and the share of the time for which its power was not known; `None` if it never was.
fn consumed(test: &Test<'_>, at: usize, role: Role, wanted: impl Fn(Phase) -> bool) -> Option<(Estimate, f64)> {
    let (mut energy, mut known, mut unknown) = (0.0, 0.0, 0.0);
    for step in steps(test).filter(|step| wanted(step.phase())) {
        let power = f64::from(step.to.consumers[at]);
        if power.is_finite() {
            energy += power * step.dt();
            known += step.dt();
        } else {
            unknown += step.dt();
        }
    }
    if known <= 0.0 {
        return None;
    }
    let (filled, share) = (energy * unknown / known, unknown / (known + unknown));
    let sensor = Sensor::of(test, role);
    let source = |what: &str| Source(format!("{what} of the {}", role.info().meaning).into());
    let figure = Estimate::exact(energy + filled)
        .with_b(source("gain"), (energy + filled) * sensor.gain)
        .with_b(source("zero"), (known + unknown) * sensor.zero)
        .with_bound(source("gaps"), filled);
    Some((figure, share))
}

impl Sensor {
    fn of(test: &Test<'_>, role: Role) -> Self {
        let used = test.runs.iter().find_map(|run| run.role(role));
        let of = |given: Option<f64>, default: f64| given.unwrap_or(default);
        Self { gain: of(used.and_then(|used| used.gain), GAIN), zero: of(used.and_then(|used| used.offset), ZERO_W) }
    }
}

/// Energy and mean power of standing.
fn standing(test: &Test<'_>, totals: &Totals) -> Option<(Estimate, Estimate)> {
    let time: f64 = steps(test).filter(|step| step.phase() == Phase::Stand).map(|step| step.dt()).sum();
    // Less than that is a stop at a light: nothing to tell of.
    (time >= 30.0).then(|| {
        let energy = totals.figures(test, &totals.stand).net;
        let power = energy.scale(1.0 / time);
        (energy, power)
    })
}

/// Warm-up of heater, compressor and the pack's heater together, from the test's first second with known powers on.
fn warming(test: &Test<'_>) -> Option<WarmUp> {
    let roles: Vec<(usize, Role)> = CONSUMERS
        .into_iter()
        .enumerate()
        .filter(|(_, role)| *role != Role::AccessoryPower)
        .filter(|(at, _)| steps(test).any(|step| step.to.consumers[*at].is_finite()))
        .collect();
    let run = test.runs.first().filter(|_| !roles.is_empty())?;
    let power = |step: &Step<'_>| roles.iter().map(|(at, _)| f64::from(step.to.consumers[*at])).sum::<f64>();
    let open = || run.summary.steps().filter(|step| step.phase() != Phase::Charge);
    let start = open().find(|step| power(step) > 0.0)?.from.t;
    let found = warm_up::fit(open().map(|step| (step.to.t - start, power(&step))))?;
    let gain = roles.iter().map(|(_, role)| Sensor::of(test, *role).gain).fold(0.0, f64::max);
    let (value, u) = found.energy;
    let energy = Estimate::exact(value)
        .with(Source::named("fit of the warm-up"), u, Kind::A, Some(found.dof))
        .with_b(Source::named("gain of the warm-up's consumers"), value * gain);
    let decay = [found.steady, found.at_start, found.tau];
    Some(WarmUp { roles: roles.into_iter().map(|(_, role)| role).collect(), energy, decay })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reduce::synthetic::{Car, Chance, Drive};
    use crate::reduce::{Options, Reduction, reduce};

    fn reduced(drive: &Drive) -> Reduction {
        reduce(&[drive.run("20270314T061502Z", 0..2_001)], None, &Options::default())
    }

    #[test]
    fn consumers_and_the_drive_make_up_the_whole() {
        // 1000 W and 250 W for 2000 rows of 2 s: 4.00 MJ and 1.00 MJ by hand.
        let drive = Drive::of(&Car::plain(), &mut Chance::new(2));
        let drive = drive.with("heater_power", |_| 1_000.0).with("compressor_power", |_| 250.0);
        let reduction = reduced(&drive);
        let energies: Vec<(Option<Role>, f64)> =
            reduction.shares.consumers.iter().map(|one| (one.role, one.energy.value.round())).collect();
        let expected = [(Some(Role::HeaterPower), 4e6), (Some(Role::CompressorPower), 1e6), (None, 5e6)];
        assert_eq!(energies, expected);
        let (net, left) = (reduction.energy.net.unwrap(), reduction.shares.drive.unwrap().energy);
        assert!((left.value + 5e6 - net.value).abs() < 1.0);
        assert_eq!(reduction.shares.standing, None);
    }

    #[test]
    fn a_consumer_that_was_not_known_for_long_is_not_measured() {
        let with = |known: usize| {
            let drive = Drive::of(&Car::plain(), &mut Chance::new(2));
            reduced(&drive.with("heater_power", |row| if row < known { 1_000.0 } else { f64::NAN }))
        };
        let short = with(1_950);
        let heater = &short.shares.consumers[0].energy;
        assert!((heater.value - 4e6).abs() < 5e3 && heater.u95() > 1e5, "{heater:?}");
        let long = with(1_000);
        assert!(long.shares.consumers.is_empty());
        let said = "power of the cabin heater: not measured, it was not known for 50 % of the time";
        assert!(long.problems.iter().any(|problem| problem == said), "{:?}", long.problems);
    }

    #[test]
    fn without_consumers_nothing_is_told_apart() {
        let reduction = reduced(&Drive::of(&Car::plain(), &mut Chance::new(2)));
        assert!(reduction.shares.consumers.is_empty() && reduction.shares.warm_up.is_none());
        let (net, drive) = (reduction.energy.net.unwrap(), reduction.shares.drive.unwrap());
        assert_eq!((drive.energy.value, drive.share.map(|share| share.value)), (net.value, Some(1.0)));
    }
}
