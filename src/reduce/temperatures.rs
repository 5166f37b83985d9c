//! Temperatures outside, in the cabin and of the pack while the test went on: a capacity without its temperature is half a
//! figure.
//!
//! Readings of the car's own sensors, averaged by time outside charging; corrects no figure.

use super::reduction::Test;
use crate::ledger::Phase;

/// What a sensor read, degC.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Readings {
    /// First reading.
    pub first: f64,
    /// Mean over the time it was known.
    pub mean: f64,
    /// Last reading.
    pub last: f64,
}

/// Readings outside charging; `None` where the map has no such sensor.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Temperatures {
    /// Outside the car.
    pub outside: Option<Readings>,
    /// In the cabin.
    pub cabin: Option<Readings>,
    /// Of the pack.
    pub pack: Option<Readings>,
}

pub(super) fn of(test: &Test<'_>) -> Temperatures {
    let [outside, cabin, pack] = [0, 1, 2].map(|at| readings(test, at));
    Temperatures { outside, cabin, pack }
}

fn readings(test: &Test<'_>, at: usize) -> Option<Readings> {
    let (mut ends, mut sum, mut time): (Option<(f64, f64)>, f64, f64) = (None, 0.0, 0.0);
    let steps = test.runs.iter().flat_map(|run| run.summary.steps());
    for step in steps.filter(|step| step.phase() != Phase::Charge) {
        let value = f64::from(step.to.temperature[at]);
        if value.is_finite() {
            ends = Some((ends.map_or(value, |(first, _)| first), value));
            sum += value * step.dt();
            time += step.dt();
        }
    }
    let (first, last) = ends?;
    (time > 0.0).then_some(Readings { first, mean: sum / time, last })
}

#[cfg(test)]
mod tests {
    use crate::reduce::synthetic::{Car, Chance, Drive};
    use crate::reduce::{Options, reduce};

    #[test]
    fn first_mean_and_last() {
        // From 10 to 30 degC in 2000 rows, evenly: 20 on average; seconds begin with the second row.
        let drive =
            Drive::of(&Car::plain(), &mut Chance::new(2)).with("pack_temperature", |row| 10.0 + row as f64 / 100.0);
        let found = reduce(&[drive.run("20270314T061502Z", 0..2_001)], None, &Options::default()).temperatures;
        let pack = found.pack.unwrap();
        assert!((pack.first - 10.01).abs() < 1e-5 && (pack.last - 30.0).abs() < 1e-5, "{pack:?}");
        assert!((pack.mean - 20.005).abs() < 1e-3, "{pack:?}");
        assert_eq!((found.outside, found.cabin), (None, None));
    }
}
