//! Energy and charge moved outside charging, each with what every source of error does to it.
//!
//! Observed sums plus the estimates of gaps. Energy in the pauses between runs is in none of these figures, only in
//! usable capacity. Pure.

use super::discharge::Drawn;
use super::estimate::Estimate;
use super::fill::Fill;
use super::fold::PhaseTotals;
use super::input::Missing;
use super::reduction::Test;
use super::sampling::Sampling;
use super::sources;
use super::tolerances::{SKEW_S, Tolerances};
use crate::format;

/// Sums over the runs.
pub(super) struct Totals {
    /// All phases.
    pub all: PhaseTotals,
    /// Outside charging.
    pub open: Part,
    /// Drive phases.
    pub drive: Part,
    /// Stand phases.
    pub stand: Part,
    /// What sampling may have added to the whole outside charging.
    pub sampling: Sampling,
}

/// Sums over some phases, with the estimates of their gaps.
#[derive(Clone, Copy, Default)]
pub(super) struct Part {
    observed: PhaseTotals,
    filled: [f64; 2],
    filled_charge: [f64; 2],
    variance: [f64; 2],
    unknown: bool,
}

/// Net, out, in, charge.
pub(super) struct Figures {
    pub net: Estimate,
    pub out: Estimate,
    pub back: Estimate,
    pub charge: Estimate,
}

/// Energy and charge outside charging, J and C; `None` where not measured.
#[derive(Clone, PartialEq, Debug)]
pub struct Energy {
    /// Out of the pack.
    pub out: Option<Estimate>,
    /// Into the pack, plug left out.
    pub back: Option<Estimate>,
    /// Net out of the pack.
    pub net: Option<Estimate>,
    /// From a plug; `None` where nothing was charged.
    pub charged: Option<Estimate>,
    /// Net charge out of the pack, plug left out.
    pub charge: Option<Estimate>,
    /// Share of energy that fills gaps.
    pub estimated_share: f64,
}

impl Part {
    fn of(test: &Test<'_>, phases: &[usize]) -> Self {
        let mut part = Self::default();
        for (run, fills) in test.runs.iter().zip(&test.fills) {
            phases.iter().for_each(|at| part.observed = part.observed.plus(&run.summary.phases[*at]));
            let inside = |fill: &&Fill| phases.iter().any(|at| PhaseTotals::PHASES[*at] == fill.phase);
            for fill in fills.iter().filter(inside) {
                for at in 0..2 {
                    part.filled[at] += fill.energy[at];
                    part.filled_charge[at] += fill.charge[at];
                    part.variance[at] += fill.u[at] * fill.u[at];
                }
                part.unknown |= fill.gap.missing == Missing::Power && fill.from.is_none();
            }
        }
        part
    }

    /// The share of energy moved that was estimated; all of it where a gap could not even be estimated.
    fn estimated_share(&self) -> f64 {
        let filled = self.filled[0] + self.filled[1];
        let moved = self.observed.energy_out + self.observed.energy_in + filled;
        match () {
            () if self.unknown => 1.0,
            () if filled == 0.0 => 0.0,
            () => filled / moved,
        }
    }
}

impl Totals {
    pub fn of(test: &Test<'_>) -> Self {
        let squares = |of: &dyn Fn(&Sampling) -> f64| {
            test.runs.iter().filter_map(|run| run.sampling.as_ref()).map(|s| of(s).powi(2)).sum::<f64>().sqrt()
        };
        Self {
            all: Part::of(test, &[0, 1, 2]).observed,
            open: Part::of(test, &[0, 1]),
            drive: Part::of(test, &[0]),
            stand: Part::of(test, &[1]),
            sampling: Sampling {
                energy: [0, 1, 2].map(|at| squares(&|s| s.energy[at])),
                charge: squares(&|s| s.charge),
                blocks: test.runs.iter().filter_map(|run| run.sampling.as_ref()).map(|s| s.blocks).sum(),
            },
        }
    }

