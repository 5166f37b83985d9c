//! A comparison of tests for the terminal, and the sentences that a tester can publish.
//!
//! Computes no figure. A side is named in the order in which it was given, so that no line looks like a ranking.

mod page;

use crate::format::{self, line, wrap};
use crate::quantity::{ConsumptionUnit, JOULE_PER_KWH, Metre};
use crate::reduce::compare::{
    Asked, Basis, Compared, Comparison, Difference, LIMIT, Outcome, Pair, Refusal, Repeats, Spread, Verdict, What,
};
use crate::reduce::estimate::Estimate;

pub use page::page;

/// Fewer repeats than this tell their own spread poorly, and that is said.
const FEW: usize = 6;

/// The report; ends with a line end.
pub fn compare(comparison: &Comparison, units: ConsumptionUnit) -> String {
    let words = Words { comparison, units };
    let mut text = String::new();
    for (at, side) in comparison.sides.iter().enumerate() {
        text += &line(if at == 0 { "Compared" } else { "" }, &words.side(side));
    }
    for (at, note) in comparison.notes.iter().enumerate() {
        text += &line(if at == 0 { "Note" } else { "" }, note);
    }
    for figure in &comparison.figures {
        text += &format!("\n{}\n", wrap("", &words.heading(figure.asked), 0).trim_end());
        text += &words.figure(figure);
    }
    text + "\n" + &wrap("", &words.method(), 0)
}

/// A comparison in words.
pub struct Words<'a> {
    /// The comparison.
    pub comparison: &'a Comparison,
    /// Units of all of it.
    pub units: ConsumptionUnit,
}

