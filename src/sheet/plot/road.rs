//! The road as an axis: the distance driven, its legs shaded by direction, what was not observed hatched.
//!
//! Forms no figure; distances are the trail's, at the scale of the distance that counts.

use super::axis::{self, Axis};
use super::figure::{Figure, Pen, Side, Text, width_of};
use super::palette::{MUTED, SHADE, TEXT};
use super::panel::{Panel, Room};
use super::thin::{self, Column, PIXEL, Piece, Weighed};
use crate::format;
use crate::quantity::{ConsumptionUnit, Metre, MetrePerSecond};
use crate::reduce::trail::TrailPoint;
use crate::reduce::{Estimate, Reduction, Trail};

/// Means are formed over so many bins at most.
const BINS: f64 = 160.0;
/// Runs that follow each other sooner are drawn as one, s.
const PAUSE_S: f64 = 2.0;

/// From here to there, in the unit of distance.
pub type Span = (f64, f64);

/// A leg's part of the road.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LegSpan {
    /// Which, from 0.
    pub leg: usize,
    /// Where.
    pub span: Span,
    /// Driven out; `None` where that is not known.
    pub out: Option<bool>,
}

/// A test's road.
pub struct Road<'a> {
    /// The figures.
    pub reduction: &'a Reduction,
    /// Its moments.
    pub points: &'a [TrailPoint],
    /// How the tester wants distances.
    pub units: ConsumptionUnit,
    /// Its legs, none where turns are not known.
    pub legs: Vec<LegSpan>,
    /// What was not observed.
    pub gaps: Vec<Span>,
}

impl<'a> Road<'a> {
    /// Of a test.
    pub fn new(reduction: &'a Reduction, trail: &'a Trail, units: ConsumptionUnit) -> Self {
        let mut road = Self { reduction, points: &trail.points, units, legs: Vec::new(), gaps: Vec::new() };
        let mut leg: Option<LegSpan> = None;
        let mut gap: Option<Span> = None;
        for (from, point) in road.steps() {
            let to = road.distance(point.distance);
            match &mut leg {
                Some(known) if known.leg == point.leg => known.span.1 = to,
                _ => {
                    road.legs.extend(leg);
                    let out = reduction.legs.legs.get(point.leg).and_then(|leg| leg.out);
                    leg = Some(LegSpan { leg: point.leg, span: (from, to), out });
                }
            }
            match &mut gap {
                Some(known) if !point.is_observed => known.1 = to,
                None if !point.is_observed => gap = Some((from, to)),
                _ if point.is_observed => road.gaps.extend(gap.take()),
                _ => {}
            }
        }
        road.legs.extend(leg);
        road.gaps.extend(gap);
        if reduction.legs.by.is_none() || road.legs.len() < 2 {
            road.legs.clear();
        }
        road
    }

    /// Metres in the unit of distance.
    pub fn distance(&self, metres: f64) -> f64 {
        if self.units.in_miles() { Metre(metres).miles() } else { Metre(metres).km() }
    }

