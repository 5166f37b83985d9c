//! Charging from a plug: power against the state of charge and against time.
//!
//! Points are the reduction's means; nothing is drawn between sessions.

use super::Plot;
use super::axis::{self, Axis};
use super::figure::{Figure, Pen, width_of};
use super::palette::{BLUE, GREEN, INK, ORANGE, TEXT, VERMILLION};
use super::panel::{Panel, Room};
use crate::format;
use crate::quantity::Joule;
use crate::reduce::Reduction;
use crate::reduce::charging::{Point, Session};

const HEIGHT: f64 = 170.0;
/// Room above the greatest power for its name, in parts.
const HEADROOM: f64 = 1.12;
/// The sessions' pens, in turn.
const PENS: [(&str, &str); 4] = [(BLUE, ""), (VERMILLION, "6 3"), (GREEN, "2 2"), (ORANGE, "8 2 2 2")];

pub(super) fn plot(reduction: &Reduction) -> Option<Plot> {
    let sessions = &reduction.sessions;
    let points = || sessions.iter().flat_map(|session| session.by_time.iter().chain(&session.by_percent));
    let (_, most) = axis::range(points().map(|point| point.power / 1e3))?;
    let power = |title: &str| Axis::rounded(title, (0.0, most.max(0.0) * HEADROOM), 4);
    let title =
        if sessions.len() == 1 { "Charging".to_owned() } else { format!("Charging, {} sessions", sessions.len()) };
    let mut figure = Figure::new("charging", &title, &caption(reduction));
    let end = |session: &Session| session.soc.1.unwrap_or(f64::NAN);
    let socs = sessions.iter().flat_map(|session| session.by_percent.iter().filter_map(|point| point.soc));
    if let Some(range) = axis::range(socs.chain(sessions.iter().map(end))) {
        let x = Axis::exact("State of charge, %", range, 6)?;
        let panel = Panel::below(&mut figure, x, power("Power into the pack, kW")?, HEIGHT, Room::default());
        panel.grid(&mut figure);
        for (at, session) in sessions.iter().enumerate() {
            draw(&mut figure, &panel, at, &session.by_percent, &|point| point.soc, end(session));
        }
        name_peak(&mut figure, &panel, sessions);
        panel.foot(&mut figure);
    }
    let longest = sessions.iter().map(Session::duration).fold(0.0, f64::max);
    let x = Axis::of_time("Time since the start, h:min", (0.0, longest), 6)?;
    let panel = Panel::below(&mut figure, x, power("Power into the pack, kW")?, HEIGHT, Room::default());
    panel.grid(&mut figure);
    for (at, session) in sessions.iter().enumerate() {
        draw(&mut figure, &panel, at, &session.by_time, &|point| Some(point.t), session.duration());
    }
    panel.foot(&mut figure);
    Some(figure.finish(words(sessions)))
}

fn caption(reduction: &Reduction) -> String {
    let names = ["solid", "dashed", "dotted", "dash and dot"];
    let mut caption = format!("{}. Means over each percent; over time, of half a minute or more.", reduction.vehicle);
    if reduction.sessions.len() > 1 {
        let named: Vec<String> =
            (0..reduction.sessions.len().min(12)).map(|at| format!("{} {}", at + 1, names[at % 4])).collect();
        caption += &format!(" Sessions: {}.", named.join(", "));
    }
    caption
}

fn draw(
    figure: &mut Figure,
    panel: &Panel,
    session: usize,
    points: &[Point],
    across: &dyn Fn(&Point) -> Option<f64>,
    end: f64,
) {
    let places: Vec<(f64, f64)> = points.iter().filter_map(|point| Some((across(point)?, point.power / 1e3))).collect();
    let (stroke, dash) = PENS[session % PENS.len()];
    let end = if end.is_finite() { end } else { places.last().map_or(0.0, |place| place.0) };
    panel.steps(figure, &places, end, Pen { dash, ..Pen::line(stroke, 2.0) });
}

fn name_peak(figure: &mut Figure, panel: &Panel, sessions: &[Session]) {
    let [session] = sessions else { return };
    let Some((soc, peak)) = session.peak.as_ref().and_then(|peak| Some((peak.soc?, &peak.power))) else { return };
    let kw = peak.value / 1e3;
    if panel.holds(soc, kw) {
        let (x, y) = panel.at(soc, kw);
        figure.dot((x, y), 4.0, BLUE, BLUE);
        let says = format!("peak {}", format::figure(kw, Some(peak.u95() / 1e3), "kW"));
        panel.note(figure, (x + 9.0 + width_of(&says, TEXT) / 2.0, y - 8.0), &says, INK);
    }
}

fn words(sessions: &[Session]) -> String {
    let mut words = String::new();
    for (at, session) in sessions.iter().enumerate() {
        words += &format!("Session {}: ", at + 1);
        if let (Some(from), Some(to)) = session.soc {
            words += &format!("from {} to {} ", format::percent(from), format::percent(to));
        }
        words += &format!("in {}", format::duration(session.duration()));
        if let Some(energy) = &session.energy {
            let energy = format::figure(Joule(energy.value).kwh(), Some(Joule(energy.u95()).kwh()), "kWh");
            words += &format!(", {energy} into the pack");
        }
        if let Some(peak) = &session.peak {
            let power = format::figure(peak.power.value / 1e3, Some(peak.power.u95() / 1e3), "kW");
            words += &format!(", at most {power}");
        }
        words += ". ";
    }
    words.trim_end().to_owned()
}