impl Words<'_> {
    /// A side with its tests.
    pub fn side(&self, side: &crate::reduce::compare::Side) -> String {
        let tests = side.tests.iter().map(|test| {
            let test = &self.comparison.tests[*test];
            let day = test.start.map(|at| at.iso().chars().take(10).collect::<String>());
            day.map_or(test.name.clone(), |day| format!("{} of {day}", test.name))
        });
        format!("{}: {}", side.name, tests.collect::<Vec<_>>().join(", "))
    }

    /// A figure's name with its conditions.
    pub fn heading(&self, asked: Asked) -> String {
        let what = match asked.what {
            What::Range => "Range",
            What::Consumption => "Energy per distance",
            What::Usable => "Usable capacity",
        };
        let at = &self.comparison.tests[0].reference;
        match asked.restated {
            _ if asked.what == What::Usable => what.into(),
            false => format!("{what}, as measured"),
            true if self.comparison.tests.iter().all(|test| test.reference == *at) => {
                let kpa = format::significant(at.pascal / 1e3, 4);
                format!("{what} at {} degC, {kpa} kPa, no wind ({})", format::temperature(at.degc), at.name)
            }
            true => format!("{what}, each at its own reference conditions"),
        }
    }

    fn figure(&self, figure: &Compared) -> String {
        let mut text = String::new();
        if let Some(why) = none(figure) {
            return line("  not measured", why);
        }
        for (at, side) in self.comparison.sides.iter().enumerate() {
            text += &line(&format!("  {}", side.name), &self.mean(figure, at));
        }
        if figure.differences().next().is_some() || !figure.repeats.is_empty() {
            text += &line("  day to day", &self.spread(&figure.spread));
        }
        for (name, repeats) in &figure.repeats {
            text += &line("  repeatability", &self.repeats(figure.asked, name, repeats));
        }
        for (at, told) in self.pairs(figure).iter().enumerate() {
            text += &line(if at == 0 { "  differences" } else { "" }, told);
        }
        if !figure.waived.is_empty() {
            text += &line("  despite", &texts(&figure.waived));
        }
        text + &self.order(figure).map_or(String::new(), |order| line("  order", &order))
    }

    /// A side's figure.
    pub fn mean(&self, figure: &Compared, at: usize) -> String {
        let of = match figure.used[at].len() {
            0 | 1 => String::new(),
            n => format!(", mean of {n} tests"),
        };
        match &figure.sides[at] {
            Ok(mean) => self.written(figure.asked.what, mean) + &of,
            Err(why) => format!("not measured: {why}"),
        }
    }

    /// What the spread from day to day is and rests on.
    pub fn spread(&self, spread: &Spread) -> String {
        let dof = |dof: f64| {
            let plural = if dof == 1.0 { "degree" } else { "degrees" };
            format!("{} {plural} of freedom", format::count(dof as u64))
        };
        let size = format!("{} ({})", format::share(spread.parts), dof(spread.dof));
        let seen = |(parts, of): (f64, f64)| format!("{} by repeats ({})", format::share(parts), dof(of));
        match (spread.basis, spread.repeats) {
            (Basis::Both, Some(repeats)) => format!("{size}, from {} and what is assumed", seen(repeats)),
            (Basis::Repeats, Some(_)) => format!("{size}, by repeats alone: they contradict what is assumed"),
            _ => format!("{size}, assumed: these tests cannot tell it"),
        }
    }

    /// Repeatability of one car.
    pub fn repeats(&self, asked: Asked, name: &str, repeats: &Repeats) -> String {
        let width = |sd: f64| {
            let (_, sd, unit) = self.scaled(asked.what, repeats.mean, sd);
            format!("{} {unit}", format::significant(sd, 2))
        };
        let few = if repeats.n < FEW {
            let [least, most] = repeats.between.map(|times| format::significant(times, 2));
            format!(" (few tests: truly {least} to {most} times that)")
        } else {
            String::new()
        };
        let limit = width(repeats.limit());
        format!(
            "{name}, {} tests: standard deviation {}{few}, limit {limit} ({LIMIT} times)",
            repeats.n,
            width(repeats.sd)
        )
    }

    /// What came of the pairs: a line for each difference, then those that are not compared, by why. A pair of which one is not
    /// measured has none: the side's own line says it.
    pub fn pairs(&self, figure: &Compared) -> Vec<String> {
        let mut lines = Vec::new();
        let mut refused: Vec<(&Vec<Refusal>, Vec<String>)> = Vec::new();
        for pair in &figure.pairs {
            match &pair.outcome {
                Outcome::NotMeasured(_) => {}
                Outcome::Compared(difference, waived) => {
                    let told = format!("{} ({})", self.sentence(figure, pair, difference), chance(figure, difference));
                    let despite = if waived.is_empty() { "" } else { "; compared despite " };
                    lines.push(told + despite + &keys(waived, ", "));
                }
                Outcome::Refused(why) => {
                    let [a, b] = pair.sides.map(|side| self.name(side));
                    let names = format!("{a} and {b}");
                    match refused.iter_mut().find(|(known, _)| *known == why) {
                        Some((_, pairs)) => pairs.push(names),
                        None => refused.push((why, vec![names])),
                    }
                }
            }
        }
        lines.extend(refused.into_iter().map(|(why, pairs)| {
            format!("{} are not compared: {} (else --despite {})", pairs.join(", "), texts(why), keys(why, ","))
        }));
        lines
    }

    fn name(&self, side: usize) -> &str {
        &self.comparison.sides[side].name
    }

    /// The sentence for a difference.
    pub fn sentence(&self, figure: &Compared, pair: &Pair, difference: &Difference) -> String {
        let what = figure.asked.what;
        let names = pair.sides.map(|side| self.name(side));
        let (size, unit) = self.difference(figure, pair, difference);
        let [a, b] = names;
        let plain = format::figure(size.0, Some(size.1), unit);
        match difference.verdict {
            Verdict::NotShown => format!("no difference shown between {a} and {b}: {plain}, first minus second"),
            Verdict::OnlyAlone => {
                let pairs = figure.differences().count();
                format!(
                    "no difference shown between {a} and {b} among {pairs} pairs: {plain}, first minus second, more than its \
                     uncertainty for a pair alone"
                )
            }
            Verdict::Exceeds => {
                let is_less = what == What::Consumption && self.units != ConsumptionUnit::MiPerKwh;
                // Who used less, has or gave more comes first.
                let [first, second] = if (size.0 < 0.0) == is_less { [a, b] } else { [b, a] };
                let size = format::figure(size.0.abs(), Some(size.1), unit);
                let told = match what {
                    What::Consumption if is_less => format!("{first} used {size} less than {second}"),
                    What::Consumption => format!("{first} went {size} further than {second}"),
                    What::Range => format!("{first} has {size} more range than {second}"),
                    What::Usable => format!("{first} gave {size} more than {second}"),
                };
                format!("{told}: more than its uncertainty")
            }
        }
    }

    /// A difference and its interval in the unit of all output: of one that is a reciprocal the same secant carries both.
    pub fn difference(&self, figure: &Compared, pair: &Pair, difference: &Difference) -> ((f64, f64), &'static str) {
        let what = figure.asked.what;
        let of = |side: usize| figure.sides[side].as_ref().map_or(f64::NAN, |side| side.value);
        let [a, b] = pair.sides.map(of);
        let (shown_a, by_one, unit) = self.scaled(what, a, 1.0);
        let apart = shown_a - self.scaled(what, b, 0.0).0;
        let slope = if a == b { by_one } else { (apart / (a - b)).abs() };
        ((apart, difference.value.u95() * slope), unit)
    }

    /// The sides in order, where every difference exceeds its uncertainty; that there is none, where a reader might look for one.
    pub fn order(&self, figure: &Compared) -> Option<String> {
        if let Some(mut order) = figure.order() {
            if figure.asked.what != What::Consumption {
                order.reverse();
            }
            let names: Vec<&str> = order.into_iter().map(|side| self.name(side)).collect();
            return Some(format!("{}: every difference is more than its uncertainty", names.join(", ")));
        }
        (self.comparison.sides.len() > 2 && figure.differences().next().is_some())
            .then(|| "none is given: not every difference is more than its uncertainty".into())
    }

    /// What the numbers mean.
    pub fn method(&self) -> String {
        let days = if self.comparison.each {
            ""
        } else {
            "Tests of one car driven alike are repeats, and their mean counts. "
        };
        format!(
            "{days}Intervals hold the truth in 95 of 100 cases, the spread from day to day reckoned in. A difference is more than \
             its uncertainty where chance alone gives so much in some 5 of 100 comparisons at most, all pairs of a figure \
             together (p corrected by Holm). What is not shown may still be there."
        )
    }

    /// A figure in its unit.
    pub fn written(&self, what: What, estimate: &Estimate) -> String {
        let (value, u95, unit) = self.scaled(what, estimate.value, estimate.u95());
        format::figure(value, Some(u95), unit)
    }

    /// A value and a width about it in the unit of all output.
    pub fn scaled(&self, what: What, value: f64, width: f64) -> (f64, f64, &'static str) {
        let by = |factor: f64, unit: &'static str| (value / factor, width / factor, unit);
        match what {
            What::Range if self.units.in_miles() => (Metre(value).miles(), Metre(width).miles(), "mi"),
            What::Range => by(1e3, "km"),
            What::Usable => by(JOULE_PER_KWH, "kWh"),
            What::Consumption => {
                let shown = self.units.from_joule_per_metre(value);
                (shown, width * shown / value, self.units.symbol())
            }
        }
    }
}

/// Why no side has a figure, where all lack it for one reason.
pub fn none(figure: &Compared) -> Option<&str> {
    let first = figure.sides.first()?.as_ref().err()?;
    figure.sides.iter().all(|side| side.as_ref().err() == Some(first)).then_some(first)
}

/// How likely chance alone gives so much.
fn chance(figure: &Compared, difference: &Difference) -> String {
    let p = format!("p = {}", format::p_value(difference.p)).replace("= below", "below");
    match figure.differences().count() {
        0 | 1 => p,
        _ => format!("{p}, corrected {}", format::p_value(difference.p_holm)),
    }
}

/// The reasons' names, each once.
fn keys(refusals: &[Refusal], between: &str) -> String {
    let mut keys: Vec<&str> = refusals.iter().map(|refusal| refusal.reason.key()).collect();
    keys.dedup();
    keys.join(between)
}

/// What some reasons rest on.
pub fn texts(refusals: &[Refusal]) -> String {
    refusals.iter().map(|refusal| refusal.text.as_str()).collect::<Vec<_>>().join("; ")
}

#[cfg(test)]
mod tests;
