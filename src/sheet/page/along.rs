//! Along the charge: checkpoints and what could be projected there, tenths, the reserve, where the energy went, what was noted.
//!
//! Computes no figure.

use maud::{Markup, html};

use super::Sheet;
use super::json::Form;
use super::prose::prose;
use crate::observation::MarkKind;
use crate::schema::Role;
use crate::sheet::html as shell;

impl Sheet<'_> {
    pub(super) fn along(&self) -> Markup {
        html! {
            section #along {
                h2 { "Down the charge" }
                (self.checkpoints())
                (self.projections())
                (self.reserve())
                (self.tenths())
                (self.shares())
                (self.notes())
                (self.joins())
            }
        }
    }

    fn checkpoints(&self) -> Markup {
        let json = &self.json;
        let reached = json.items("checkpoints.reached");
        if reached.is_empty() {
            return html! { p { "No checkpoint was reached: the displayed state of charge did not pass one, or was not read." } };
        }
        let rows = html! {
            @for at in &reached {
                tr {
                    th scope="row" { (json.plain(&format!("{at}.percent"), Form::Percent)) }
                    td { (json.figure(&format!("{at}.so_far.km"))) }
                    td { (json.figure(&format!("{at}.so_far.kwh"))) }
                    td { (json.figure(&format!("{at}.so_far.wh_per_km"))) }
                    td { @if json.has(&format!("{at}.since_last")) { (json.figure(&format!("{at}.since_last.wh_per_km"))) } }
                }
            }
        };
        let head = ["Displayed", "Distance", "Energy", "Per distance", "Since the last"];
        html! {
            p { "Counted from displayed " (json.plain("checkpoints.from_percent", Form::Percent)) ", standing included." }
            (shell::table("Checkpoints: when the display first reached a value for good", &head, &rows))
            @if json.has("checkpoints.halves_ratio") {
                p {
                    "The second half of the display took " (json.figure("checkpoints.halves_ratio"))
                    " of the first half's energy per distance."
                }
            }
        }
    }

    fn projections(&self) -> Markup {
        let json = &self.json;
        let reached = json.items("checkpoints.reached");
        let said: Vec<&String> = reached
            .iter()
            .filter(|at| json.number(&format!("{at}.percent")).is_some_and(|percent| percent > 0.0))
            .filter(|at| json.has(&format!("{at}.projected_km")) || json.has(&format!("{at}.rest_km")))
            .collect();
        if said.is_empty() {
            return html! {};
        }
        // A column for what is known of any of them.
        let is_known = |key: &&str| said.iter().any(|at| json.has(&format!("{at}.{key}")));
        let columns = ["projected_km", "projected_off_km", "rest_km", "rest_off_km"];
        let columns: Vec<&str> = columns.into_iter().filter(is_known).collect();
        let cell = |path: &str| match json.at(path) {
            None => html! {},
            Some(value) if value.is_number() => json.plain(path, Form::Said(3)),
            Some(_) => json.figure(path),
        };
        let rows = html! {
            @for at in &said {
                tr {
                    th scope="row" { (json.plain(&format!("{at}.percent"), Form::Percent)) }
                    @for key in &columns { td { (cell(&format!("{at}.{key}"))) } }
                }
            }
        };
        let name = |key: &&str| match *key {
            "projected_km" => "Projected",
            "projected_off_km" => "Projection off by",
            "rest_km" => "The car's rest",
            _ => "The car off by",
        };
        let head: Vec<&str> = ["Displayed"].into_iter().chain(columns.iter().map(name)).collect();
        let is_off = columns.iter().any(|key| key.contains("off"));
        html! {
            (shell::table("Projected distance to an empty display, from the drive so far, and the car's own word", &head, &rows))
            @if is_off { p.soft { (prose("Off: beyond what came true; negative, short of it.")) } }
            @if columns.contains(&"rest_km") { p.soft { "The car's rest is a reading, added to the distance driven." } }
        }
    }

    fn reserve(&self) -> Markup {
        let json = &self.json;
        let beyond = json.number("checkpoints.beyond.kwh.value").is_some_and(|energy| energy > 0.0);
        html! {
            @if beyond {
                p {
                    (prose("Beyond displayed 0 %: ")) (json.figure("checkpoints.beyond.kwh"))
                    @if json.has("checkpoints.beyond.km") { " in " (json.figure("checkpoints.beyond.km")) }
                    ". It is in no figure of range or usable capacity."
                    @if json.has("checkpoints.last_rest_km") {
                        " The car last showed " (json.plain("checkpoints.last_rest_km", Form::Said(3))) " left."
                    }
                }
            }
        }
    }

    fn tenths(&self) -> Markup {
        let json = &self.json;
        let known: Vec<String> = json.items("tenths").into_iter().filter(|at| json.has(&format!("{at}.kwh"))).collect();
        if known.is_empty() {
            return html! {};
        }
        let rows = html! {
            @for at in known {
                tr {
                    th scope="row" {
                        (json.plain(&format!("{at}.from"), Form::Percent)) " to " (json.plain(&format!("{at}.to"), Form::Percent))
                    }
                    td { (json.figure(&format!("{at}.kwh"))) }
                    td { (json.figure(&format!("{at}.ah"))) }
                    td { (json.figure(&format!("{at}.km"))) }
                }
            }
        };
        shell::table("By tenth of the displayed charge", &["Displayed", "Energy", "Charge", "Distance"], &rows)
    }

    fn shares(&self) -> Markup {
        let json = &self.json;
        if !json.has("shares.drive") {
            return html! {};
        }
        let consumers = json.items("shares.consumers");
        let row = |name: &str, at: &str| {
            html! {
                tr {
                    th scope="row" { (name) }
                    td { (json.figure(&format!("{at}.kwh"))) }
                    td { @if json.has(&format!("{at}.share")) { (json.figure(&format!("{at}.share"))) } }
                }
            }
        };
        let rows = html! {
            (row(if consumers.is_empty() { "drive and all else" } else { "drive" }, "shares.drive"))
            @for at in &consumers { (row(consumer(json.text(&format!("{at}.consumer"))), at)) }
        };
        html! {
            (shell::table("Where the net energy went", &["Part", "Energy", "Share"], &rows))
            p {
                @if json.has("shares.standing_kwh") {
                    "Standing took " (json.figure("shares.standing_kwh")) ", " (json.figure("shares.standing_w")) " on average. "
                }
                @if json.has("shares.recovered_share") {
                    (json.figure("shares.recovered_share")) " of what went out while driving came back. "
                }
                @if json.has("shares.warm_up") {
                    "Warming up took " (json.figure("shares.warm_up.kwh")) " beyond a steady "
                    (json.plain("shares.warm_up.steady_w", Form::Digits(2))) ", gone to a third in "
                    (json.plain("shares.warm_up.decay_s", Form::Duration)) "."
                }
            }
        }
    }

    /// What people noted that is no reading in place of a signal: those are in the figures.
    fn notes(&self) -> Markup {
        let json = &self.json;
        let in_figures = [MarkKind::Soc, MarkKind::DisplayedRest, MarkKind::Turned];
        let kind = |at: &String| json.text(&format!("{at}.kind")).and_then(MarkKind::from_key);
        let noted: Vec<(String, MarkKind)> = json
            .items("notes")
            .into_iter()
            .filter_map(|at| Some((kind(&at)?, at)))
            .filter(|(kind, _)| !in_figures.contains(kind))
            .map(|(kind, at)| (at, kind))
            .collect();
        html! {
            @if !noted.is_empty() {
                h3 { "Noted on the way" }
                ul {
                    @for (at, kind) in noted {
                        li {
                            (json.plain(&format!("{at}.at_s"), Form::Duration)) ": " (kind.words())
                            @if json.has(&format!("{at}.value")) { " " (json.plain(&format!("{at}.value"), Form::Digits(4))) }
                            @if json.text(&format!("{at}.text")).is_some() { ": " (json.said(&format!("{at}.text"))) }
                        }
                    }
                }
            }
        }
    }

    fn joins(&self) -> Markup {
        let json = &self.json;
        html! {
            @if !json.items("joins").is_empty() {
                h3 { "Between runs, in usable capacity alone" }
                ul {
                    @for at in json.items("joins") {
                        li {
                            code { (json.text(&format!("{at}.from")).unwrap_or_default()) } " to "
                            code { (json.text(&format!("{at}.to")).unwrap_or_default()) }
                            @if json.has(&format!("{at}.minutes")) { ": " (json.plain(&format!("{at}.minutes"), Form::Digits(3))) " min" }
                            @if json.has(&format!("{at}.soc_change_percent")) {
                                ", state of charge less by " (json.plain(&format!("{at}.soc_change_percent"), Form::Percent))
                            }
                            @if json.has(&format!("{at}.energy_kwh")) {
                                ", " (json.figure(&format!("{at}.energy_kwh"))) " by " (json.said(&format!("{at}.estimated_from")))
                                ", an estimate"
                            } @else if json.is_true(&format!("{at}.charged")) { ", charged" } @else { ", energy not known" }
                        }
                    }
                }
            }
        }
    }
}

/// What a consumer is called.
fn consumer(key: Option<&str>) -> &'static str {
    match key.and_then(Role::from_key) {
        Some(Role::HeaterPower) => "cabin heater",
        Some(Role::CompressorPower) => "compressor",
        Some(Role::BatteryHeaterPower) => "pack's heater",
        Some(Role::AccessoryPower) => "accessories",
        Some(_) | None => "climate control",
    }
}
