//! How usable capacity was found: charge against the state of charge with its fit, or energy between the ends of a full
//! discharge.
//!
//! Fits nothing.

use super::Plot;
use super::axis::{self, Axis};
use super::charge_along::soc_title;
use super::figure::{Figure, Pen, Side, Text};
use super::palette::{BLUE, INK, MUTED, SHADE, VERMILLION};
use super::panel::{Panel, Room};
use crate::format;
use crate::quantity::{Coulomb, Joule};
use crate::reduce::Reduction;
use crate::reduce::capacity::{FitDrawn, FitTick};
use crate::reduce::usable::Usable;

const HEIGHT: f64 = 260.0;
/// Ticks nearer to each other than this are not drawn one by one, percent.
const APART: f64 = 1.0;

pub(super) fn plot(reduction: &Reduction) -> Option<Plot> {
    let usable = &reduction.usable;
    match &usable.fit {
        Some(fit) => fitted(reduction, usable, fit),
        None => direct(reduction, usable),
    }
}

/// Places without those that lie too near the one before.
fn apart(places: impl Iterator<Item = (f64, f64)>) -> Vec<(f64, f64)> {
    let mut kept: Vec<(f64, f64)> = Vec::new();
    for place in places {
        if kept.last().is_none_or(|last| (last.0 - place.0).abs() >= APART - 1e-9) {
            kept.push(place);
        }
    }
    kept
}

fn panel(reduction: &Reduction, figure: &mut Figure, title: &str, top: f64) -> Option<Panel> {
    let x = Axis::exact(soc_title(reduction), (0.0, 100.0), 5)?.falling();
    let y = Axis::rounded(title, (0.0, top), 5)?;
    let panel = Panel::below(figure, x, y, HEIGHT, Room::default());
    Some(panel)
}

fn specks(figure: &mut Figure, panel: &Panel, values: &[(f64, f64)]) {
    let known = values.iter().filter(|(x, y)| panel.holds(*x, *y));
    let places: Vec<(f64, f64)> = known.map(|(x, y)| panel.at(*x, *y)).collect();
    figure.specks(&places, BLUE);
}

/// The end at displayed 0 % with its figure.
fn end(figure: &mut Figure, panel: &Panel, (value, u95): (f64, f64), says: &str) {
    let (x, y) = panel.at(0.0, value);
    let reach = panel.up(value) - panel.up(value + u95);
    figure.bar((x, y), reach, true, Pen::line(VERMILLION, 2.0));
    figure.dot((x, y), 3.0, VERMILLION, VERMILLION);
    let at = (x - 14.0, y - 3.0);
    figure.text(Text { at, side: Side::Left, ink: INK, says, clear: true });
}

fn fitted(reduction: &Reduction, usable: &Usable, fit: &FitDrawn) -> Option<Plot> {
    let charge = usable.charge.as_ref()?;
    let (whole, u95) = (Coulomb(charge.value).ah(), Coulomb(charge.u95()).ah());
    let text = format::figure(whole, Some(u95), "Ah");
    let ticks = || fit.stretches.iter().flatten();
    let (_, top) = axis::range(ticks().map(|tick| Coulomb(tick.charge).ah()).chain([whole + u95]))?;
    let caption = format!(
        "{}. Dots: the {} ticks used. Line: the fit. Dashed: what it adds outside. Grey ground: the charge measured.",
        reduction.vehicle, usable.ticks
    );
    let mut figure = Figure::new("capacity", "Usable capacity by ticks of the state of charge", &caption);
    let panel = panel(reduction, &mut figure, "Charge drawn since 100 %, Ah", top)?;
    let [from, to] = fit.measured.map(|charge| panel.up(Coulomb(charge).ah()));
    figure.area((panel.left, to.max(panel.top)), (panel.right, from.min(panel.bottom)), SHADE);
    panel.grid(&mut figure);
    for outside in &fit.outside {
        let places: Vec<(f64, f64)> =
            outside.iter().map(|(value, charge)| (value * 100.0, Coulomb(*charge).ah())).collect();
        panel.polyline(&mut figure, &places, Pen::dashed(VERMILLION, 2.0));
    }
    let place = |tick: &FitTick, charge: f64| (tick.value * 100.0, Coulomb(charge).ah());
    for stretch in &fit.stretches {
        let line: Vec<(f64, f64)> = stretch.iter().map(|tick| place(tick, tick.fitted)).collect();
        panel.polyline(&mut figure, &line, Pen::line(INK, 1.5));
    }
    let used: Vec<(f64, f64)> = ticks().map(|tick| place(tick, tick.charge)).collect();
    specks(&mut figure, &panel, &used);
    end(&mut figure, &panel, (whole, u95), &text);
    panel.foot(&mut figure);
    let share = usable.span.map_or(String::new(), |span| format!(" over {}", format::percent(span.round())));
    let energy = usable.energy.as_ref().map_or(String::new(), |energy| {
        format!(", or {}", format::figure(Joule(energy.value).kwh(), Some(Joule(energy.u95()).kwh()), "kWh"))
    });
    let words = format!(
        "{} ticks of the state of charge{share} and the line fitted to the charge drawn at them. Carried on to displayed 0 % \
         the line ends at {text}{energy}.",
        usable.ticks
    );
    Some(figure.finish(words))
}

fn direct(reduction: &Reduction, usable: &Usable) -> Option<Plot> {
    let energy = usable.energy.as_ref()?;
    let (whole, u95) = (Joule(energy.value).kwh(), Joule(energy.u95()).kwh());
    let text = format::figure(whole, Some(u95), "kWh");
    let passed = apart(usable.passed.iter().map(|(value, energy)| (*value, Joule(*energy).kwh())));
    let (_, top) = axis::range(passed.iter().map(|(_, energy)| *energy).chain([whole + u95]))?;
    let ticks = if passed.is_empty() { "" } else { " Small dots: ticks passed, about one a percent, no part of it." };
    let caption = format!(
        "{}. Measured from displayed 100 % to displayed 0 %.{ticks} Dashed: straight between the ends.",
        reduction.vehicle
    );
    let mut figure = Figure::new("capacity", "Usable capacity, measured directly", &caption);
    let panel = panel(reduction, &mut figure, "Energy drawn since 100 %, kWh", top)?;
    panel.grid(&mut figure);
    panel.polyline(&mut figure, &[(100.0, 0.0), (0.0, whole)], Pen::dashed(MUTED, 1.5));
    specks(&mut figure, &panel, &passed);
    figure.dot(panel.at(100.0, 0.0), 3.0, VERMILLION, VERMILLION);
    end(&mut figure, &panel, (whole, u95), &text);
    panel.foot(&mut figure);
    Some(figure.finish(format!("From displayed 100 % to displayed 0 % the pack gave {text}, measured directly.")))
}
