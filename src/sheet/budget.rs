//! The budget of a figure in a terminal: a line for each source, at most 80 columns.
//!
//! Evaluates nothing: every number is the budget's own, rounded.

use crate::format;
use crate::reduce::budget::{Line, budget as lines, by_nature};
use crate::reduce::sources::Nature;
use crate::reduce::{Estimate, Kind};

/// Sources with a smaller share of the variance are named together.
const LEAST_SHARE: f64 = 1e-4;

/// The budget of a figure that is shown in a unit, of which one is `size` of the estimate's own.
pub fn budget(name: &str, figure: &Estimate, unit: &str, size: f64) -> String {
    let written = format::figure(figure.value / size, Some(figure.u95() / size), unit);
    let mut text = format!("{name}: {written}\n");
    let dof = figure.effective_dof().filter(|dof| dof.is_finite());
    let dof = dof.map_or("without end".to_owned(), |dof| format::significant(dof, 3));
    let factor = format::significant(figure.u95() / figure.u(), 3);
    let u = format::significant(figure.u() / size, 3);
    text += &format!("  standard uncertainty {u} {unit}, degrees of freedom {dof}, coverage factor {factor}\n");
    text += &row("source", "u", "by one", &format!("adds, {unit}"), "share", " ", "dof");
    let (lines, least): (Vec<Line>, Vec<Line>) = lines(figure).into_iter().partition(|line| line.share >= LEAST_SHARE);
    for (nature, u) in [Nature::Systematic, Nature::Random].into_iter().zip(by_nature(figure)) {
        let of: Vec<&Line> = lines.iter().filter(|line| line.nature == nature).collect();
        if of.is_empty() {
            continue;
        }
        text += &format!("  {}: {} {unit}\n", nature.text(), format::significant(u / size, 3));
        of.iter().for_each(|line| text += &one(line, size));
    }
    if !least.is_empty() {
        let names: Vec<&str> = least.iter().map(|line| &*line.source).collect();
        text += &format::wrap("  ", &format!("below 0.01 % each: {}", names.join(", ")), 4);
    }
    text
}

fn one(line: &Line, size: f64) -> String {
    let input = line.input.map_or(String::new(), |input| match input.unit {
        "1" => format!("{} %", format::significant(input.u * 100.0, 2)),
        unit => format!("{} {unit}", format::significant(input.u, 2)),
    });
    // What one per cent, one volt, one ampere changes.
    let unit = line.input.map_or(1.0, |input| if input.unit == "1" { 0.01 } else { 1.0 });
    let by_one = line.sensitivity.map_or(String::new(), |by| format::significant(by * unit / size, 3));
    let kind = if line.kind == Kind::A { "A" } else { "B" };
    let dof = line.dof.map_or("inf".to_owned(), |dof| format::significant(dof, 2));
    let adds = format::significant(line.contribution / size, 2);
    row(&format!("  {}", line.source), &input, &by_one, &adds, &format::share(line.share), kind, &dof)
}

fn row(source: &str, u: &str, by_one: &str, adds: &str, share: &str, kind: &str, dof: &str) -> String {
    format!("  {source:<34} {u:>9} {by_one:>8} {adds:>9} {share:>7} {kind} {dof:>3}\n").trim_end().to_owned() + "\n"
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reduce::sources;

    #[test]
    fn a_budget_as_it_is_printed() {
        let figure = Estimate::exact(50.0 * 3.6e6)
            .with_sensor(sources::CURRENT_GAIN, 0.005, "1", 50.0 * 3.6e6)
            .with_sensor(sources::CURRENT_ZERO, 0.3, "A", 350.0 * 9_000.0)
            .with_sensor(sources::VOLTAGE_GAIN, 0.002, "1", 50.0 * 3.6e6)
            .with(sources::TICKS, 0.2 * 3.6e6, Kind::A, Some(23.0))
            .with_b(sources::HIDDEN, 0.32 * 3.6e6)
            .with_sensor(sources::SKEW, 0.005, "s", 30.0);
        let text = budget("Usable energy", &figure, "kWh", 3.6e6);
        insta::assert_snapshot!(text);
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    }
}
