//! The budget of a figure in a terminal: a line for each source, at most 80 columns.
//!
//! Evaluates nothing: every number is the budget's own, rounded.

use crate::format;
use crate::quantity::{COULOMB_PER_AH, ConsumptionUnit, JOULE_PER_KWH, METRE_PER_MILE};
use crate::reduce::budget::{Line, budget as lines, by_nature};
use crate::reduce::sources::Nature;
use crate::reduce::{Estimate, Kind, Reduction};

/// Sources with a smaller share of the variance are named together.
const LEAST_SHARE: f64 = 1e-4;

/// The budgets of a test's chief figures, one after another.
///
/// Energy per distance in miles per kWh has its budget in Wh/mi: a reciprocal has no sum.
pub fn budgets(reduction: &Reduction, units: ConsumptionUnit) -> String {
    let (way, per_way) = if units.in_miles() {
        (("mi", METRE_PER_MILE), ("Wh/mi", ConsumptionUnit::WhPerMi.to_joule_per_metre(1.0)))
    } else {
        (("km", 1e3), ("Wh/km", ConsumptionUnit::WhPerKm.to_joule_per_metre(1.0)))
    };
    let figures = [
        ("Energy net", reduction.energy.net.as_ref(), ("kWh", JOULE_PER_KWH)),
        ("Distance", reduction.way.counting(), way),
        ("Energy per distance, net while driving", reduction.consumption.net.as_ref(), per_way),
        ("Usable capacity", reduction.usable.energy.as_ref(), ("kWh", JOULE_PER_KWH)),
        ("Usable charge", reduction.usable.charge.as_ref(), ("Ah", COULOMB_PER_AH)),
    ];
    let known = figures.into_iter().filter_map(|(name, figure, unit)| Some((name, figure?, unit)));
    known.map(|(name, figure, (unit, size))| format!("\n{}", budget(name, figure, unit, size))).collect()
}

/// The budget of a figure that is shown in a unit, of which one is `size` of the estimate's own.
pub fn budget(name: &str, figure: &Estimate, unit: &str, size: f64) -> String {
    let written = format::figure(figure.value / size, Some(figure.u95() / size), unit);
    let mut text = format!("{name}: {written}\n");
    let dof = figure.effective_dof().filter(|dof| dof.is_finite());
    let dof = dof.map_or("without end".to_owned(), |dof| format::significant(dof, 3));
    let factor = format::significant(figure.u95() / figure.u(), 3);
    let u = format::significant(figure.u() / size, 3);
    let how = format!("standard uncertainty {u} {unit}, degrees of freedom {dof}, coverage factor {factor}");
    text += &format::wrap("  ", &how, 4);
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
    format!("  {source:<33} {u:>9} {by_one:>8} {adds:>10} {share:>7} {kind} {dof:>3}\n").trim_end().to_owned() + "\n"
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
