//! The budget of a figure: a line for each source of error, as GUM 7.2.7 asks for it.
//!
//! Lists what the estimate holds already; evaluates nothing and rounds nothing.

use super::estimate::{Estimate, Input, Kind};
use super::sources::Nature;

/// One source in a budget.
#[derive(Clone, PartialEq, Debug)]
pub struct Line {
    /// Its name.
    pub source: String,
    /// Whether its error stays from test to test.
    pub nature: Nature,
    /// Its own standard uncertainty, where it has one.
    pub input: Option<Input>,
    /// What a unit of that changes in the figure.
    pub sensitivity: Option<f64>,
    /// What it adds: sensitivity times standard uncertainty, signed, in the figure's unit.
    pub contribution: f64,
    /// Its share of the figure's variance.
    pub share: f64,
    /// How it was evaluated.
    pub kind: Kind,
    /// Degrees of freedom; `None` for infinitely many.
    pub dof: Option<f64>,
}

/// A figure's budget: what stays first, then what changes from test to test, each by falling contribution. Sources that add
/// nothing are left out.
pub fn budget(figure: &Estimate) -> Vec<Line> {
    let variance = figure.u().powi(2);
    let parts = figure.components().iter().filter(|component| component.contribution != 0.0);
    let line = |component: &super::Component| Line {
        source: component.source.0.to_string(),
        nature: Nature::of(&component.source),
        input: component.input,
        sensitivity: component.sensitivity(),
        contribution: component.contribution,
        share: component.contribution.powi(2) / variance,
        kind: component.kind,
        dof: component.dof,
    };
    let mut lines: Vec<Line> = parts.map(line).collect();
    lines.sort_by(|a, b| {
        a.nature
            .cmp(&b.nature)
            .then(b.contribution.abs().total_cmp(&a.contribution.abs()))
            .then(a.source.cmp(&b.source))
    });
    lines
}

/// Standard uncertainty by what stays, and by what changes from test to test.
pub fn by_nature(figure: &Estimate) -> [f64; 2] {
    [Nature::Systematic, Nature::Random].map(|nature| {
        let of = figure.components().iter().filter(|component| Nature::of(&component.source) == nature);
        of.map(|component| component.contribution.powi(2)).sum::<f64>().sqrt()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reduce::{Source, sources};

    fn figure() -> Estimate {
        // 50 kWh with a gain of 2 %, a zero of 1 A over 2 h at 350 V, and 0.1 kWh by gaps; kWh.
        Estimate::exact(50.0)
            .with_sensor(sources::CURRENT_GAIN, 0.02, "1", 50.0)
            .with_sensor(sources::CURRENT_ZERO, 1.0, "A", 0.7)
            .with(sources::GAPS, 0.1, Kind::A, Some(9.0))
            .with_b(sources::SAMPLING, 0.0)
    }

    #[test]
    fn every_line_multiplies_out() {
        let figure = figure();
        let lines = budget(&figure);
        let names: Vec<&str> = lines.iter().map(|line| &*line.source).collect();
        assert_eq!(names, ["current gain", "current zero", "gaps"], "what stays first, nothing that adds nothing");
        for line in &lines {
            let product = line.input.zip(line.sensitivity).map_or(line.contribution, |(input, by)| input.u * by);
            assert!((product - line.contribution).abs() < 1e-12);
        }
        // GUM 5.1.2: the squares of the contributions are the variance.
        let variance: f64 = lines.iter().map(|line| line.contribution.powi(2)).sum();
        assert!((variance - (1.0 + 0.49 + 0.01)).abs() < 1e-12 && (figure.u().powi(2) - variance).abs() < 1e-12);
        assert!((lines.iter().map(|line| line.share).sum::<f64>() - 1.0).abs() < 1e-12);
        assert_eq!((lines[2].kind, lines[2].dof, lines[2].nature), (Kind::A, Some(9.0), Nature::Random));
        let [stays, changes] = by_nature(&figure);
        assert!((stays - 1.49f64.sqrt()).abs() < 1e-12 && (changes - 0.1).abs() < 1e-12);
    }

    #[test]
    fn a_ratio_keeps_the_sources_and_scales_their_sensitivity() {
        let per_km =
            figure().ratio(&Estimate::exact(250.0).with_sensor(sources::SPEED_SCALE, 0.01, "1", 250.0)).unwrap();
        let lines = budget(&per_km);
        let gain = lines.iter().find(|line| line.source == "current gain").unwrap();
        assert_eq!(gain.input, Some(Input { u: 0.02, unit: "1" }));
        assert!((gain.sensitivity.unwrap() - 0.2).abs() < 1e-12, "50 kWh over 250 km");
        let scale = lines.iter().find(|line| line.source == "scale of the speed").unwrap();
        assert!((scale.sensitivity.unwrap() + 0.2).abs() < 1e-12, "a longer way is less per km");
    }

    #[test]
    fn what_has_no_name_here_counts_as_random() {
        assert_eq!(Nature::of(&Source::numbered("gauge", 1)), Nature::Random);
        assert!(budget(&Estimate::exact(1.0)).is_empty());
    }
}
