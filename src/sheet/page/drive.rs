//! The drive: distance and time, how the speed was held, the legs, and what the instruments of the car showed.
//!
//! Computes no figure.

use maud::{Markup, html};

use super::Sheet;
use super::json::Form;
use super::prose::prose;
use super::scope::distance_by;
use crate::sheet::html as shell;

impl Sheet<'_> {
    pub(super) fn drive(&self) -> Markup {
        html! {
            section #drive {
                h2 { "The drive" }
                @if !self.input.places.is_empty() {
                    p { "On the course of " span.said data-from="course" { (self.json.publish.text(&self.input.places.join(", "))) } "." }
                }
                (self.distances())
                (self.phases())
                (self.hold())
                (self.legs())
                (self.speed_check())
            }
        }
    }

    fn distances(&self) -> Markup {
        let json = &self.json;
        let counts = json.text("distances.counts");
        let rows = html! {
            @for (key, path) in
                [("odometer", "distances.odometer_km"), ("speed", "distances.speed_km"), ("fixes", "distances.fixes_km")]
            {
                @if json.has(path) {
                    tr {
                        th scope="row" { (distance_by(key)) }
                        td { (json.figure(path)) }
                        td { @if counts == Some(key) { "counts" } @else { "beside it" } }
                    }
                }
            }
        };
        html! {
            @if counts.is_some() { (shell::table("Distance by each means", &["By", "Distance", "Use"], &rows)) }
            p {
                "Energy per distance, each by the distance that counts: " (json.figure("consumption_wh_per_km"))
                " net while driving; " (json.figure("consumption_gross_wh_per_km")) " of what went out while driving; "
                (json.figure("consumption_with_standing_wh_per_km")) " net, standing included."
            }
        }
    }

    fn phases(&self) -> Markup {
        let json = &self.json;
        let driven = |at: &String| json.number(&format!("{at}.duration_s")).is_some_and(|seconds| seconds > 0.0);
        let rows = html! {
            @for at in json.items("phases").iter().filter(|at| driven(at)) {
                tr {
                    th scope="row" { (phase(json.text(&format!("{at}.phase")))) }
                    td { (json.plain(&format!("{at}.duration_s"), Form::Duration)) }
                    td { (json.plain(&format!("{at}.net_kwh"), Form::Digits(3))) }
                }
            }
        };
        html! {
            (shell::table("Time by what the car did, with the net energy as observed", &["Phase", "Time", "Energy"], &rows))
            p {
                "Out of the pack " (json.figure("energy.out_kwh")) ", back into it " (json.figure("energy.in_kwh"))
                ", net " (json.figure("energy.net_kwh")) "; net charge " (json.figure("charge_net_ah")) "."
                @if json.has("energy.charged_kwh") { " From a plug, in none of them: " (json.figure("energy.charged_kwh")) "." }
            }
        }
    }

    fn hold(&self) -> Markup {
        let json = &self.json;
        if !json.has("hold.share_of_time") {
            return html! {
                @if json.text("hold.why").is_some() { h3 { "Hold of the target speed" } p { "Not known: " (json.said("hold.why")) "." } }
            };
        }
        let true_speed = json.is_true("hold.satellite_corrected");
        let rows = html! {
            @for at in json.items("hold.outside") {
                tr {
                    th scope="row" { (outside(json.text(&format!("{at}.why")))) }
                    td { (json.plain(&format!("{at}.duration_s"), Form::Time)) }
                    td { (json.plain(&format!("{at}.distance_km"), Form::Digits(3))) }
                    td { @if json.is_true(&format!("{at}.left_out")) { "left out" } @else { "counts" } }
                }
            }
        };
        html! {
            h3 { "Hold of the target speed" }
            p {
                (json.figure("hold.share_of_distance")) " of the distance and " (json.figure("hold.share_of_time"))
                " of the time were within " (json.plain("hold.tolerance_kmh", Form::Said(2))) " of "
                (json.plain("hold.target_kmh", Form::Said(4))) ", by "
                (prose(if true_speed { "true speed" } else { "the wheels alone, no satellites" })) ". Mean "
                (json.figure("hold.mean_kmh")) ", spread (standard deviation) " (json.plain("hold.spread_kmh", Form::Digits(2)))
                "; longest without a second outside " (json.plain("hold.longest_km", Form::Digits(3))) " in "
                (json.plain("hold.longest_s", Form::Duration)) ". Over the held stretches alone "
                (json.figure("hold.consumption_wh_per_km")) " net."
            }
            @if !json.items("hold.outside").is_empty() {
                (shell::table("Outside the tolerance", &["Why", "Time", "Distance", "In the shares"], &rows))
            }
        }
    }

    fn legs(&self) -> Markup {
        let json = &self.json;
        let legs = json.items("legs.legs");
        if legs.len() < 2 {
            return html! { h3 { "Legs" } p { "Not known: " (json.said("legs.why")) "." } };
        }
        let rows = html! {
            @for (index, at) in legs.iter().enumerate() {
                @let path = |key: &str| format!("{at}.{key}");
                tr {
                    th scope="row" {
                        span.row { (index + 1) } @if let Some(way) = json.text(&path("direction")) { " " (way) }
                    }
                    td { (json.figure(&path("distance_km"))) }
                    td { (json.figure(&path("consumption_wh_per_km"))) }
                    td { (json.figure(&path("mean_speed_kmh"))) }
                    td { @if json.has(&path("temperature_degc")) { (json.plain(&path("temperature_degc"), Form::Temperature)) } }
                }
            }
        };
        html! {
            h3 { "Legs" }
            (shell::table("From turn to turn", &["Leg", "Distance", "Energy per distance", "Mean speed", "Outside"], &rows))
            p { "The turns are known by " (json.said("legs.by")) "." }
            (self.pairs())
        }
    }

    fn pairs(&self) -> Markup {
        let json = &self.json;
        html! {
            @if !json.items("legs.pairs").is_empty() {
                ul {
                    @for at in json.items("legs.pairs") {
                        li {
                            "Legs " (json.plain(&format!("{at}.legs.0"), Form::Count)) " and "
                            (json.plain(&format!("{at}.legs.1"), Form::Count)) " together: "
                            (json.figure(&format!("{at}.consumption_wh_per_km"))) "; wind and grade between them "
                            (json.figure(&format!("{at}.difference_wh_per_km")))
                        }
                    }
                }
            }
            @if json.has("legs.cancels") {
                p {
                    (json.plain("legs.cancels.one_way_km", Form::Digits(3))) " one way, "
                    (json.plain("legs.cancels.other_way_km", Form::Digits(3))) " the other"
                    @if json.has("legs.cancels.ends_apart_km") {
                        ", ends " (json.plain("legs.cancels.ends_apart_km", Form::Digits(3))) " apart"
                    }
                    (prose(if json.is_true("legs.cancels.closed") { ": grade cancels." } else { ": grade does not cancel." }))
                }
            }
            @if json.has("legs.height") {
                p {
                    "The end lies above the start by " (json.figure("legs.height.rise_m")) ", by " (json.said("legs.height.by"))
                    @if json.has("legs.height.energy_kwh") { "; energy in it " (json.figure("legs.height.energy_kwh")) } "."
                }
            }
        }
    }

    fn speed_check(&self) -> Markup {
        let json = &self.json;
        let check = |path: &str| format!("speed_check.{path}");
        if !["wheels", "odometer", "dial"].iter().any(|key| json.has(&check(key))) {
            return html! {};
        }
        html! {
            h3 { "Speedometer and odometer" }
            ul {
                @for (name, key) in [("Wheels", "wheels"), ("Odometer", "odometer")] {
                    @if json.has(&check(key)) { li { (name) ", shown by true: " (json.figure(&check(key))) } }
                }
                @if json.has("speed_check.dial") {
                    li {
                        "Dial, shown by true: " (json.figure("speed_check.dial.gain"))
                        @if json.has("speed_check.dial.offset_kmh") { ", and " (json.figure("speed_check.dial.offset_kmh")) " more" }
                        ", between " (json.plain("speed_check.dial.from_kmh", Form::Digits(3))) " and "
                        (json.plain("speed_check.dial.to_kmh", Form::Digits(3)))
                        @if !json.is_true("speed_check.dial.told_apart") { "; the speeds driven cannot tell an offset" }
                    }
                }
                @if json.has("speed_check.displayed_at_target_kmh") {
                    li {
                        "For a true " (json.plain("speed_check.target_kmh", Form::Said(4))) " drive at "
                        (json.figure("speed_check.displayed_at_target_kmh")) " on the dial"
                    }
                }
            }
        }
    }
}

fn phase(key: Option<&str>) -> &'static str {
    match key {
        Some("drive") => "driving",
        Some("charge") => "charging",
        _ => "standing",
    }
}

fn outside(key: Option<&str>) -> &'static str {
    match key {
        Some("turn") => "at a turn",
        Some("stop") => "at a stop",
        Some("course") => "the course asks for less",
        Some("traffic") => "too slow, for no reason that is known",
        Some("above") => "too fast",
        Some("card") => "left out by the card",
        _ => "speed not known",
    }
}
