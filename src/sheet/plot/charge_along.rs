//! State of charge and net energy along the distance, with the checkpoints and what was projected at them.
//!
//! Projects nothing: draws what the reduction found, beside where the drive really ended.

use super::Plot;
use super::axis::{self, Axis};
use super::figure::{EDGE, Figure, Pen, Side, Text, width_of};
use super::palette::{BLUE, GROUND, INK, MUTED, TEXT, VERMILLION};
use super::panel::{Panel, Room};
use super::road::Road;
use crate::format;
use crate::ledger::Phase;
use crate::quantity::Joule;
use crate::reduce::Reduction;
use crate::reduce::checkpoints::Checkpoint;
use crate::reduce::trail::TrailPoint;
use crate::schema::Role;

const TITLE: &str = "State of charge and energy along the distance";
const CHARGE: f64 = 150.0;
const ENERGY: f64 = 110.0;
/// Height of a row of projections.
const ROW: f64 = 25.0;
/// A projection so many times beyond the drive is cut.
const FAR: f64 = 1.4;

/// A projection on the road, in the unit of distance.
struct Projection {
    value: f64,
    /// Where the projected end lies, and half of its interval.
    ours: Option<(f64, f64)>,
    /// Where the car's own word puts it.
    shown: Option<f64>,
}

pub(super) fn plot(road: &Road<'_>) -> Option<Plot> {
    let soc_range = axis::range(road.points.iter().map(soc));
    let energy_range = axis::range(road.points.iter().map(|point| Joule(point.energy).kwh()));
    let energy_range = energy_range.filter(|_| road.points.iter().any(|point| point.is_observed));
    let found = projections(road);
    let far = found.iter().flat_map(|p| p.ours.map(|(end, u95)| end + u95).into_iter().chain(p.shown));
    let far = far.fold(0.0, f64::max).min(road.length() * FAR);
    let x = road.axis(far)?;
    let mut figure = Figure::new("charge_along", TITLE, &caption(road, &found));
    let mut room = road.room();
    let mut last = None;
    if let Some((low, high)) = soc_range {
        let y = Axis::rounded(soc_title(road.reduction), (low, high), 4)?;
        let panel = Panel::below(&mut figure, x.clone(), y, CHARGE, std::mem::take(&mut room));
        road.ground(&mut figure, &panel);
        draw(road, &mut figure, &panel, BLUE, &soc);
        road.name_legs(&mut figure, &panel);
        for (checkpoint, at) in checkpoints(road) {
            if let Some(at) = at.filter(|at| panel.holds(*at, checkpoint.value)) {
                let (x, y) = panel.at(at, checkpoint.value);
                figure.dot((x, y), 4.5, BLUE, GROUND);
                let says = format::percent(checkpoint.value);
                figure.text(Text { at: (x + 8.0, y - 6.0), side: Side::Right, ink: INK, says: &says, clear: true });
            }
        }
        last = Some(panel);
    }
    if let Some((low, high)) = energy_range {
        let y = Axis::rounded("Net energy out of the pack, kWh", (low.min(0.0), high), 3)?;
        let panel = Panel::below(&mut figure, x.clone(), y, ENERGY, std::mem::take(&mut room));
        road.ground(&mut figure, &panel);
        let energy = |point: &TrailPoint| if point.is_observed { Joule(point.energy).kwh() } else { f64::NAN };
        draw(road, &mut figure, &panel, VERMILLION, &energy);
        road.hatch(&mut figure, &panel);
        if let Some(net) = &road.reduction.energy.net {
            let says = format::figure(Joule(net.value).kwh(), Some(Joule(net.u95()).kwh()), "kWh");
            let (x, y) = panel.at(road.length(), Joule(net.value).kwh());
            panel.note(&mut figure, (x, y.max(panel.top + 4.0) - 9.0), &says, INK);
        }
        last = Some(panel);
    }
    if !found.is_empty() {
        last = Some(projected(road, &mut figure, x, &found)?);
    }
    let last = last?;
    last.foot(&mut figure);
    Some(figure.finish(words(road, &found)))
}

/// What the state of charge that counts is called on an axis.
pub(super) fn soc_title(reduction: &Reduction) -> &'static str {
    match reduction.soc.role {
        Role::SocInternal => "State of charge by the battery computer, %",
        _ => "Displayed state of charge, %",
    }
}

/// A point's state of charge; NaN for what is none.
fn soc(point: &TrailPoint) -> f64 {
    if (0.0..=100.0).contains(&point.soc) { point.soc } else { f64::NAN }
}

fn caption(road: &Road<'_>, found: &[Projection]) -> String {
    let mut caption = format!("{}.{}", road.reduction.vehicle, road.key(450.0));
    if !found.is_empty() {
        caption += " Below: 0 % as projected at each checkpoint, 95 % bars";
        caption += if found.iter().any(|p| p.shown.is_some()) { "; diamonds: the car's own." } else { "." };
    }
    caption
}

fn draw(road: &Road<'_>, figure: &mut Figure, panel: &Panel, ink: &'static str, value: &dyn Fn(&TrailPoint) -> f64) {
    let known = |point: &TrailPoint| if point.phase == Phase::Charge { f64::NAN } else { value(point) };
    panel.trace(figure, &road.columns(panel, |point| [known(point); 2]), Pen::line(ink, 2.5));
}

