//! How the speed was held: the distance driven at each speed near the target, and what was not held or is left out.
//!
//! Judges no second, and computes no share.

use super::Plot;
use super::axis::{self, Axis};
use super::figure::{Figure, Pen, Side, Text, n};
use super::palette::{BLUE, GROUND, HATCH, INK, MUTED, SHADE, SKY, TEXT};
use super::panel::{Panel, Room};
use super::road::Road;
use crate::format;
use crate::reduce::Estimate;
use crate::reduce::hold::{Driven, Held};

const TITLE: &str = "How the speed was held";
const NEAR: f64 = 160.0;
const REST: f64 = 110.0;
/// The first panel reaches so many tolerances from the target, and has so many bars at most.
const REACH: f64 = 4.0;
const NEAR_BARS: f64 = 40.0;
/// Bars of the second panel, at most.
const REST_BARS: f64 = 45.0;

/// From, to and distance of a bar, in the units of the page.
type Bar = (f64, f64, f64);

/// Distance by speed, bars of one width that begin at multiples of it.
fn bars<'a>(road: &Road<'_>, seconds: impl Iterator<Item = &'a Driven>, width: f64) -> Vec<Bar> {
    let mut bars = std::collections::BTreeMap::new();
    for second in seconds.filter(|second| second.metres > 0.0) {
        let number = (road.speed(second.speed) / width).floor();
        if number.abs() < 1e6 {
            *bars.entry(number as i64).or_insert(0.0) += road.distance(second.metres);
        }
    }
    bars.into_iter().map(|(number, sum)| (number as f64 * width, (number + 1) as f64 * width, sum)).collect()
}

/// The greatest bar, or pile of bars that stand on each other.
fn most(bars: &[Bar], others: &[Bar]) -> f64 {
    let on = |bar: &Bar| others.iter().find(|other| other.0 == bar.0).map_or(0.0, |other| other.2);
    bars.iter().map(|bar| bar.2 + on(bar)).chain(others.iter().map(|bar| bar.2)).fold(0.0, f64::max)
}

/// What the plot is of.
struct Hold<'a, 'b> {
    road: &'a Road<'b>,
    held: &'a Held,
}

pub(super) fn plot(road: &Road<'_>) -> Option<Plot> {
    let held = road.reduction.hold.held()?;
    let hold = Hold { road, held };
    let speeds = held.seconds.iter().filter(|second| second.metres > 0.0).map(|second| road.speed(second.speed));
    let (_, high) = axis::range(speeds)?;
    let mut figure = Figure::new("hold", TITLE, &hold.caption());
    hold.near(&mut figure, high)?;
    hold.rest(&mut figure, high);
    Some(figure.finish(hold.words()))
}

impl Hold<'_, '_> {
    fn target(&self) -> f64 {
        self.road.speed(self.held.target)
    }

    fn tolerance(&self) -> f64 {
        self.road.speed(self.held.tolerance)
    }

    fn is_within(&self, speed: f64) -> bool {
        (speed - self.target()).abs() <= self.tolerance()
    }

    fn caption(&self) -> String {
        let (tolerance, unit) = (format::significant(self.tolerance(), 2), self.road.speed_unit());
        let by = if self.held.corrected { "brought to the truth by satellites" } else { "by the wheels" };
        format!(
            "{}. Speed {by}. Above: near the target; grey ground: within {tolerance} {unit}. Below: the rest.",
            self.road.reduction.vehicle
        )
    }

    /// Near the target.
    fn near(&self, figure: &mut Figure, high: f64) -> Option<()> {
        let (target, reach) = (self.target(), self.tolerance() * REACH);
        let width = axis::step(2.0 * reach, NEAR_BARS);
        let to = (high + width).clamp(target + reach / 2.0, target + reach);
        let x = Axis::exact(format!("Speed, {}", self.road.speed_unit()), (target - reach, to), 6)?;
        let counted = bars(self.road, self.held.seconds.iter().filter(|second| !second.left_out), width);
        let inside: Vec<Bar> = counted.into_iter().filter(|bar| bar.1 > target - reach && bar.0 < to).collect();
        let y = Axis::rounded(format!("Distance, {}", self.road.distance_unit()), (0.0, most(&inside, &[])), 4)?;
        let panel = Panel::below(figure, x, y, NEAR, Room { above: TEXT, ..Room::default() });
        let [from, to] = [target - self.tolerance(), target + self.tolerance()].map(|speed| panel.across(speed));
        figure.area((from, panel.top), (to.min(panel.right), panel.bottom), SHADE);
        panel.grid(figure);
        // A bar that the tolerance parts is of both.
        let within = |bar: &Bar| self.is_within((bar.0 + bar.1) / 2.0);
        let (held, outside): (Vec<Bar>, Vec<Bar>) = inside.into_iter().partition(within);
        draw(figure, &panel, &held, &[], Pen { fill: BLUE, ..Pen::line(GROUND, 0.8) });
        draw(figure, &panel, &outside, &[], Pen { fill: SKY, ..Pen::line(BLUE, 0.8) });
        let x = panel.across(target);
        figure.line((x, panel.top - 4.0), (x, panel.bottom), Pen::dashed(INK, 1.5));
        let says = format!("target {} {}", format::significant(target, 3), self.road.speed_unit());
        panel.note(figure, (x, panel.top - 8.0), &says, INK);
        self.share(figure, &panel, from);
        panel.foot(figure);
        Some(())
    }

