//! A comparison to publish, as one HTML page: sentences, dots with their intervals, tables, what was not compared, and how.
//!
//! Computes no figure and reads no file. Names no vehicle number unless it is told to, and no place at all.

use maud::{Markup, html};

use super::Words;
use crate::format;
use crate::quantity::{ConsumptionUnit, MetrePerSecond};
use crate::reduce::compare::{Asked, Compared, Comparison, Facts, Outcome, Repeats, What};
use crate::sheet::html as shell;
use crate::sheet::page::Publish;
use crate::sheet::plot::{Dot, Intervals, Plot, intervals};

/// A page in the making.
struct Page<'a> {
    words: Words<'a>,
}

/// The comparison as one HTML file; ends with a line end.
pub fn page(comparison: &Comparison, units: ConsumptionUnit, publish: Publish) -> String {
    let comparison = &published(comparison, publish);
    let page = Page { words: Words { comparison, units } };
    let names: Vec<&str> = comparison.sides.iter().map(|side| side.name.as_str()).collect();
    let title = listed(&names);
    let body = html! {
        header {
            p.kind { "Comparison of tests" }
            h1 { (title) }
            (page.rehearsal())
        }
        (page.plots())
        (page.said())
        (page.figures())
        (page.tests())
        (page.method())
    };
    shell::shell(&title, "en-GB", &body)
}

/// With every name that someone chose, and every word that may hold one, as it may be published. Sentences are made from those
/// afterwards, so that no number of the program's own is taken for a coordinate.
fn published(comparison: &Comparison, publish: Publish) -> Comparison {
    let mut all = comparison.clone();
    let own = Publish { positions: true, ..publish };
    let name = |text: &mut String| *text = publish.text(text);
    let said = |text: &mut String| *text = own.text(text);
    all.sides.iter_mut().for_each(|side| name(&mut side.name));
    all.notes.iter_mut().for_each(said);
    for test in &mut all.tests {
        [Some(&mut test.name), Some(&mut test.vehicle), test.setup.label.as_mut()].into_iter().flatten().for_each(name);
    }
    for figure in &mut all.figures {
        figure.repeats.iter_mut().for_each(|(of, _)| name(of));
        figure.tests.iter_mut().chain(&mut figure.sides).filter_map(|one| one.as_mut().err()).for_each(said);
        figure.waived.iter_mut().for_each(|refusal| said(&mut refusal.text));
        for pair in &mut figure.pairs {
            match &mut pair.outcome {
                Outcome::Compared(_, refusals) | Outcome::Refused(refusals) => {
                    refusals.iter_mut().for_each(|refusal| said(&mut refusal.text));
                }
                Outcome::NotMeasured(why) => said(why),
            }
        }
    }
    all
}

/// `a, b and c`.
fn listed(names: &[&str]) -> String {
    match names {
        [before @ .., last] if !before.is_empty() => format!("{} and {last}", before.join(", ")),
        _ => names.concat(),
    }
}