    /// The unit of distance.
    pub fn distance_unit(&self) -> &'static str {
        if self.units.in_miles() { "mi" } else { "km" }
    }

    /// A speed in the unit of speed.
    pub fn speed(&self, speed: f64) -> f64 {
        if self.units.in_miles() { MetrePerSecond(speed).mph() } else { MetrePerSecond(speed).kmh() }
    }

    /// The unit of speed.
    pub fn speed_unit(&self) -> &'static str {
        if self.units.in_miles() { "mph" } else { "km/h" }
    }

    /// The points, each with the distance where it began.
    pub fn steps(&self) -> impl Iterator<Item = (f64, &'a TrailPoint)> + use<'a> {
        let in_miles = self.units.in_miles();
        let unit = move |metres: f64| if in_miles { Metre(metres).miles() } else { Metre(metres).km() };
        let begins = std::iter::once(0.0).chain(self.points.iter().map(move |point| unit(point.distance)));
        begins.zip(self.points)
    }

    /// The points with what each lasted, s.
    pub fn lasting(&self) -> impl Iterator<Item = (f64, &'a TrailPoint)> + use<'a> {
        let begins = std::iter::once(0.0).chain(self.points.iter().map(|point| point.elapsed));
        begins.zip(self.points).map(|(begin, point)| (point.elapsed - begin, point))
    }

    /// The whole distance, in its unit.
    pub fn length(&self) -> f64 {
        self.points.last().map_or(0.0, |point| self.distance(point.distance))
    }

    /// The axis of the distance, up to the end or farther.
    pub fn axis(&self, end: f64) -> Option<Axis> {
        let end = end.max(self.length());
        (end > 0.0).then(|| Axis::exact(format!("Distance, {}", self.distance_unit()), (0.0, end), 6)).flatten()
    }

    /// The columns of a value that has a smallest and largest in every point.
    pub fn columns(&self, panel: &Panel, value: impl Fn(&TrailPoint) -> [f64; 2]) -> Vec<Vec<Column>> {
        let mut pieces = Vec::with_capacity(self.points.len());
        let mut run = 0;
        for (from, point) in self.steps() {
            if point.run != run && self.is_pause(run) {
                pieces.push(Piece::parting());
            }
            run = point.run;
            let [low, high] = value(point);
            pieces.push(Piece { from: panel.across(from), to: panel.across(self.distance(point.distance)), low, high });
        }
        thin::columns(pieces, (panel.left, panel.right))
    }

    /// Whether a pause that can be told follows a run.
    fn is_pause(&self, run: usize) -> bool {
        let seconds = self.reduction.joins.get(run).map(|join| join.seconds);
        seconds.is_some_and(|seconds| seconds.is_none_or(|seconds| seconds > PAUSE_S))
    }

    /// Where on the road the pauses between runs were, in its unit.
    fn pauses(&self) -> Vec<f64> {
        let pairs = self.points.windows(2).filter(|pair| pair[0].run != pair[1].run && self.is_pause(pair[0].run));
        pairs.map(|pair| self.distance(pair[0].distance)).collect()
    }

    /// Over what distance means are formed, in its unit.
    pub fn bin(&self) -> f64 {
        axis::step(self.length(), BINS)
    }

    /// Means over [`Self::bin`].
    pub fn means(&self, value: impl Fn(&TrailPoint) -> f64) -> Vec<Vec<(f64, f64)>> {
        let values = self.lasting().map(|(seconds, point)| Weighed {
            at: self.distance(point.distance),
            seconds,
            value: value(point),
        });
        thin::means(values.filter(|value| value.at.is_finite()), self.bin())
    }

    /// Shades every other leg on a panel.
    pub fn shade(&self, figure: &mut Figure, panel: &Panel) {
        for leg in self.legs.iter().filter(|leg| is_shaded(leg)) {
            let (from, to) = (panel.across(leg.span.0), panel.across(leg.span.1));
            figure.area((from, panel.top - panel.strip), (to, panel.bottom), SHADE);
        }
    }

    /// Names the legs in the strip above a panel, as far as each has room.
    pub fn name_legs(&self, figure: &mut Figure, panel: &Panel) {
        for leg in &self.legs {
            let (from, to) = (panel.across(leg.span.0), panel.across(leg.span.1));
            let number = (leg.leg + 1).to_string();
            let long = leg.out.map_or(number.clone(), |out| format!("{number} {}", if out { "out" } else { "back" }));
            let says = [long, number].into_iter().find(|says| width_of(says, TEXT) + 3.0 <= to - from);
            if let Some(says) = says {
                let at = ((from + to) / 2.0, panel.top - 5.0);
                figure.text(Text { at, side: Side::Middle, ink: MUTED, says: &says, clear: false });
            }
        }
    }

    /// Hatches what was not observed and is wide enough to be seen.
    pub fn hatch(&self, figure: &mut Figure, panel: &Panel) {
        for (from, to) in self.seen_gaps(panel) {
            figure.hatch((from, panel.top), (to, panel.bottom));
        }
    }

    /// The gaps on a panel that can be seen.
    pub fn seen_gaps(&self, panel: &Panel) -> Vec<Span> {
        let places = self.gaps.iter().map(|(from, to)| (panel.across(*from), panel.across(*to)));
        places.filter(|(from, to)| to - from > PIXEL).collect()
    }

    /// Room for the legs' names above a panel.
    pub fn room(&self) -> Room {
        Room { above: if self.legs.is_empty() { 0.0 } else { TEXT + 6.0 }, ..Room::default() }
    }

    /// What shades and hatches mean, as far as there are any.
    pub fn key(&self, panel_width: f64) -> String {
        let mut key = String::new();
        if self.legs.iter().any(is_shaded) {
            let known = self.legs.iter().any(|leg| leg.out.is_some());
            key += if known { " Grey ground: driven back." } else { " Grey ground: every other leg." };
        }
        let length = self.length();
        if self.gaps.iter().any(|(from, to)| (to - from) / length * panel_width > PIXEL) {
            key += " Hatched: power not observed.";
        }
        if !self.pauses().is_empty() {
            key += " Dotted upright: pause between runs.";
        }
        key
    }

    /// An energy per distance with its half interval, J/m, in the tester's unit.
    pub fn per_distance(&self, figure: &Estimate) -> (f64, f64) {
        let value = self.units.from_joule_per_metre(figure.value);
        // A proportional or a reciprocal unit keeps the relative uncertainty (first order).
        (value, value.abs() * figure.u95() / figure.value.abs())
    }

    /// Where on the road a moment of a run was.
    pub fn place(&self, (run, t): (usize, f64)) -> f64 {
        let after = self.points.partition_point(|point| (point.run, point.t) <= (run, t));
        after.checked_sub(1).and_then(|at| self.points.get(at)).map_or(0.0, |point| point.distance)
    }

    /// A distance in words.
    pub fn way(&self, metres: f64) -> String {
        format::way(metres, self.units.in_miles())
    }

    /// Draws a panel's ground: shades, grid, the line of 0.
    pub fn ground(&self, figure: &mut Figure, panel: &Panel) {
        self.shade(figure, panel);
        panel.grid(figure);
        for pause in self.pauses() {
            let x = panel.across(pause);
            figure.line((x, panel.top), (x, panel.bottom), Pen { dash: "1.5 3", ..Pen::line(MUTED, 1.5) });
        }
        if panel.y.from < 0.0 {
            panel.level(figure, 0.0, Pen::line(MUTED, 1.0));
        }
    }
}

fn is_shaded(leg: &LegSpan) -> bool {
    leg.out.map_or(leg.leg % 2 == 1, |out| !out)
}