    /// Observed time outside charging, s.
    fn observed(&self) -> f64 {
        self.open.observed.duration - self.open.observed.unobserved
    }

    /// What sampling may have added to a part of the time.
    fn sampling_in(&self, observed: f64) -> Sampling {
        let root = (observed / self.observed()).clamp(0.0, 1.0).sqrt();
        let root = if root.is_finite() { root } else { 1.0 };
        Sampling {
            energy: self.sampling.energy.map(|u| u * root),
            charge: self.sampling.charge * root,
            blocks: self.sampling.blocks,
        }
    }

    /// What sampling may have added to the charge of a part of the time, C.
    pub fn sampling_charge(&self, observed: f64) -> f64 {
        self.sampling_in(observed).charge
    }

    /// The figures of some phases.
    pub fn figures(&self, test: &Test<'_>, part: &Part) -> Figures {
        let Part { observed: sums, filled, filled_charge, variance, .. } = part;
        let sampling = self.sampling_in(sums.duration - sums.unobserved);
        let gaps = variance.map(f64::sqrt);
        let errors = |time: f64, volt_seconds: f64, charge: f64, skew: f64| Errors { time, volt_seconds, charge, skew };
        let charge = [sums.charge_out + filled_charge[0], sums.charge_in + filled_charge[1]];
        let out = errors(sums.time[0], sums.volt_seconds[0], charge[0], sums.skew[0]);
        // More current outward is less current inward; their difference is what the net is.
        let back = errors(-sums.time[1], -sums.volt_seconds[1], charge[1], -sums.skew[1]);
        let net = errors(
            out.time - back.time,
            out.volt_seconds - back.volt_seconds,
            charge[0] - charge[1],
            out.skew - back.skew,
        );
        let energy = [sums.energy_out + filled[0], sums.energy_in + filled[1]];
        let figure = |value: f64, errors: Errors, sampling: f64| {
            errors.of_energy(value, &test.tolerances).with_b(sources::SAMPLING, sampling).with_b(sources::GAPS, gaps[0])
        };
        let back = figure(energy[1], back, sampling.energy[2]);
        Figures {
            net: figure(energy[0] - energy[1], net, sampling.energy[0]),
            out: figure(energy[0], out, sampling.energy[1]),
            back,
            charge: errors(net.time, 0.0, 0.0, 0.0)
                .of_charge(charge[0] - charge[1], &test.tolerances)
                .with_b(sources::SAMPLING, sampling.charge)
                .with_b(sources::GAPS, gaps[1]),
        }
    }

    /// Energy and charge drawn between two moments of a discharge.
    pub fn drawn(&self, test: &Test<'_>, drawn: &Drawn) -> (Estimate, Estimate) {
        let sampling = self.sampling_in(drawn.observed);
        let [gaps, joins] = drawn.variance.map(f64::sqrt);
        let errors = Errors { time: drawn.observed, volt_seconds: drawn.volt_seconds, charge: drawn.charge, skew: 0.0 };
        // What an error of energy by a gap is in charge.
        let per_volt = if drawn.energy == 0.0 { 0.0 } else { drawn.charge / drawn.energy };
        let with = |figure: Estimate, sampling: f64, factor: f64| {
            figure
                .with_b(sources::SAMPLING, sampling)
                .with_b(sources::GAPS, gaps * factor)
                .with_b(sources::JOINS, joins * factor)
        };
        (
            with(errors.of_energy(drawn.energy, &test.tolerances), sampling.energy[0], 1.0),
            with(errors.of_charge(drawn.charge, &test.tolerances), sampling.charge, per_volt),
        )
    }
}

/// What a unit of each sensor's error adds.
#[derive(Clone, Copy)]
struct Errors {
    time: f64,
    volt_seconds: f64,
    charge: f64,
    skew: f64,
}

