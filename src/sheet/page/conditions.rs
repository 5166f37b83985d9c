//! Conditions, what is restated at others, and the measured figures beside what others claim.
//!
//! Computes no figure.

use maud::{Markup, html};

use super::Sheet;
use super::json::Form;
use super::prose::prose;
use crate::sheet::html as shell;

impl Sheet<'_> {
    pub(super) fn conditions(&self) -> Markup {
        let json = &self.json;
        html! {
            section #conditions {
                h2 { "Conditions, and the figures restated at reference conditions" }
                @if json.has("conditions.air_degc") {
                    p {
                        "Air " (json.plain("conditions.air_degc", Form::Temperature)) ", "
                        (json.plain("conditions.air_hpa", Form::Digits(4))) ", "
                        (json.plain("conditions.air_density_kg_per_m3", Form::Digits(4))) ". " (self.wind())
                    }
                } @else { p { (prose("The air is not known: no temperature on the card, and none read by the car.")) } }
                @if json.has("conditions.restated_wh_per_km") { (self.restated()) } @else {
                    p { "Nothing is restated: " (json.said("conditions.why")) "." }
                }
                (self.temperatures())
            }
        }
    }

    fn wind(&self) -> Markup {
        let json = &self.json;
        let by = match json.text("conditions.wind_by") {
            Some("card") => ", by the card.",
            _ => ", by what the two directions of the road took.",
        };
        html! {
            @if json.has("conditions.wind_along_mps") {
                "Wind along the road " (json.plain("conditions.wind_along_mps", Form::Digits(2))) (by)
            } @else { "The wind along the road is not known." }
        }
    }

    fn restated(&self) -> Markup {
        let json = &self.json;
        let added = |path: &str| html! { @if json.has(path) { (json.plain(path, Form::Digits(2))) } };
        let rows = html! {
            tr {
                th scope="row" { "Energy per distance" }
                td { (json.figure("consumption_wh_per_km")) }
                td { (json.figure("conditions.restated_wh_per_km")) }
                td { (added("conditions.added_u95_wh_per_km")) }
            }
            @if json.has("conditions.target") {
                tr {
                    th scope="row" { "At exactly " (json.plain("conditions.target.kmh", Form::Said(4))) }
                    td { (json.figure("conditions.target.held_wh_per_km")) }
                    td { (json.figure("conditions.target.restated_wh_per_km")) }
                    td { (added("conditions.target.added_u95_wh_per_km")) }
                }
            }
            @if json.has("conditions.range_km") {
                tr {
                    th scope="row" { "Range" }
                    td { (json.figure("conditions.range_km")) }
                    td { (json.figure("conditions.restated_range_km")) }
                    td {}
                }
            }
        };
        let head = ["Figure", "As measured", "Restated", "Restating alone adds"];
        html! {
            (shell::table("As measured, and beside it at reference conditions", &head, &rows))
            p {
                "Reference (" (reference(json.text("conditions.reference.name"))) "): "
                (json.plain("conditions.reference.degc", Form::Temperature)) ", "
                (json.plain("conditions.reference.hpa", Form::Said(6))) ", no wind, a level road. The part that overcame the road "
                "is restated, by a road load of " (json.plain("conditions.road_load.a_n", Form::Digits(3))) " + "
                (json.plain("conditions.road_load.b_n_per_mps", Form::Digits(3))) " v + "
                (json.plain("conditions.road_load.c_n_per_mps2", Form::Digits(3))) " v² from "
                (json.said("conditions.road_load.from")) ", " (json.plain("conditions.road_load.drag_share", Form::Share))
                " of it drag. Accessories, climate control and the pack's losses stay as they were."
            }
        }
    }

    fn temperatures(&self) -> Markup {
        let json = &self.json;
        let read: Vec<(&str, String)> = [("outside", "outside"), ("in the cabin", "cabin"), ("of the pack", "pack")]
            .into_iter()
            .map(|(name, key)| (name, format!("temperatures_degc.{key}")))
            .filter(|(_, path)| json.has(path))
            .collect();
        let rows = html! {
            @for (name, path) in &read {
                tr {
                    th scope="row" { (name) }
                    @for key in ["first", "mean", "last"] { td { (json.plain(&format!("{path}.{key}"), Form::Temperature)) } }
                }
            }
        };
        html! {
            @if !read.is_empty() {
                (shell::table("Temperatures as the car's sensors read them", &["Where", "First", "Mean", "Last"], &rows))
            }
        }
    }

    pub(super) fn claims(&self) -> Markup {
        let json = &self.json;
        let claims = json.items("claims");
        if claims.is_empty() {
            return html! {};
        }
        let optional = |path: String| html! { @if json.has(&path) { (json.figure(&path)) } };
        let rows = html! {
            @for at in &claims {
                tr {
                    th scope="row" {
                        @if json.text(&format!("{at}.name")) == Some("claimed") { "the maker's claim" }
                        @else { (json.said(&format!("{at}.name"))) }
                    }
                    td { @if json.has(&format!("{at}.claimed_kwh")) { (json.plain(&format!("{at}.claimed_kwh"), Form::Said(4))) } }
                    td { (optional(format!("{at}.usable_percent"))) }
                    td { (optional(format!("{at}.range_percent"))) }
                    td { (optional(format!("{at}.consumption_percent"))) }
                }
            }
        };
        let head = ["Claim", "Claimed usable", "Usable, measured", "Range", "Energy per distance"];
        html! {
            section #claims {
                h2 { "Beside what is claimed" }
                (shell::table("Measured by claimed, the claim taken as exact", &head, &rows))
                p { (prose(NOT_CERTIFIED)) }
            }
        }
    }
}

fn reference(name: Option<&str>) -> Markup {
    match name {
        Some("SAE") => prose("SAE J1263"),
        Some("WLTP") => prose("WLTP"),
        _ => prose("the card's own"),
    }
}

const NOT_CERTIFIED: &str = "These are not the figures of the certified procedures: UN GTR No. 22 has its own for what is usable, \
    and the rated ranges are of other cycles, at other temperatures and to other end points.";