/// The checkpoints, and where on the road they were reached.
fn checkpoints<'a>(road: &Road<'a>) -> Vec<(&'a Checkpoint, Option<f64>)> {
    let found = &road.reduction.checkpoints;
    let start = found.start.map_or(0.0, |start| road.place(start));
    let at = |checkpoint: &Checkpoint| Some(road.distance(start + checkpoint.so_far.distance.as_ref()?.value));
    found.reached.iter().map(|checkpoint| (checkpoint, at(checkpoint))).collect()
}

fn projections(road: &Road<'_>) -> Vec<Projection> {
    let start = road.reduction.checkpoints.start.map_or(0.0, |start| road.place(start));
    let of = |(checkpoint, at): (&Checkpoint, Option<f64>)| Projection {
        value: checkpoint.value,
        ours: checkpoint.projected.as_ref().map(|p| (road.distance(start + p.value), road.distance(p.u95()))),
        shown: at.zip(checkpoint.shown_rest).map(|(at, rest)| at + road.distance(rest)),
    };
    let all = checkpoints(road).into_iter().filter(|(checkpoint, _)| checkpoint.value > 0.0).map(of);
    all.filter(|projection| projection.ours.is_some()).collect()
}

/// Where displayed 0 % really was.
fn zero(road: &Road<'_>) -> Option<f64> {
    checkpoints(road).into_iter().find(|(checkpoint, _)| checkpoint.value == 0.0).and_then(|(_, at)| at)
}

fn projected(road: &Road<'_>, figure: &mut Figure, x: Axis, found: &[Projection]) -> Option<Panel> {
    let y = Axis::exact(format!("Projected, {}", road.distance_unit()), (0.0, found.len() as f64), 1)?;
    let panel = Panel::below(figure, x, y, ROW * found.len() as f64 + 10.0, Room::default());
    panel.title(figure);
    panel.uprights(figure);
    if let Some(zero) = zero(road) {
        let x = panel.across(zero);
        figure.line((x, panel.top - 6.0), (x, panel.bottom), Pen::dashed(INK, 1.5));
        let says = format!("0 % after {}", format::way(zero * unit(road), road.units.in_miles()));
        // Right of the panel's title.
        let least = EDGE + width_of(&panel.y.title, TEXT) + width_of(&says, TEXT) / 2.0 + 8.0;
        panel.note(figure, (x.max(least), panel.top - 11.0), &says, INK);
    }
    for (row, projection) in found.iter().enumerate() {
        let y = panel.top + 5.0 + ROW * (row as f64 + 0.5);
        let says = format::percent(projection.value);
        let at = (panel.left - 6.0, y + TEXT * 0.35);
        figure.text(Text { at, side: Side::Left, ink: MUTED, says: &says, clear: false });
        if let Some((end, u95)) = projection.ours {
            let (from, to) = (panel.across((end - u95).max(panel.x.from)), panel.across((end + u95).min(panel.x.to)));
            let y = y - 3.0;
            figure.line((from, y), (to, y), Pen::line(BLUE, 2.0));
            for (value, x) in [(end - u95, from), (end + u95, to)] {
                // An end beyond the axis has no cap.
                if (panel.x.from..=panel.x.to).contains(&value) {
                    figure.line((x, y - 4.0), (x, y + 4.0), Pen::line(BLUE, 2.0));
                }
            }
            if end <= panel.x.to {
                figure.dot((panel.across(end), y), 4.0, BLUE, BLUE);
            }
        }
        if let Some(shown) = projection.shown.filter(|shown| *shown <= panel.x.to) {
            figure.diamond((panel.across(shown), y + 6.0), 4.0, VERMILLION, GROUND);
        }
    }
    Some(panel)
}

/// Metres in the unit of distance.
fn unit(road: &Road<'_>) -> f64 {
    1.0 / road.distance(1.0)
}

fn words(road: &Road<'_>, found: &[Projection]) -> String {
    let (unit, in_miles) = (unit(road), road.units.in_miles());
    let soc = road.reduction.soc;
    let mut words = format!("Along {}. ", road.way(road.length() * unit));
    words += &match (soc.first, soc.last) {
        (Some(first), Some(last)) => {
            format!("The state of charge goes from {} to {}. ", format::percent(first), format::percent(last))
        }
        _ => String::new(),
    };
    if let Some(net) = &road.reduction.energy.net {
        let net = format::figure(Joule(net.value).kwh(), Some(Joule(net.u95()).kwh()), "kWh");
        words += &format!("The net energy reaches {net}. ");
    }
    for (checkpoint, at) in checkpoints(road) {
        if let Some(at) = at {
            words += &format!("{} after {}. ", format::percent(checkpoint.value), format::way(at * unit, in_miles));
        }
    }
    for projection in found {
        if let Some((end, u95)) = projection.ours {
            let end = format::figure(end, Some(u95), road.distance_unit());
            words += &format!("From {} the projected whole was {end}. ", format::percent(projection.value));
        }
    }
    words.trim_end().to_owned()
}
