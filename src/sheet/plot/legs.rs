//! Energy per distance of each leg with its 95 % interval, by direction, and the means of pairs.
//!
//! Computes no figure.

use super::Plot;
use super::axis::{self, Axis};
use super::figure::{Figure, Pen, Side, Text, width_of};
use super::palette::{BLUE, GROUND, INK, MUTED, TEXT, VERMILLION};
use super::panel::Panel;
use super::road::{LegSpan, Road};
use crate::format;
use crate::reduce::legs::Pair;

const TITLE: &str = "Energy per distance of each leg";
const HEIGHT: f64 = 230.0;
/// The mean of a pair is written where the legs' own lines are no nearer than this.
const CLEAR: f64 = TEXT * 1.6;

/// A leg as drawn.
struct Drawn {
    leg: LegSpan,
    figure: (f64, f64),
}

pub(super) fn plot(road: &Road<'_>) -> Option<Plot> {
    let figure_of = |leg: &LegSpan| {
        let found = road.reduction.legs.legs.get(leg.leg)?.consumption.as_ref()?;
        let figure = road.per_distance(found);
        (figure.0.is_finite() && figure.1.is_finite()).then_some(Drawn { leg: *leg, figure })
    };
    let legs: Vec<Drawn> = road.legs.iter().filter_map(figure_of).collect();
    if legs.is_empty() {
        return None;
    }
    let range = axis::range(legs.iter().flat_map(|leg| [leg.figure.0 - leg.figure.1, leg.figure.0 + leg.figure.1]))?;
    let unit = road.units.symbol();
    let y = Axis::rounded(format!("Net energy per distance, {unit}"), range, 5)?;
    let mut figure = Figure::new("legs", TITLE, &caption(road, &legs));
    let panel = Panel::below(&mut figure, road.axis(0.0)?, y, HEIGHT, road.room());
    road.ground(&mut figure, &panel);
    road.name_legs(&mut figure, &panel);
    for pair in &road.reduction.legs.pairs {
        draw_pair(road, &mut figure, &panel, &legs, pair);
    }
    for leg in &legs {
        let mean = mean_of(road, leg.leg.leg);
        draw_leg(&mut figure, &panel, leg, mean.is_some_and(|mean| leg.figure.0 < mean));
    }
    panel.foot(&mut figure);
    Some(figure.finish(words(road, &legs)))
}

fn caption(road: &Road<'_>, legs: &[Drawn]) -> String {
    let mut caption = format!("{}. Bars: 95 % intervals.", road.reduction.vehicle);
    if legs.iter().any(|leg| leg.leg.out.is_some()) {
        caption += " Filled dot: driven out. Hollow diamond, grey ground: driven back.";
    }
    if road.reduction.legs.pairs.iter().any(|pair| pair.mean.is_some()) {
        caption += " Dashed: mean of a pair.";
    }
    caption
}

/// The mean of the pair that a leg is in.
fn mean_of(road: &Road<'_>, leg: usize) -> Option<f64> {
    let pair = road.reduction.legs.pairs.iter().find(|pair| pair.first == leg || pair.first + 1 == leg)?;
    Some(road.per_distance(pair.mean.as_ref()?).0)
}

/// A leg, its figure written above its interval, or below it.
fn draw_leg(figure: &mut Figure, panel: &Panel, drawn: &Drawn, below: bool) {
    let (value, u95) = drawn.figure;
    let (from, to) = (panel.across(drawn.leg.span.0), panel.across(drawn.leg.span.1));
    let (x, y) = ((from + to) / 2.0, panel.up(value));
    let back = drawn.leg.out == Some(false);
    let ink = if back { VERMILLION } else { BLUE };
    figure.line((from + 1.0, y), (to - 1.0, y), Pen::line(ink, 2.5));
    figure.bar((x, y), y - panel.up(value + u95), true, Pen::line(ink, 2.0));
    if back {
        figure.diamond((x, y), 5.5, ink, GROUND)
    } else {
        figure.dot((x, y), 4.5, ink, ink)
    }
    let says = format::figure(value, Some(u95), "");
    if width_of(&says, TEXT) <= to - from + 6.0 {
        let (above, under) = (panel.up(value + u95) - 7.0, panel.up(value - u95) + TEXT + 5.0);
        let (fits_above, fits_under) = (above - TEXT > panel.top, under < panel.bottom - 3.0);
        let at = if (below && fits_under) || !fits_above { under } else { above };
        figure.text(Text { at: (x, at), side: Side::Middle, ink: INK, says: &says, clear: true });
    }
}

fn draw_pair(road: &Road<'_>, figure: &mut Figure, panel: &Panel, legs: &[Drawn], pair: &Pair) {
    let Some(mean) = &pair.mean else { return };
    let span = |leg: usize| legs.iter().find(|drawn| drawn.leg.leg == leg).map(|drawn| drawn.leg.span);
    let (Some(first), Some(second)) = (span(pair.first), span(pair.first + 1)) else { return };
    let (value, u95) = road.per_distance(mean);
    if panel.holds(first.0, value) {
        let y = panel.up(value);
        figure.line((panel.across(first.0), y), (panel.across(second.1), y), Pen::dashed(MUTED, 1.5));
        let near =
            |leg: usize| legs.iter().any(|drawn| drawn.leg.leg == leg && (panel.up(drawn.figure.0) - y).abs() < CLEAR);
        let says = format::figure(value, Some(u95), "");
        if !near(pair.first)
            && !near(pair.first + 1)
            && width_of(&says, TEXT) * 2.0 < panel.across(second.1) - panel.across(first.0)
        {
            panel.note(figure, (panel.across(second.0), y - 6.0), &says, MUTED);
        }
    }
}

fn words(road: &Road<'_>, legs: &[Drawn]) -> String {
    let unit = road.units.symbol();
    let mut words = String::new();
    for drawn in legs {
        let direction = drawn.leg.out.map_or("", |out| if out { " out" } else { " back" });
        let figure = format::figure(drawn.figure.0, Some(drawn.figure.1), unit);
        words += &format!("Leg {}{direction}: {figure}. ", drawn.leg.leg + 1);
    }
    for pair in &road.reduction.legs.pairs {
        if let Some(mean) = &pair.mean {
            let (value, u95) = road.per_distance(mean);
            let mean = format::figure(value, Some(u95), unit);
            words += &format!("Mean of {} and {}: {mean}. ", pair.first + 1, pair.first + 2);
        }
    }
    words.trim_end().to_owned()
}
