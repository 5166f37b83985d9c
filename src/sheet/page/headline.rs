//! The head of a sheet: what was tested, and the figures that a test is driven for.
//!
//! Computes no figure. What was restated at other conditions stands beside what was measured, never instead.

use maud::{Markup, html};

use super::json::{Form, not_measured};
use super::prose::prose;
use super::{Input, Sheet};

impl Sheet<'_> {
    /// Name, day, and the large figures.
    pub(super) fn head(&self) -> Markup {
        let json = &self.json;
        html! {
            header {
                @if self.is_rehearsal() {
                    p.rehearsal { strong { "Nothing was measured." } " An invented car was driven: this is a rehearsal." }
                }
                p.kind { "Test sheet" }
                h1 { (self.name()) }
                p.lead {
                    @if json.has("counted.start_utc") { (json.moment("counted.start_utc")) ", " }
                    (json.plain("duration_s", Form::Duration)) " h"
                    @if json.has("distance_km") { ", " (json.figure("distance_km")) }
                    @if json.has("hold.target_kmh") { ", target " (json.plain("hold.target_kmh", Form::Said(4))) }
                }
            }
            (self.chief())
            (self.facts())
            p.soft { (prose(PLUS_MINUS)) }
        }
    }

    /// What people call the car, else its name in the data set.
    fn name(&self) -> Markup {
        match self.card_word("label") {
            Some(label) => html! { span.said data-card="label" { (label) } },
            None if self.json.text("vehicle").is_some() => self.json.said("vehicle"),
            None => html! { "A car without a name" },
        }
    }

    fn chief(&self) -> Markup {
        let json = &self.json;
        let restated = |path: &str| {
            html! {
                @if json.has(path) { p.beside { "Restated at reference conditions: " (json.figure(path)) } }
            }
        };
        html! {
            div.chief {
                section {
                    h2 { "Range" }
                    (json.headline("conditions.range_km"))
                    @if json.has("conditions.range_km") {
                        (restated("conditions.restated_range_km"))
                        p.how { "Usable energy by energy per distance" }
                    } @else {
                        p.how { "Needs usable capacity, which was not measured, and energy per distance" }
                    }
                }
                section {
                    h2 { "Energy per distance" }
                    (json.headline("consumption_wh_per_km"))
                    (restated("conditions.restated_wh_per_km"))
                    @if json.has("conditions.target") {
                        p.beside {
                            "Restated at exactly " (json.plain("conditions.target.kmh", Form::Said(4))) ": "
                            (json.figure("conditions.target.restated_wh_per_km"))
                        }
                    }
                    p.how { "Net of what came back, while driving" }
                }
                section {
                    h2 { "Usable capacity" }
                    (json.headline("usable_capacity.kwh"))
                    @if json.has("usable_capacity.ah") { p.beside { "Charge: " (json.figure("usable_capacity.ah")) } }
                    p.how { (self.how_usable()) }
                }
            }
        }
    }

    /// How usable capacity was found, or why not.
    pub(super) fn how_usable(&self) -> Markup {
        let json = &self.json;
        match json.text("usable_capacity.method") {
            Some("full") => html! { "Measured directly: " (json.said("usable_capacity.why")) },
            Some("partial") => html! { "Worked out from a part: " (json.said("usable_capacity.why")) },
            _ => html! { "Not measured: " (json.said("usable_capacity.why")) },
        }
    }

    fn facts(&self) -> Markup {
        let json = &self.json;
        let temperature = |which: &str| {
            let path = format!("temperatures_degc.{which}.mean");
            if json.has(&path) { json.plain(&path, Form::Temperature) } else { not_measured() }
        };
        html! {
            dl.facts {
                div { dt { "Distance driven" } dd { (json.figure("distance_km")) } }
                div { dt { "Energy, net" } dd { (json.figure("energy.net_kwh")) } }
                div {
                    dt { "State of charge" }
                    dd {
                        (json.plain("soc_percent.first", Form::Percent)) " to " (json.plain("soc_percent.last", Form::Percent))
                    }
                }
                @if json.has("hold.mean_kmh") { div { dt { "Mean speed held" } dd { (json.figure("hold.mean_kmh")) } } }
                @if json.has("claims.0.usable_percent") {
                    div { dt { "Usable, of what is claimed" } dd { (json.figure("claims.0.usable_percent")) } }
                }
                div { dt { "Outside, by the car" } dd { (temperature("outside")) } }
                div { dt { "Pack, mean" } dd { (temperature("pack")) } }
                div { dt { "Seal" } dd { (self.seal_word()) } }
            }
        }
    }

    fn seal_word(&self) -> Markup {
        match self.json.at("seal") {
            None => prose(if self.input.card.is_some() { "not known" } else { "no card, so none" }),
            Some(_) if self.json.is_true("seal.sealed") => {
                html! { "sealed before counting began, code " code { (self.json.text("seal.code").unwrap_or_default()) } }
            }
            Some(_) => html! { "not sealed" },
        }
    }

    fn is_rehearsal(&self) -> bool {
        self.input.runs.iter().any(crate::store::run_file::RunFile::is_rehearsal)
    }
}

/// The page's title.
pub(super) fn title(input: &Input<'_>, label: Option<&str>) -> String {
    let vehicle = input.value.get("vehicle").and_then(serde_json::Value::as_str).unwrap_or_default();
    let name = label.unwrap_or(if vehicle.is_empty() { "a car without a name" } else { vehicle });
    format!("Test sheet: {}", input.publish.text(name))
}

const PLUS_MINUS: &str = "± is the half-width of an interval that holds the true value in 95 % of such tests, as far as the sources \
    of error are known; the budgets below name each. A value without ± is a plain reading.";
