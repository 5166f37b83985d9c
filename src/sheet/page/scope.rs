//! What was measured, what was not, and why: before any number is believed.
//!
//! Judges nothing: what it says are the nulls of the JSON and the reasons that stand beside them.

use maud::{Markup, html};

use super::Sheet;
use super::json::Form;
use super::prose::prose;
use crate::sheet::html as shell;

impl Sheet<'_> {
    pub(super) fn scope(&self) -> Markup {
        html! {
            section #scope {
                h2 { "What was measured, and what was not" }
                (shell::table("Every chief figure", &["Figure", "Measured", "How, or why not"], &self.scope_rows()))
                (self.problems())
                (self.limited())
            }
        }
    }

    fn scope_rows(&self) -> Markup {
        let json = &self.json;
        let means = json.text("distances.counts").map_or(html! { "no means of it in the recording" }, |counts| {
            let by = if json.is_true("distances.by_card") { ", as the card says" } else { ", the least uncertain" };
            html! { "by " (distance_by(counts)) (by) }
        });
        let charged = !json.items("charging").is_empty();
        let plug = json.has("plug.metered_wh_per_km");
        let balanced = json.items("balances").iter().any(|at| json.has(&format!("{at}.sensor_gain_percent")));
        let reason = |path: &str, none: &'static str| {
            html! {
                @if json.text(path).is_some() { (json.said(path)) } @else { (prose(none)) }
            }
        };
        let tenths = json.items("tenths").iter().any(|at| json.has(&format!("{at}.kwh")));
        let checkpoints = !json.items("checkpoints.reached").is_empty();
        let legs = json.items("legs.legs").len() > 1;
        let speeds = json.has("speed_check.wheels") || json.has("speed_check.dial");
        let satellites = json.has("distances.fixes_km");
        html! {
            (row("Distance", json.has("distance_km"), &means))
            (row("Energy out of the pack", json.has("energy.net_kwh"), &html! {
                "voltage times current at the pack, integrated; "
                (json.plain("energy.estimated_share", Form::Share)) " of it fills gaps"
            }))
            (row("Energy per distance", json.has("consumption_wh_per_km"), &html! { "net energy while driving by the distance" }))
            (row("Usable capacity", json.has("usable_capacity.kwh"), &self.how_usable()))
            (row("Range", json.has("conditions.range_km"), &html! { "usable energy by energy per distance" }))
            (row("At reference conditions", json.has("conditions.restated_wh_per_km"), &reason("conditions.why",
                "by air, wind and road load; the measured figure stands beside it")))
            (row("True distance and speed", satellites, &prose(if satellites { "by the satellite receiver" }
                else { "no positions of a satellite receiver that would do: speeds and distances are the car's own" })))
            (row("Speedometer and odometer", speeds, &prose(if speeds { "against the satellite receiver" } else { "needs the satellite receiver" })))
            (row("Hold of the target speed", json.has("hold.share_of_time"), &reason("hold.why", "second by second")))
            (row("Legs", legs, &if json.text("legs.by").is_some() { html! { "turns by " (json.said("legs.by")) } }
                else { reason("legs.why", "the turns are not known") }))
            (row("Checkpoints", checkpoints, &prose("when the displayed state of charge first reached a value for good")))
            (row("By tenth of the charge", tenths, &prose("tenths that were driven whole")))
            (row("Charging", charged, &prose(if charged { "at the pack's terminals" } else { "no charge is in these runs" })))
            (row("From the plug", plug, &reason("plug.why", "by the card's meter")))
            (row("Sensors against a meter", balanced, &self.why_no_balance()))
        }
    }

    fn why_no_balance(&self) -> Markup {
        let json = &self.json;
        let why = json.items("balances").into_iter().map(|at| format!("{at}.why")).find(|at| json.text(at).is_some());
        why.map_or(prose("by a charge that a meter has measured"), |at| json.said(&at))
    }

    fn problems(&self) -> Markup {
        let json = &self.json;
        let problems = json.items("problems");
        let rises = json.items("unexplained_rises");
        html! {
            h3 { "Problems" }
            @if problems.is_empty() && rises.is_empty() && self.input.faults.is_empty() { p { "None." } } @else {
                ul {
                    @for at in &problems { li { (json.said(at)) } }
                    @for at in &rises {
                        li {
                            "The state of charge rose by " (json.plain(&format!("{at}.percent"), Form::Percent))
                            ", more than any measured charge explains, at " (json.plain(&format!("{at}.at_s"), Form::Duration))
                        }
                    }
                    @for fault in self.input.faults { li { "Card: " span.said data-from="card-faults" { (self.json.publish.text(fault)) } } }
                }
            }
        }
    }

    /// Which figures the card limits, each with the keys that are open.
    fn limited(&self) -> Markup {
        let json = &self.json;
        let mut limited: Vec<(&str, Vec<String>)> = Vec::new();
        for at in json.items("card_missing") {
            for figure in json.items(&format!("{at}.limits")) {
                let Some(name) = json.text(&figure) else { continue };
                let key = format!("{at}.key");
                match limited.iter_mut().find(|(known, _)| *known == name) {
                    Some((_, keys)) => keys.push(key),
                    None => limited.push((name, vec![key])),
                }
            }
        }
        html! {
            @if self.input.card.is_none() {
                p { (prose("There is no test card: tyres, load, weather, charge and what was held are not known.")) }
            }
            @if !limited.is_empty() {
                h3 { "Left open on the card, and what that limits" }
                ul {
                    @for (figure, keys) in limited {
                        li {
                            (figure) ": "
                            @for (index, key) in keys.iter().enumerate() {
                                @if index > 0 { ", " } code { (json.text(key).unwrap_or_default()) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// How a distance was measured.
pub(super) fn distance_by(key: &str) -> &'static str {
    match key {
        "odometer" => "the odometer",
        "fixes" => "the satellite receiver",
        _ => "the integral of the wheel speed",
    }
}

fn row(name: &str, measured: bool, how: &Markup) -> Markup {
    html! {
        tr {
            th scope="row" { (name) }
            td { @if measured { "yes" } @else { span.none { "no" } } }
            td { (how) }
        }
    }
}
