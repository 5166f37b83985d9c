//! The quality of the recording: seal, gaps, faults, damage, and how often each signal came.
//!
//! Judges nothing; the counts are those of each run's `run.json`.

use maud::{Markup, html};
use serde_json::Value;

use super::Sheet;
use super::json::{Form, Json};
use super::prose::prose;
use crate::sheet::html as shell;
use crate::store::run_file::Ended;

/// Gaps shorter than this are counted, not listed, s: before a run's first sample and after its last there is always one.
const GAP_WORTH_A_LINE_S: f64 = 0.5;
/// More gaps than this are not listed one by one.
const GAPS_LISTED: usize = 40;

impl Sheet<'_> {
    pub(super) fn quality(&self) -> Markup {
        html! {
            section #quality {
                h2 { "Quality of the recording" }
                (self.seal())
                (self.gaps())
                @for run in self.runs() { (run_quality(&run)) }
            }
        }
    }

    /// Each run's `run.json`, to be read like the figures' JSON.
    fn runs(&self) -> Vec<Run<'_>> {
        let of = |run: &str| Some(format!("run={run}/run.json"));
        let runs = self.input.runs.iter().zip(&self.run_values);
        runs.map(|(run, value)| Run { json: Json { value, of: of(&run.run), ..self.json.clone() }, ended: run.ended })
            .collect()
    }

    fn seal(&self) -> Markup {
        let json = &self.json;
        if !json.has("seal") {
            let card = self.input.card.is_some();
            return html! {
                h3 { "Seal" }
                p { (prose(if card { "Whether it was sealed is not known." } else { "There is no card, so nothing was sealed." })) }
            };
        }
        html! {
            h3 { "Seal" }
            p {
                @if !json.is_true("seal.sealed") { "Not sealed: " } (json.said("seal.why"))
                @if let Some(code) = json.text("seal.code") { "; code " code { (code) } } "."
            }
            @if json.has("seal.changes") {
                p { "Changed since it was sealed:" @if json.items("seal.changes").is_empty() { " nothing." } }
                ul { @for at in json.items("seal.changes") { li { (json.said(&format!("{at}.text"))) } } }
            } @else if json.text("seal.code").is_some() { p { "What changed since is not known." } }
            p.soft { (prose("A seal is a tester's statement against himself, no signature: docs/card.md says what it proves.")) }
        }
    }

    fn gaps(&self) -> Markup {
        let json = &self.json;
        let seconds = |at: &str| {
            let [from, to] = ["from_s", "to_s"].map(|key| json.number(&format!("{at}.{key}")).unwrap_or(0.0));
            to - from
        };
        let long: Vec<String> = json.items("gaps").into_iter().filter(|at| seconds(at) >= GAP_WORTH_A_LINE_S).collect();
        let rows = html! {
            @for at in long.iter().take(GAPS_LISTED) {
                @let of = |key: &str| format!("{at}.{key}");
                tr {
                    th scope="row" { (json.said(&of("missing"))) }
                    td { (json.plain(&of("from_s"), Form::Duration)) }
                    td { (json.plain(&of("to_s"), Form::Duration)) }
                    td {
                        @if json.has(&of("energy_kwh")) { (json.figure(&of("energy_kwh"))) }
                        @if json.has(&of("distance_km")) { (json.figure(&of("distance_km"))) }
                    }
                    td { (json.said(&of("estimated_from"))) }
                }
            }
        };
        html! {
            h3 { "Gaps" }
            p {
                "The pack's power was observed for " (json.plain("observed_s", Form::Duration)) " and not for "
                (json.plain("unobserved_s", Form::Time)) "; " (json.plain("energy.estimated_share", Form::Share))
                " of the energy moved and " (json.plain("distances.estimated_share", Form::Share))
                " of the distance by the wheels fill gaps."
            }
            @if !long.is_empty() {
                (shell::table("Gaps of half a second or more, in the run's own time", &["Missing", "From", "To", "Estimate", "By"], &rows))
            }
            @if long.len() > GAPS_LISTED { p.soft { "Only the first are listed; the JSON has all of them." } }
        }
    }
}

/// A run, to be read like the figures' JSON.
struct Run<'a> {
    json: Json<'a>,
    ended: Ended,
}