impl Errors {
    fn of_energy(&self, value: f64, tolerances: &Tolerances) -> Estimate {
        if let Some((gain, zero)) = tolerances.power {
            return Estimate::exact(value).with_sensor(sources::POWER_GAIN, gain, "1", value).with_sensor(
                sources::POWER_ZERO,
                zero,
                "W",
                self.time,
            );
        }
        let sensors = &tolerances.sensors;
        let figure = Estimate::exact(value)
            .with_sensor(sources::CURRENT_GAIN, sensors.current_gain, "1", value)
            .with_sensor(sources::VOLTAGE_GAIN, sensors.voltage_gain, "1", value)
            .with_sensor(sources::VOLTAGE_ZERO, sensors.voltage_zero, "V", self.charge)
            .with_sensor(sources::SKEW, SKEW_S, "s", self.skew);
        sensors.with_zero(figure, self.volt_seconds)
    }

    fn of_charge(&self, value: f64, tolerances: &Tolerances) -> Estimate {
        let sensors = &tolerances.sensors;
        let figure = Estimate::exact(value).with_sensor(sources::CURRENT_GAIN, sensors.current_gain, "1", value);
        sensors.with_zero(figure, self.time)
    }
}

impl Energy {
    pub(super) fn of(test: &Test<'_>, totals: &Totals, problems: &mut Vec<String>) -> Self {
        if totals.all.duration <= 0.0 {
            problems.push("no run holds anything to reduce".into());
            return Self { out: None, back: None, net: None, charged: None, charge: None, estimated_share: 0.0 };
        }
        let Figures { net, out, back, charge } = totals.figures(test, &totals.open);
        let share = totals.open.estimated_share();
        let mut said = Vec::new();
        let mut judge = |figure: Estimate, name: &str| {
            let why = not_measured(&figure, share, test);
            if let Some(why) = &why
                && !said.contains(why)
            {
                problems.push(format!("{name} is not measured: {why}"));
                said.push(why.clone());
            }
            why.is_none().then_some(figure)
        };
        let (net, out, back) = (judge(net, "net energy"), judge(out, "energy out"), judge(back, "energy in"));
        let charge = if test.tolerances.power.is_some() { None } else { judge(charge, "net charge") };
        let charging = test.runs.iter().fold(PhaseTotals::default(), |sum, run| sum.plus(&run.summary.phases[2]));
        let charged = (charging.energy_charged > 0.0).then(|| charged(test, &charging));
        Self { out, back, net, charged, charge, estimated_share: share }
    }
}

/// Energy from a plug: as observed, a gap in it is not filled.
fn charged(test: &Test<'_>, charging: &PhaseTotals) -> Estimate {
    let errors = Errors {
        time: -charging.time[1],
        volt_seconds: -charging.volt_seconds[1],
        charge: charging.charge_charged,
        skew: -charging.skew[1],
    };
    let tolerances = Tolerances { sensors: test.tolerances.sensors.at_the_plug(), ..test.tolerances.clone() };
    errors.of_energy(charging.energy_charged, &tolerances)
}

/// Why a figure may not be called measured, if so.
pub(super) fn not_measured(figure: &Estimate, estimated_share: f64, test: &Test<'_>) -> Option<String> {
    let sampling = figure.contribution(&sources::SAMPLING).abs() / figure.value.abs();
    match () {
        () if figure.value.is_nan() => Some("the map has no pack voltage with current, and no pack power".into()),
        () if !figure.u().is_finite() => Some("its uncertainty cannot be estimated".into()),
        () if estimated_share >= 1.0 => Some("a gap has nothing beside it from which it could be estimated".into()),
        () if estimated_share > test.options.estimated_share_max => Some(format!(
            "{} of it would be an estimate for what was not recorded, more than {}",
            format::share(estimated_share),
            format::share(test.options.estimated_share_max)
        )),
        () if sampling > test.options.sampling_max => Some(format!(
            "samples are too far apart, which alone adds {} of standard uncertainty",
            format::share(sampling)
        )),
        () => None,
    }
}
