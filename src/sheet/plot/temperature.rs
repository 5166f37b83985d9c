//! Temperatures outside, in the cabin and of the pack over the time of the drive.
//!
//! Readings of the car's own sensors; corrects none.

use super::Plot;
use super::axis::{self, Axis};
use super::figure::{Figure, Pen, Side, Text};
use super::palette::{BLUE, GREEN, INK, MINT, ORANGE, SHADE, SKY, TEXT, VERMILLION};
use super::panel::{Panel, Room};
use super::road::Road;
use super::thin::{self, Column, Piece, Weighed};
use crate::format;
use crate::ledger::Phase;
use crate::reduce::temperatures::Readings;
use crate::reduce::trail::TrailPoint;

const TITLE: &str = "Temperatures";
const HEIGHT: f64 = 190.0;
/// Room for the lines' names.
const ROOM: f64 = 66.0;

/// Means are formed over so many bins at most.
const BINS: f64 = 150.0;
/// Lengths of a bin, s.
const BINS_S: [f64; 7] = [30.0, 60.0, 120.0, 300.0, 600.0, 1_200.0, 1_800.0];

/// What is drawn: name, place in the trail's temperatures, pen of the mean and colour of the band.
fn lines() -> [(&'static str, usize, Pen, &'static str); 3] {
    [
        ("pack", 2, Pen::line(VERMILLION, 2.5), ORANGE),
        ("cabin", 1, Pen { dash: "7 3", ..Pen::line(GREEN, 2.0) }, MINT),
        ("outside", 0, Pen { dash: "2 2.5", ..Pen::line(BLUE, 2.0) }, SKY),
    ]
}

pub(super) fn plot(road: &Road<'_>) -> Option<Plot> {
    let temperatures = road.points.iter().flat_map(|point| point.temperature);
    let range = axis::range(temperatures)?;
    let end = road.points.last()?.elapsed;
    let x = Axis::of_time("Time, h:min", (0.0, end), 6)?;
    let y = Axis::rounded("Temperature, °C", range, 5)?;
    let charges = spans_of_charging(road);
    let shaded = if charges.is_empty() { "" } else { " Grey ground: charging." };
    let bin = BINS_S.into_iter().find(|bin| end / bin <= BINS).unwrap_or(3_600.0);
    let caption = format!(
        "{}. The car's own sensors. Line: mean over {}. Band: smallest to largest, read once a second.{shaded}",
        road.reduction.vehicle,
        if bin < 60.0 { format::time(bin) } else { format!("{} min", format::to_step(bin / 60.0, 1.0)) }
    );
    let mut figure = Figure::new("temperature", TITLE, &caption);
    let panel = Panel::below(&mut figure, x, y, HEIGHT, Room { right: ROOM, ..Room::default() });
    for (from, to) in charges {
        figure.area((panel.across(from), panel.top), (panel.across(to), panel.bottom), SHADE);
    }
    panel.grid(&mut figure);
    let mut names = Vec::new();
    for (_, at, _, band) in lines() {
        panel.band(&mut figure, &columns(road, &panel, at), band);
    }
    for (name, at, pen, _) in lines() {
        let means = means(road, at, bin);
        for line in &means {
            panel.polyline(&mut figure, line, pen);
        }
        if let Some((_, value)) = means.last().and_then(|line| line.last()) {
            names.push((panel.up(*value), name));
        }
    }
    name_lines(&mut figure, &panel, names);
    panel.foot(&mut figure);
    Some(figure.finish(words(road)))
}

fn columns(road: &Road<'_>, panel: &Panel, at: usize) -> Vec<Vec<Column>> {
    let pieces = road.lasting().map(|(seconds, point)| {
        let (value, to) = (point.temperature[at], point.elapsed);
        Piece { from: panel.across(to - seconds), to: panel.across(to), low: value, high: value }
    });
    thin::columns(pieces, (panel.left, panel.right))
}

fn means(road: &Road<'_>, at: usize, bin: f64) -> Vec<Vec<(f64, f64)>> {
    let value =
        |(seconds, point): (f64, &TrailPoint)| Weighed { at: point.elapsed, seconds, value: point.temperature[at] };
    thin::means(road.lasting().map(value), bin)
}

fn spans_of_charging(road: &Road<'_>) -> Vec<(f64, f64)> {
    let mut spans: Vec<(f64, f64)> = Vec::new();
    for (seconds, point) in road.lasting().filter(|(_, point)| point.phase == Phase::Charge) {
        let from = point.elapsed - seconds;
        match spans.last_mut() {
            Some(span) if from <= span.1 => span.1 = point.elapsed,
            _ => spans.push((from, point.elapsed)),
        }
    }
    spans
}

/// Names lines at their ends, moved apart where they end near each other.
fn name_lines(figure: &mut Figure, panel: &Panel, mut names: Vec<(f64, &'static str)>) {
    names.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut free = f64::NEG_INFINITY;
    for (y, says) in names {
        let y = y.max(free);
        figure.text(Text { at: (panel.right + 6.0, y + TEXT * 0.35), side: Side::Right, ink: INK, says, clear: false });
        free = y + TEXT * 1.1;
    }
}

fn words(road: &Road<'_>) -> String {
    let found = road.reduction.temperatures;
    let mut words = String::new();
    for (name, readings) in [("the pack", found.pack), ("the cabin", found.cabin), ("the air outside", found.outside)] {
        let Some(Readings { first, mean, last }) = readings else { continue };
        let [first, mean, last] = [first, mean, last].map(format::temperature);
        words +=
            &format!("The temperature of {name} began at {first} °C and ended at {last} °C; its mean was {mean} °C. ");
    }
    if words.is_empty() { "Temperatures while the car was charged.".into() } else { words.trim_end().into() }
}