impl Page<'_> {
    fn comparison(&self) -> &Comparison {
        self.words.comparison
    }

    fn rehearsal(&self) -> Markup {
        let rehearsed = self.comparison().tests.iter().filter(|test| test.is_rehearsal);
        let names: Vec<&str> = rehearsed.map(|test| test.name.as_str()).collect();
        html! {
            @if !names.is_empty() {
                p.rehearsal { strong { "Rehearsal" } "No real car drove: " (listed(&names)) "." }
            }
        }
    }

    /// What came of each figure, sentence by sentence.
    fn said(&self) -> Markup {
        html! {
            section #said {
                h2 { "What differs, and what does not" }
                @for figure in &self.comparison().figures {
                    @let said = self.words.pairs(figure);
                    @if !said.is_empty() {
                        h3 { (self.words.heading(figure.asked)) }
                        ul { @for told in said.iter().chain(self.words.order(figure).map(|order| format!("Order: {order}")).iter()) {
                            li { (told) }
                        } }
                        @if !figure.waived.is_empty() { p.soft { "Despite: " (&super::texts(&figure.waived)) "." } }
                    }
                }
                @for note in &self.comparison().notes { p.soft { (note) } }
            }
        }
    }

    fn plots(&self) -> Markup {
        let plots: Vec<Plot> =
            [What::Consumption, What::Range, What::Usable].into_iter().filter_map(|what| self.plot(what)).collect();
        html! {
            @if !plots.is_empty() {
                section #plots {
                    h2 { "At a glance" }
                    @for plot in &plots { (shell::figure(plot)) }
                    p.soft {
                        "Each bar is a figure alone. Whether two figures differ is not read off overlapping bars: what two tests share "
                        "cancels in their difference, and many pairs need more than one. The sentences below say it."
                    }
                }
            }
        }
    }

    /// A figure of all sides, as measured and, where any is, at reference conditions.
    fn plot(&self, what: What) -> Option<Plot> {
        let of =
            |restated: bool| self.comparison().figures.iter().find(|figure| figure.asked == Asked { what, restated });
        let (measured, restated) = (of(false)?, of(true));
        let restated = restated.filter(|figure| figure.sides.iter().any(Result::is_ok));
        let value = |figure: &Compared, side: usize| {
            let mean = figure.sides[side].as_ref().ok()?;
            let (value, u95, _) = self.words.scaled(what, mean.value, mean.u95());
            Some((value, u95))
        };
        let dot = |(at, side): (usize, &crate::reduce::compare::Side)| Dot {
            label: side.name.clone(),
            first: value(measured, at),
            second: restated.and_then(|figure| value(figure, at)),
        };
        let rows: Vec<Dot> = self.comparison().sides.iter().enumerate().map(dot).collect();
        let (name, quantity) = match what {
            What::Range => ("range", "Range"),
            What::Consumption => ("consumption", "Energy per distance"),
            What::Usable => ("usable", "Usable capacity"),
        };
        intervals(&Intervals {
            name,
            title: quantity.into(),
            quantity,
            unit: self.words.scaled(what, 1.0, 0.0).2,
            first: "as measured",
            second: restated.map(|_| "at reference conditions"),
            rows: &rows,
        })
    }

    fn figures(&self) -> Markup {
        html! {
            section #figures {
                h2 { "Figures" }
                @for figure in &self.comparison().figures { (self.figure(figure)) }
            }
        }
    }

    fn figure(&self, figure: &Compared) -> Markup {
        let heading = self.words.heading(figure.asked);
        if let Some(why) = super::none(figure) {
            return html! { h3 { (heading) } p.none { "Not measured: " (why) } };
        }
        let sides = html! {
            @for (at, side) in self.comparison().sides.iter().enumerate() {
                tr { th scope="row" { (&side.name) } td { (&self.words.mean(figure, at)) } }
            }
        };
        let differences = html! {
            @for (pair, found) in figure.differences() {
                @let ((value, u95), unit) = self.words.difference(figure, pair, found);
                tr {
                    th scope="row" { (self.words.name(pair.sides[0])) " minus " (self.words.name(pair.sides[1])) }
                    td { data { (format::figure(value, Some(u95), unit)) } }
                    td { (format::p_value(found.p)) }
                    td { (format::p_value(found.p_holm)) }
                    td { (found.verdict.key()) }
                }
            }
        };
        let repeats = html! { @for (name, repeats) in &figure.repeats { (self.repeats(figure.asked, name, repeats)) } };
        html! {
            h3 { (heading) }
            (shell::table(&format!("{heading}, with the spread from day to day"), &["of", "figure"], &sides))
            @if figure.differences().next().is_some() {
                (shell::table(&format!("{heading}: differences"), &["", "difference", "p", "corrected", "it"], &differences))
                p.soft { "Spread from day to day: " (self.words.spread(&figure.spread)) "." }
            }
            @if !figure.repeats.is_empty() {
                (shell::table(
                    &format!("{heading}: repeatability"),
                    &["of", "tests", "standard deviation", "the true one, 95 %", "limit (2.8 times)"],
                    &repeats,
                ))
            }
        }
    }

    fn repeats(&self, asked: Asked, name: &str, repeats: &Repeats) -> Markup {
        let width = |sd: f64| {
            let (_, sd, unit) = self.words.scaled(asked.what, repeats.mean, sd);
            format!("{} {unit}", format::significant(sd, 2))
        };
        let [least, most] = repeats.between.map(|times| width(times * repeats.sd));
        html! {
            tr {
                th scope="row" { (name) }
                td { (repeats.n) }
                td { data { (width(repeats.sd)) } }
                td { (least) " to " (most) }
                td { data { (width(repeats.limit())) } }
            }
        }
    }

    fn tests(&self) -> Markup {
        let rows = html! { @for test in &self.comparison().tests { (self.test(test)) } };
        let head = ["test", "car", "day", "target speed", "mean speed", "air", "wind", "wet road", "usable capacity"];
        html! {
            section #tests {
                h2 { "The tests" }
                (shell::table("What each test was, as far as card and runs say", &head, &rows))
            }
        }
    }

    fn test(&self, test: &Facts) -> Markup {
        let known = |text: Option<String>| text.unwrap_or_else(|| "not known".into());
        let speed = |speed: f64| format::speed(MetrePerSecond(speed), 0, self.words.units.in_miles());
        html! {
            tr {
                th scope="row" { (&test.name) }
                td { (test.car()) }
                td { (known(test.start.map(|at| at.iso().chars().take(10).collect()))) }
                td { (known(test.target.map(|[target, _]| speed(target)))) }
                td { (known(test.mean_speed.map(speed))) }
                td { (known(test.degc.map(|degc| format!("{} degC", format::temperature(degc))))) }
                td { (known(test.wind.map(|wind| format!("{} m/s", format::significant(wind, 2))))) }
                td { (known(test.wet_percent.map(format::percent))) }
                td { (test.method.text()) }
            }
        }
    }

    fn method(&self) -> Markup {
        html! {
            section #method {
                h2 { "How it was compared" }
                p { (self.words.method()) }
                p {
                    "Standard uncertainties by JCGM 100:2008 (GUM): what tests of one car share, and one named instrument in two cars, "
                    "cancels in a difference; everything else does not. Degrees of freedom by Welch and Satterthwaite, p values two-sided "
                    "by Student's t, corrected over the pairs of a figure by Holm's step-down procedure. Repeatability as in ISO 5725-2 "
                    "and ISO 5725-6, of one tester with one set of instruments. No difference shown is no proof that there is none; "
                    "one car of a type was driven, and nothing is said of others."
                }
                p.soft { "Made by drawdown " (env!("CARGO_PKG_VERSION")) ", drawdown compare." }
            }
        }
    }
}

#[cfg(test)]
mod tests;
