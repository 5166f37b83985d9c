//! Dots with their 95 % intervals, one row a test: the comparison's figure.
//!
//! Judges no difference, and draws no row that has nothing measured as if it had.

use super::Plot;
use super::axis::Axis;
use super::figure::{EDGE, Figure, Pen, Side, Text, n, width_of};
use super::palette::{BLUE, GRID, GROUND, INK, MUTED, TEXT, VERMILLION, WIDTH};
use crate::format;

/// Heights of a row with one figure and with two.
const ROW: f64 = 38.0;
const ROW_OF_TWO: f64 = 53.0;
/// Most rows that one figure draws; what is beyond is said.
const ROWS_MAX: usize = 60;

/// Nothing that is measured is larger.
const LARGEST: f64 = 1e12;

/// A row.
#[derive(Clone, PartialEq, Debug)]
pub struct Dot {
    /// What it is of: a test's name.
    pub label: String,
    /// Value and half-width of its 95 % interval, in the figure's unit; `None` is 'not measured'.
    pub first: Option<(f64, f64)>,
    /// The same of the second series.
    pub second: Option<(f64, f64)>,
}

/// What is compared.
#[derive(Clone, PartialEq, Debug)]
pub struct Intervals<'a> {
    /// The plot's name.
    pub name: &'static str,
    /// Its heading.
    pub title: String,
    /// What the axis shows, without unit: `Range`.
    pub quantity: &'a str,
    /// The unit of all figures.
    pub unit: &'a str,
    /// What the first series is called where there is a second: `as measured`.
    pub first: &'a str,
    /// What the second series is called, where there is one: `at reference conditions`.
    pub second: Option<&'a str>,
    /// The tests, from top to bottom.
    pub rows: &'a [Dot],
}

/// Both figures of a row, and whether it is the second.
fn figures(row: &Dot, two: bool) -> Vec<(bool, Option<(f64, f64)>)> {
    if two { vec![(false, row.first), (true, row.second)] } else { vec![(false, row.first)] }
}

/// Whether a figure is one that can be drawn.
fn known((value, u95): &(f64, f64)) -> bool {
    value.abs() <= LARGEST && (0.0..=LARGEST).contains(u95)
}

/// The figure; `None` where no row has anything measured.
pub fn intervals(what: &Intervals<'_>) -> Option<Plot> {
    let two = what.second.is_some();
    let rows = &what.rows[..what.rows.len().min(ROWS_MAX)];
    let measured = rows.iter().flat_map(|row| figures(row, two)).filter_map(|(_, figure)| figure).filter(known);
    let ends = super::axis::range(measured.flat_map(|(value, u95)| [value - u95, value + u95]))?;
    let margin = (ends.1 - ends.0) * 0.04;
    let axis = Axis::exact(format!("{}, {}", what.quantity, what.unit), (ends.0 - margin, ends.1 + margin), 7)?;
    let mut caption = "Bars: 95 % intervals.".to_owned();
    if let Some(second) = what.second {
        caption += &format!(" Filled dot: {}. Hollow diamond: {second}.", what.first);
    }
    if what.rows.len() > rows.len() {
        caption += &format!(" {} more tests are not drawn.", what.rows.len() - rows.len());
    }
    let mut figure = Figure::new(what.name, &what.title, &caption);
    let (left, right) = (EDGE + 8.0, WIDTH - EDGE - 8.0);
    let across = |value: f64| left + axis.part(value) * (right - left);
    let top = figure.below + 8.0;
    let height = if two { ROW_OF_TWO } else { ROW };
    let bottom = top + height * rows.len() as f64;
    let lines: String =
        axis.marks().iter().map(|(value, _)| format!("M{} {}V{}", n(across(*value)), n(top), n(bottom))).collect();
    figure.path(&lines, Pen::line(GRID, 1.0));
    for (at, row) in rows.iter().enumerate() {
        draw_row(&mut figure, row, top + height * at as f64, two, &across, what.unit);
    }
    foot(&mut figure, &axis, bottom, &across);
    Some(figure.finish(words(what, rows, two)))
}

/// A row: its label and figures in words on one line, the dots below.
fn draw_row(figure: &mut Figure, row: &Dot, top: f64, two: bool, across: &dyn Fn(f64) -> f64, unit: &str) {
    let room = WIDTH - 2.0 * EDGE;
    let says =
        row.first.filter(known).map_or("not measured".into(), |(value, u95)| format::figure(value, Some(u95), unit));
    let label = shortened(&row.label, room - width_of(&says, TEXT) - 20.0);
    let y = top + TEXT;
    figure.text(Text { at: (EDGE, y), side: Side::Right, ink: INK, says: &label, clear: true });
    figure.text(Text { at: (WIDTH - EDGE, y), side: Side::Left, ink: MUTED, says: &says, clear: true });
    for (second, found) in figures(row, two) {
        let Some((value, u95)) = found.filter(known) else { continue };
        let y = top + TEXT + if second { 24.0 } else { 11.0 };
        let (x, ink) = (across(value), if second { VERMILLION } else { BLUE });
        figure.bar((x, y), across(value + u95) - x, false, Pen::line(ink, 2.0));
        if second { figure.diamond((x, y), 5.0, ink, GROUND) } else { figure.dot((x, y), 4.5, ink, ink) }
    }
}

fn shortened(label: &str, width: f64) -> String {
    let room = (width / width_of("x", TEXT)).max(3.0) as usize;
    if label.chars().count() <= room {
        return label.to_owned();
    }
    label.chars().take(room - 1).chain(['…']).collect()
}

fn foot(figure: &mut Figure, axis: &Axis, bottom: f64, across: &dyn Fn(f64) -> f64) {
    figure.line((across(axis.from), bottom), (across(axis.to), bottom), Pen::line(MUTED, 1.0));
    for (value, text) in axis.marks() {
        let at = (across(value), bottom + 6.0 + TEXT);
        figure.text(Text { at, side: Side::Middle, ink: MUTED, says: &text, clear: false });
    }
    let at = (across(axis.to), bottom + 6.0 + TEXT * 2.2);
    figure.text(Text { at, side: Side::Left, ink: MUTED, says: &axis.title, clear: false });
    figure.below = bottom + 6.0 + TEXT * 2.4;
}

fn words(what: &Intervals<'_>, rows: &[Dot], two: bool) -> String {
    let mut words = format!("{} of {} tests with 95 % intervals.", what.quantity, rows.len());
    for row in rows {
        let text = |found: Option<(f64, f64)>| {
            found
                .filter(known)
                .map_or("not measured".into(), |(value, u95)| format::figure(value, Some(u95), what.unit))
        };
        words += &format!(" {}: {}", row.label, text(row.first));
        if let Some(second) = what.second.filter(|_| two) {
            words += &format!(", {second} {}", text(row.second));
        }
        words += ".";
    }
    words
}