fn run_quality(run: &Run<'_>) -> Markup {
    let json = &run.json;
    let ended = match run.ended {
        Ended::Quiet => "ended when the car fell silent",
        Ended::EndOfRecording => "ended with its recording",
        Ended::Stopped => "ended when the program was stopped",
        Ended::Recovered => "was cut, and put right from its journal",
    };
    let said = |list: &str, key: &'static str| {
        html! {
            @for at in json.items(list) { li { (json.said(&format!("{at}.{key}"))) } }
        }
    };
    let lists = ["troubles", "set_aside", "damage", "removed"];
    let is_sound = lists.iter().all(|list| json.items(list).is_empty());
    html! {
        h3 { "Run " code { (json.text("run").unwrap_or_default()) } }
        p {
            "It " (ended) ". " (json.plain("counts.frames", Form::Count)) " frames, of which the map knows no message for "
            (json.plain("counts.frames_no_map_knows", Form::Count)) "."
        }
        @if is_sound { p { "No trouble while recording, no damage, nothing put aside." } } @else {
            ul {
                (said("troubles", "text")) (said("removed", "why"))
                @for at in json.items("set_aside") {
                    li { code { (json.text(&format!("{at}.file")).unwrap_or_default()) } " was put aside: " (json.said(&format!("{at}.why"))) }
                }
                @for at in json.items("damage") {
                    li {
                        (json.said(&format!("{at}.source"))) ": " (json.plain(&format!("{at}.count"), Form::Count))
                        " lines or packets could not be read"
                    }
                }
            }
        }
        (faults(json))
        (rates(json))
    }
}

/// Signals of which a value was not what it should be.
fn faults(json: &Json<'_>) -> Markup {
    const KINDS: [(&str, &str); 4] = [
        ("not_available", "not available"),
        ("out_of_range", "out of range"),
        ("not_finite", "not finite"),
        ("too_short", "too short"),
    ];
    let keys = |path: &str| json.at(path).and_then(Value::as_object).map(|map| map.keys().cloned().collect::<Vec<_>>());
    let mut found = Vec::new();
    for message in keys("counts.messages").unwrap_or_default() {
        for signal in keys(&format!("counts.messages.{message}.signals")).unwrap_or_default() {
            let at = format!("counts.messages.{message}.signals.{signal}");
            if KINDS.iter().any(|(kind, _)| json.number(&format!("{at}.{kind}")).is_some_and(|count| count > 0.0)) {
                found.push((format!("{message}.{signal}"), at));
            }
        }
    }
    let rows = html! {
        @for (name, at) in &found {
            tr {
                th scope="row" { code { (name) } }
                td { (json.plain(&format!("{at}.available"), Form::Count)) }
                @for (kind, _) in KINDS { td { (json.plain(&format!("{at}.{kind}"), Form::Count)) } }
            }
        }
    };
    let head: Vec<&str> = ["Signal", "Used"].into_iter().chain(KINDS.map(|(_, name)| name)).collect();
    html! { @if !found.is_empty() { (shell::table("Values that were left out, by signal", &head, &rows)) } }
}

/// Each role with its signal, how often it came, and its gaps.
fn rates(json: &Json<'_>) -> Markup {
    let counted: Vec<(String, String)> = json
        .items("counts.roles.roles")
        .into_iter()
        .filter_map(|at| {
            let role = snake(json.text(&format!("{at}.slot.role"))?);
            let pack = json.number(&format!("{at}.slot.pack")).unwrap_or(0.0);
            Some((if pack > 0.0 { format!("{role}.{}", pack + 1.0) } else { role }, at))
        })
        .collect();
    let rows = html! {
        @for role in json.items("roles") {
            @let name = json.text(&format!("{role}.role")).unwrap_or_default();
            @let at = counted.iter().find(|(known, _)| known == name).map(|(_, at)| at);
            tr {
                th scope="row" { code { (name) } }
                td { code { (json.text(&format!("{role}.signal")).unwrap_or_default()) } }
                td { @if let Some(at) = at { (json.plain(&format!("{at}.samples"), Form::Count)) } }
                td { @if let Some(at) = at { (json.plain(&format!("{at}.period_s"), Form::Time)) } }
                td { @if let Some(at) = at { (json.plain(&format!("{at}.gaps"), Form::Count)) } }
                td { (json.said(&format!("{role}.sent"))) }
            }
        }
    };
    let head = ["Role", "Signal", "Samples", "Typical period", "Gaps", "Sent"];
    html! { @if !json.items("roles").is_empty() { (shell::table("What plays a role, and how often it came", &head, &rows)) } }
}

/// `PackCurrent` as `pack_current`.
fn snake(name: &str) -> String {
    let parts = name.char_indices().map(|(index, char)| match char {
        upper if upper.is_uppercase() && index > 0 => format!("_{}", upper.to_lowercase()),
        char => char.to_lowercase().to_string(),
    });
    parts.collect()
}
