//! A test's figures held against its truth.
//!
//! Decides nothing about the trial as a whole.

use drawdown::quantity::{COULOMB_PER_AH, JOULE_PER_KWH, JOULE_PER_WH};
use drawdown::reduce::usable::Method;
use drawdown::reduce::{Estimate, Options, Reduction, Source, reduce, sources};

use super::draw;
use super::record::{self, Record};

/// The figures that are judged, in the order of the table.
pub const FIGURES: [&str; 24] = [
    "net_energy",
    "net_charge",
    "consumption",
    "usable_full Wh",
    "usable_full Ah",
    "net_energy, zero read",
    "usable_20 top Wh",
    "usable_20 top Ah",
    "usable_20 middle Wh",
    "usable_20 middle Ah",
    "usable_20 bottom Wh",
    "usable_20 bottom Ah",
    "usable_40 top Wh",
    "usable_40 top Ah",
    "usable_40 middle Wh",
    "usable_40 middle Ah",
    "usable_40 bottom Wh",
    "usable_40 bottom Ah",
    "usable_60 top Wh",
    "usable_60 top Ah",
    "usable_60 middle Wh",
    "usable_60 middle Ah",
    "usable_60 bottom Wh",
    "usable_60 bottom Ah",
];

/// One figure of one test.
#[derive(Clone, Copy, Debug)]
pub struct Verdict {
    /// Error over its standard uncertainty.
    pub error: f64,
    /// Error over half of the interval.
    pub over_interval: f64,
    /// The interval holds the truth.
    pub inside: bool,
    /// Half of the interval over the truth.
    pub width: f64,
    /// The interval over what the declared tolerances alone give, where nothing else is at work.
    pub over_declared: Option<f64>,
}

/// What of each figure came out; `None` where it was not measured.
pub type Verdicts = [Option<Verdict>; FIGURES.len()];

/// What a sensor's declared tolerance makes of a figure.
const DECLARED: [Source; 8] = [
    sources::CURRENT_GAIN,
    sources::CURRENT_ZERO,
    sources::ZERO_READING,
    sources::VOLTAGE_GAIN,
    sources::VOLTAGE_ZERO,
    sources::SKEW,
    sources::SPEED_SCALE,
    sources::ODOMETER_SCALE,
];

fn verdict(figure: &Option<Estimate>, truth: f64, plain: bool) -> Option<Verdict> {
    let figure = figure.as_ref()?;
    let declared = DECLARED.iter().map(|source| figure.contribution(source).powi(2)).sum::<f64>().sqrt();
    let error = figure.value - truth;
    Some(Verdict {
        error: error / figure.u(),
        over_interval: error / figure.u95(),
        inside: error.abs() <= figure.u95(),
        width: figure.u95() / truth,
        over_declared: plain.then(|| figure.u() / declared),
    })
}

/// Drives the test of a seed and judges its figures.
pub fn test(seed: u64) -> Verdicts {
    let drawn = draw::test(seed);
    let record = record::of(&drawn);
    let mut all = [None; FIGURES.len()];
    let mut place = |name: &str, verdict: Option<Verdict>| {
        if let Some(at) = FIGURES.iter().position(|known| *known == name) {
            all[at] = verdict;
        }
    };
    let truth = &record.truth;
    // A car that stops before its display says 0 has no usable capacity to be held against.
    let usable = truth.usable.map(|usable| (usable.net_kwh * JOULE_PER_KWH, usable.charge_net_ah * COULOMB_PER_AH));
    let reduced = |rows: std::ops::Range<usize>, record: &Record| -> Option<Reduction> {
        (rows.len() > 2).then(|| reduce(&[record.run(rows)], None, &Options::default()))
    };
    if let Some(whole) = reduced(record.span(100.0, 0.0), &record) {
        let net = verdict(&whole.energy.net, truth.whole.net_kwh * JOULE_PER_KWH, drawn.plain);
        place("net_energy", net);
        place("net_energy, zero read", net.filter(|_| drawn.contactor));
        place("net_charge", verdict(&whole.energy.charge, truth.whole.charge_net_ah * COULOMB_PER_AH, drawn.plain));
        let per_metre = truth.consumption_wh_per_km.map_or(f64::NAN, |wh| wh * JOULE_PER_WH / 1e3);
        place("consumption", verdict(&whole.consumption.net, per_metre, drawn.plain));
        // A display that rounds down may not show 100 % any more when the plug is pulled: that test is a partial one.
        if let (Method::Full, Some(usable)) = (whole.usable.method, usable) {
            place("usable_full Wh", verdict(&whole.usable.energy, usable.0, drawn.plain));
            place("usable_full Ah", verdict(&whole.usable.charge, usable.1, drawn.plain));
        }
    }
    let Some(usable) = usable else { return all };
    for span in [20_u8, 40, 60] {
        let s = f64::from(span);
        for (name, from, to) in
            [("top", 100.0, 100.0 - s), ("middle", 50.0 + s / 2.0, 50.0 - s / 2.0), ("bottom", s, 0.0)]
        {
            let Some(part) = reduced(record.span(from, to), &record) else { continue };
            place(&format!("usable_{span} {name} Wh"), verdict(&part.usable.energy, usable.0, false));
            place(&format!("usable_{span} {name} Ah"), verdict(&part.usable.charge, usable.1, false));
        }
    }
    all
}
