//! Power and speed along the distance.
//!
//! Draws no time: what happened while the car stood lies on one place. Charging is left out.

use super::Plot;
use super::axis::{self, Axis};
use super::figure::{Figure, Pen, Side, Text};
use super::palette::{BLUE, INK, MUTED, ORANGE, SKY, VERMILLION};
use super::panel::{Panel, Room};
use super::road::Road;
use crate::format;
use crate::ledger::Phase;
use crate::reduce::trail::TrailPoint;

const TITLE: &str = "Power and speed along the distance";
/// Heights of both panels.
const POWER: f64 = 170.0;
const SPEED: f64 = 120.0;

pub(super) fn plot(road: &Road<'_>) -> Option<Plot> {
    let x = road.axis(0.0)?;
    let driving = |point: &TrailPoint| point.phase != Phase::Charge;
    let power = |point: &TrailPoint| {
        let known = driving(point) && point.is_observed;
        ends(point.power_ends, point.power).map(|end| if known { end / 1e3 } else { f64::NAN })
    };
    let mean_power =
        |point: &TrailPoint| if driving(point) && point.is_observed { point.power / 1e3 } else { f64::NAN };
    let speed = |point: &TrailPoint| {
        ends(point.speed_ends, point.speed).map(|end| if driving(point) { road.speed(end) } else { f64::NAN })
    };
    let mean_speed = |point: &TrailPoint| if driving(point) { road.speed(point.speed) } else { f64::NAN };
    let power_range = axis::range(road.points.iter().flat_map(power));
    let speed_range = axis::range(road.points.iter().flat_map(speed));
    let bin = road.way(road.bin() * if road.units.in_miles() { 1_609.344 } else { 1_000.0 });
    let caption = format!(
        "{}. Line: mean over {bin}. Band: smallest to largest reading.{}",
        road.reduction.vehicle,
        road.key(450.0)
    );
    let mut figure = Figure::new("along", TITLE, &caption);
    let mut last = None;
    if let Some(range) = power_range {
        let y = Axis::rounded("Power out of the pack, kW", (range.0.min(0.0), range.1), 5)?;
        let panel = Panel::below(&mut figure, x.clone(), y, POWER, road.room());
        road.ground(&mut figure, &panel);
        panel.band(&mut figure, &road.columns(&panel, power), SKY);
        road.hatch(&mut figure, &panel);
        for line in road.means(mean_power) {
            panel.polyline(&mut figure, &line, Pen::line(BLUE, 2.0));
        }
        road.name_legs(&mut figure, &panel);
        last = Some(panel);
    }
    if let Some(range) = speed_range.filter(|range| range.1 > 0.0) {
        let y = Axis::rounded(format!("Speed, {}", road.speed_unit()), (0.0, range.1), 4)?;
        let panel = Panel::below(&mut figure, x, y, SPEED, Room::default());
        road.ground(&mut figure, &panel);
        panel.band(&mut figure, &road.columns(&panel, speed), ORANGE);
        for line in road.means(mean_speed) {
            panel.polyline(&mut figure, &line, Pen::line(VERMILLION, 2.0));
        }
        target(road, &mut figure, &panel);
        last = Some(panel);
    }
    last?.foot(&mut figure);
    Some(figure.finish(words(road, power_range, speed_range)))
}

/// The smallest and largest reading of a second; its mean where it has no row of its own.
fn ends([low, high]: [f64; 2], mean: f64) -> [f64; 2] {
    if low <= high { [low.min(mean), high.max(mean)] } else { [mean; 2] }
}

fn target(road: &Road<'_>, figure: &mut Figure, panel: &Panel) {
    let Some(held) = road.reduction.hold.held() else { return };
    let target = road.speed(held.target);
    panel.level(figure, target, Pen::dashed(INK, 1.0));
    let says = format!("dashed: target {} {}", format::significant(target, 3), road.speed_unit());
    let at = (panel.right, panel.top - 13.0);
    figure.text(Text { at, side: Side::Left, ink: MUTED, says: &says, clear: false });
}

fn words(road: &Road<'_>, power: Option<(f64, f64)>, speed: Option<(f64, f64)>) -> String {
    let end = road.points.last().map_or(0.0, |point| point.distance);
    let mut words = format!("Along {} driven", road.way(end));
    let between = |(low, high): (f64, f64), digits| {
        format!("between {} and {}", format::significant(low, digits), format::significant(high, digits))
    };
    if let Some(range) = power {
        words += &format!(", readings of the power lie {} kW", between(range, 2));
    }
    if let Some(range) = speed {
        words += &format!(", those of the speed {} {}", between(range, 3), road.speed_unit());
    }
    words += ".";
    if let Some(held) = road.reduction.hold.held() {
        let target = format::significant(road.speed(held.target), 3);
        words += &format!(" The target was {target} {}.", road.speed_unit());
    }
    if !road.legs.is_empty() {
        words += &format!(" The drive has {} legs.", road.legs.len());
    }
    match road.gaps.len() {
        0 => {}
        1 => words += " Over one stretch the power was not observed.",
        n => words += &format!(" Over {n} stretches the power was not observed."),
    }
    words
}
