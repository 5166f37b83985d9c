//! The uncertainty budget of each chief figure: every source, what it adds, and of what kind it is.
//!
//! Evaluates nothing: every number is the JSON's own.

use maud::{Markup, html};

use super::Sheet;
use super::json::Form;
use super::prose::prose;
use crate::sheet::html as shell;

/// Sources with a smaller share of the variance are named together.
const LEAST_SHARE: f64 = 1e-4;

/// Each figure's name, its path, its budget's key and the key in whose unit the budget stands.
const FIGURES: [(&str, &str, &str, &str); 5] = [
    ("Usable capacity", "usable_capacity.kwh", "usable_kwh", "kwh"),
    ("Usable charge", "usable_capacity.ah", "usable_ah", "ah"),
    ("Energy per distance, net while driving", "consumption_wh_per_km", "consumption_wh_per_km", "budget_wh_per_km"),
    ("Distance", "distance_km", "distance_km", "km"),
    ("Energy, net", "energy.net_kwh", "net_kwh", "kwh"),
];

impl Sheet<'_> {
    pub(super) fn budgets(&self) -> Markup {
        let json = &self.json;
        html! {
            section #budgets {
                h2 { "What the uncertainty rests on" }
                p { (prose(HOW)) }
                @for (name, path, budget, unit) in FIGURES {
                    @if json.has(path) { (self.budget(name, path, &format!("budgets.{budget}"), unit)) }
                }
                (self.list("Stated by card and map, one standard uncertainty", "stated"))
                (self.list("Assumed: common practice, no source", "assumed"))
                (self.zero())
            }
        }
    }

    fn budget(&self, name: &'static str, path: &str, budget: &str, unit: &str) -> Markup {
        let json = &self.json;
        let weighs = |at: &String| json.number(&format!("{at}.share")).is_some_and(|share| share >= LEAST_SHARE);
        let (lines, least): (Vec<String>, Vec<String>) = json.items(budget).into_iter().partition(weighs);
        let rows = html! {
            @for at in &lines {
                @let of = |key: &str| format!("{at}.{key}");
                tr {
                    th scope="row" { (json.said(&of("source"))) }
                    td { (self.input(at)) }
                    td { (json.plain_as(&of("u"), unit, Form::Digits(2))) }
                    td { (json.plain(&of("share"), Form::Share)) }
                    td { (json.text(&of("kind")).unwrap_or_default()) }
                    td { (json.text(&of("nature")).unwrap_or_default()) }
                    td { @if json.has(&of("dof")) { (json.plain(&of("dof"), Form::Digits(2))) } @else { "no end" } }
                }
            }
        };
        let head = ["Source", "Standard uncertainty", "Adds", "Share", "Kind", "Nature", "Degrees of freedom"];
        html! {
            h3 { (name) ": " (json.figure(path)) }
            (shell::table(&format!("Sources: {}", lower(name)), &head, &rows))
            @if !least.is_empty() {
                p.soft {
                    (prose("Below 0.01 % of the variance each: "))
                    @for (index, at) in least.iter().enumerate() {
                        @if index > 0 { ", " } (json.said(&format!("{at}.source")))
                    }
                }
            }
        }
    }

    /// The standard uncertainty of what a source is one of, in its own unit.
    fn input(&self, at: &str) -> Markup {
        let json = &self.json;
        let path = format!("{at}.input_u");
        match json.text(&format!("{at}.input_unit")) {
            Some("1") => json.plain(&path, Form::Share),
            Some(unit) => html! { (json.plain(&path, Form::Digits(2))) " " (unit) },
            None => html! {},
        }
    }

    fn list(&self, title: &'static str, path: &str) -> Markup {
        let items = self.json.items(path);
        html! {
            @if !items.is_empty() { h3 { (title) } ul.short { @for at in &items { li { (self.json.said(at)) } } } }
        }
    }

    fn zero(&self) -> Markup {
        let json = &self.json;
        html! {
            @if json.has("zero") {
                p {
                    "With the contactors open for " (json.plain("zero.open_s", Form::Duration)) " the current's zero was read and taken off: "
                    (json.plain("zero.current_a", Form::Digits(2))) " in the mean, standard uncertainty "
                    (json.plain("zero.u_reading_a", Form::Digits(2))) " by the reading and "
                    (json.plain("zero.u_drift_a", Form::Digits(2))) " by its drift since."
                }
            } @else if json.has("open_contactors_current_a") {
                p {
                    "With the contactors open the current read " (json.plain("open_contactors_current_a", Form::Digits(2)))
                    "; nothing was corrected by it."
                }
            }
        }
    }
}

/// As it stands within a sentence.
fn lower(name: &str) -> String {
    let mut chars = name.chars();
    chars.next().map(|first| first.to_lowercase().collect::<String>() + chars.as_str()).unwrap_or_default()
}

const HOW: &str = "After JCGM 100:2008 (GUM). Kind A is by statistics, B by other means. Systematic stays the same in this car's next \
    test, random is another in every test: repeats lessen the second alone. 'Adds' is one standard uncertainty of the figure, with its \
    sign; the total is the root of the sum of squares, times Student's t for 95 %.";