    /// The share within, left of the tolerance.
    fn share(&self, figure: &mut Figure, panel: &Panel, room: f64) {
        let says = [percent(&self.held.share_of_distance), "of the distance".into(), "is within".into()];
        for (line, says) in says.iter().enumerate() {
            let at = ((panel.left + room) / 2.0, panel.top + TEXT * (1.6 + 1.2 * line as f64));
            let ink = if line == 0 { INK } else { MUTED };
            figure.text(Text { at, side: Side::Middle, ink, says, clear: true });
        }
    }

    /// What was not within, over all speeds, and on top of it what is left out.
    fn rest(&self, figure: &mut Figure, high: f64) -> Option<()> {
        let width = axis::step(high.max(1.0), REST_BARS);
        let outside = |second: &&Driven| !second.left_out && !self.is_within(self.road.speed(second.speed));
        let outside = bars(self.road, self.held.seconds.iter().filter(outside), width);
        let left_out = bars(self.road, self.held.seconds.iter().filter(|second| second.left_out), width);
        if outside.is_empty() && left_out.is_empty() {
            return None;
        }
        let x = Axis::exact(format!("Speed, {}", self.road.speed_unit()), (0.0, high + width), 6)?;
        let title = format!("Not within, {}", self.road.distance_unit());
        let y = Axis::rounded(title, (0.0, most(&outside, &left_out)), 3)?;
        let panel = Panel::below(figure, x, y, REST, Room::default());
        panel.grid(figure);
        draw(figure, &panel, &outside, &[], Pen { fill: SKY, ..Pen::line(BLUE, 0.8) });
        draw(figure, &panel, &left_out, &outside, Pen { fill: GROUND, ..Pen::line(HATCH, 1.2) });
        if !left_out.is_empty() {
            let at = (panel.right, panel.top - 13.0);
            figure.text(Text { at, side: Side::Left, ink: MUTED, says: "hollow: left out of the share", clear: false });
        }
        panel.foot(figure);
        Some(())
    }

    fn words(&self) -> String {
        let (road, held, unit) = (self.road, self.held, self.road.speed_unit());
        let [target, tolerance] = [(self.target(), 3), (self.tolerance(), 2)].map(|(v, n)| format::significant(v, n));
        let mean = format::figure(road.speed(held.mean.value), Some(road.speed(held.mean.u95())), unit);
        let mut words = format!(
            "{} of the distance lies within {tolerance} {unit} of the target of {target} {unit}; the mean speed is {mean}.",
            percent(&held.share_of_distance)
        );
        let left_out: f64 = held.seconds.iter().filter(|second| second.left_out).map(|second| second.metres).sum();
        if left_out > 0.0 {
            words += &format!(" Left out of that: {}.", road.way(left_out));
        }
        words
    }
}

fn percent(share: &Estimate) -> String {
    format::figure(share.value * 100.0, Some(share.u95() * 100.0), "%")
}

/// Draws bars, each on top of that of the same speed below it.
fn draw(figure: &mut Figure, panel: &Panel, bars: &[Bar], below: &[Bar], pen: Pen) {
    let bar = |(from, to, sum): &Bar| {
        let base = below.iter().find(|other| other.0 == *from).map_or(0.0, |other| other.2);
        let [left, right] = [*from, *to].map(|speed| n(panel.across(speed).clamp(panel.left, panel.right)));
        let [foot, head] = [base, base + sum].map(|distance| n(panel.up(distance)));
        format!("M{left} {foot}V{head}H{right}V{foot}Z")
    };
    figure.path(&bars.iter().map(bar).collect::<String>(), pen);
}
