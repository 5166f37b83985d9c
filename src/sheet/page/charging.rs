//! Charging sessions, what a meter said of them, and the sensors held against it.
//!
//! Computes no figure; the curve itself is a plot, and in the JSON.

use maud::{Markup, html};

use super::Sheet;
use super::json::Form;
use super::prose::prose;
use crate::sheet::html as shell;

impl Sheet<'_> {
    /// Nothing where nothing was charged and no meter was read.
    pub(super) fn charging(&self) -> Markup {
        let json = &self.json;
        let metered: Vec<String> =
            json.items("plug.charges").into_iter().filter(|at| json.has(&format!("{at}.metered_kwh"))).collect();
        let sessions = json.items("charging");
        if sessions.is_empty() && metered.is_empty() {
            return html! {};
        }
        html! {
            section #charging {
                h2 { "Charging" }
                @for at in &sessions { (self.session(at)) }
                (self.metered(&metered))
                (self.balances())
            }
        }
    }

    fn session(&self, at: &str) -> Markup {
        let json = &self.json;
        let path = |key: &str| format!("{at}.{key}");
        let percent = |key: &str| json.plain(&path(key), Form::Percent);
        let rows = html! {
            @for window in json.items(&path("windows")) {
                @let of = |key: &str| format!("{window}.{key}");
                tr {
                    th scope="row" {
                        (json.plain(&of("from_percent"), Form::Percent)) " to " (json.plain(&of("to_percent"), Form::Percent))
                    }
                    @if json.has(&of("time_s")) {
                        td { (json.figure(&of("time_s"))) } td { (json.figure(&of("dc_in_kwh"))) } td { (json.figure(&of("mean_kw"))) }
                    } @else { td colspan="3" { "not measured: " (json.said(&of("why"))) } }
                }
            }
        };
        html! {
            h3 { "Charge of " (json.moment(&path("start_utc"))) }
            p {
                (percent("first_percent")) " to " (percent("last_percent")) " in "
                (json.plain(&path("duration_s"), Form::Duration)) ", " (json.figure(&path("dc_in_kwh")))
                " into the pack, measured there; mean " (json.figure(&path("mean_kw"))) ", peak " (json.figure(&path("peak_kw")))
                @if json.has(&path("peak_at_percent")) { " at " (percent("peak_at_percent")) } "."
                @if json.has(&path("km_per_ten_minutes")) {
                    " Ten minutes give " (json.figure(&path("km_per_ten_minutes"))) " at this test's own energy per distance"
                    @if json.has(&path("km_in_best_ten_minutes")) { ", at best " (json.figure(&path("km_in_best_ten_minutes"))) } "."
                }
                @if json.has(&path("pack_start_degc")) && json.has(&path("pack_end_degc")) {
                    " The pack went from " (json.plain(&path("pack_start_degc"), Form::Temperature)) " to "
                    (json.plain(&path("pack_end_degc"), Form::Temperature)) "."
                }
            }
            (shell::table("Windows of the state of charge", &["Window", "Time", "Into the pack", "Mean power"], &rows))
        }
    }

    fn metered(&self, charges: &[String]) -> Markup {
        let json = &self.json;
        html! {
            @for at in charges {
                @let path = |key: &str| format!("{at}.{key}");
                p {
                    "The meter said " (self.reading(&path("metered_kwh")))
                    @match json.text(&path("metered_at")) {
                        Some("wall") => " at the wall",
                        Some("dispenser") => " at the dispenser",
                        _ => "",
                    }
                    @if json.text(&path("charge")) == Some("recharge") { " of the charge after the test" }
                    @else { " of the charge before the test" }
                    "; " @if json.has(&path("dc_in_by_metered_percent")) {
                        (json.figure(&path("dc_in_by_metered_percent"))) " of it went into the pack."
                    } @else { "the share that went into the pack is not measured: " (json.said(&path("why"))) "." }
                }
            }
            @if json.has("plug.metered_wh_per_km") {
                p {
                    "Metered energy per distance " (json.figure("plug.metered_wh_per_km"))
                    @if json.text("plug.metered_at") == Some("dispenser") { ", from the dispenser" } @else { ", from the wall" }
                    @if json.has("plug.metered_driving_wh_per_km") {
                        "; of driving alone " (json.figure("plug.metered_driving_wh_per_km"))
                    } "."
                }
            }
            @if json.has("plug.dc_out_by_dc_in_percent") {
                p { (prose("Of a closed cycle, out of the pack by into it: ")) (json.figure("plug.dc_out_by_dc_in_percent")) "." }
            }
        }
    }

    /// A meter's reading; one whose class is not known has no uncertainty of ours.
    fn reading(&self, path: &str) -> Markup {
        let known = self.json.number(&format!("{path}.u95")).is_some_and(|u95| u95 > 0.0);
        if known { self.json.figure(path) } else { self.json.plain_as(&format!("{path}.value"), path, Form::Digits(3)) }
    }

    fn balances(&self) -> Markup {
        let json = &self.json;
        html! {
            @for at in json.items("balances") {
                p {
                    "The sensors against the meter: "
                    @if json.has(&format!("{at}.sensor_gain_percent")) {
                        "they read " (json.figure(&format!("{at}.sensor_gain_percent"))) " too much. Nothing is corrected by it."
                    } @else { "not possible, " (json.said(&format!("{at}.why"))) "." }
                }
            }
        }
    }
}
