//! A panel: two axes with their grid, and values drawn between them.
//!
//! Knows no quantity; its axes say what it shows.

use super::axis::Axis;
use super::figure::{Corners, EDGE, Figure, Pen, Side, Text, n, width_of};
use super::palette::{GRID, MUTED, TEXT, WIDTH};
use super::thin::Column;

/// Room for the marks left of a panel.
pub const LEFT: f64 = 50.0;

/// A panel of a figure.
pub struct Panel {
    /// Across.
    pub x: Axis,
    /// Upwards.
    pub y: Axis,
    /// Its corners.
    pub left: f64,
    /// See `left`.
    pub right: f64,
    /// See `left`.
    pub top: f64,
    /// See `left`.
    pub bottom: f64,
    /// Height of a strip above it.
    pub strip: f64,
}

/// Room that a panel keeps for texts.
#[derive(Clone, Copy, Debug, Default)]
pub struct Room {
    /// On its left; at least that of the marks.
    pub left: f64,
    /// On its right.
    pub right: f64,
    /// Above it, for a strip.
    pub above: f64,
}

impl Panel {
    /// Below what a figure holds already, so high.
    pub fn below(figure: &mut Figure, x: Axis, y: Axis, height: f64, room: Room) -> Self {
        let top = figure.below + TEXT * 1.2 + if figure.has_panel { 20.0 } else { 14.0 } + room.above;
        let (left, right) = (LEFT.max(room.left), WIDTH - EDGE - room.right);
        let panel = Self { x, y, left, right, top, bottom: top + height, strip: room.above };
        (figure.below, figure.has_panel) = (panel.bottom, true);
        panel
    }

    /// The same as one place.
    pub fn at(&self, x: f64, y: f64) -> (f64, f64) {
        (self.across(x), self.up(y))
    }

    /// Where a value lies across; at the edge where it lies beyond.
    pub fn across(&self, value: f64) -> f64 {
        self.left + self.x.part(value).clamp(0.0, 1.0) * (self.right - self.left)
    }

    /// Where a value lies upwards; at the edge where it lies beyond.
    pub fn up(&self, value: f64) -> f64 {
        self.bottom - self.y.part(value).clamp(0.0, 1.0) * (self.bottom - self.top)
    }

    /// Whether a place is on it.
    pub fn holds(&self, x: f64, y: f64) -> bool {
        let inside = |part: f64| (-1e-6..=1.0 + 1e-6).contains(&part);
        inside(self.x.part(x)) && inside(self.y.part(y))
    }

    /// Draws the grid, the upright axis' marks and its title.
    pub fn grid(&self, figure: &mut Figure) {
        let mut lines = String::new();
        for (value, text) in self.y.marks() {
            let y = self.up(value);
            lines += &format!("M{} {}H{}", n(self.left), n(y), n(self.right));
            let at = (self.left - 6.0, y + TEXT * 0.35);
            figure.text(Text { at, side: Side::Left, ink: MUTED, says: &text, clear: false });
        }
        figure.path(&lines, Pen::line(GRID, 1.0));
        self.title(figure);
    }

    /// Draws the lines of the axis across, without its marks.
    pub fn uprights(&self, figure: &mut Figure) {
        let line =
            |(value, _): &(f64, String)| format!("M{} {}V{}", n(self.across(*value)), n(self.top), n(self.bottom));
        figure.path(&self.x.marks().iter().map(line).collect::<String>(), Pen::line(GRID, 1.0));
    }

    /// Writes the upright axis' title above the panel.
    pub fn title(&self, figure: &mut Figure) {
        let at = (EDGE, self.top - self.strip - 13.0);
        figure.text(Text { at, side: Side::Right, ink: MUTED, says: &self.y.title, clear: false });
    }

    /// Draws the marks of the axis across below the panel, and its title.
    pub fn foot(&self, figure: &mut Figure) {
        let (mut ticks, mut free) = (String::new(), f64::NEG_INFINITY);
        let mut marks = self.x.marks();
        marks.sort_by(|a, b| self.across(a.0).total_cmp(&self.across(b.0)));
        for (value, text) in marks {
            let (x, half) = (self.across(value), width_of(&text, TEXT) / 2.0);
            ticks += &format!("M{} {}v5", n(x), n(self.bottom));
            // The last one may have to stand a little aside to stay on the card.
            let middle = x.min(WIDTH - 4.0 - half);
            if middle - half >= free {
                let at = (middle, self.bottom + 6.0 + TEXT);
                figure.text(Text { at, side: Side::Middle, ink: MUTED, says: &text, clear: false });
                free = middle + half + 6.0;
            }
        }
        ticks += &format!("M{} {}H{}", n(self.left), n(self.bottom), n(self.right));
        figure.path(&ticks, Pen::line(MUTED, 1.0));
        let at = (self.right, self.bottom + 6.0 + TEXT * 2.2);
        figure.text(Text { at, side: Side::Left, ink: MUTED, says: &self.x.title, clear: false });
        figure.below = self.bottom + 6.0 + TEXT * 2.4;
    }

    /// Draws the line of a value upwards that matters, such as 0.
    pub fn level(&self, figure: &mut Figure, value: f64, pen: Pen) {
        if self.holds(self.x.from, value) {
            let y = self.up(value);
            figure.line((self.left, y), (self.right, y), pen);
        }
    }

    /// Draws what lies between the smallest and largest value of every column; columns that follow each other are joined.
    pub fn band(&self, figure: &mut Figure, runs: &[Vec<Column>], fill: &'static str) {
        let mut path = String::new();
        for run in runs {
            let there = run.iter().map(|column| (column.x, column.high));
            let back = run.iter().rev().map(|column| (column.x, column.low));
            let mut corners = Corners::default();
            there.chain(back).for_each(|(x, value)| corners.to((x, self.up(value))));
            path += &(corners.finish() + "z");
        }
        // Its line keeps a column that stands alone from vanishing.
        figure.path(&path, Pen { fill, ..Pen::line(fill, 0.6) });
    }

    /// Draws the line through columns: of each the first, smallest, largest and last value, which draws as all would (M4: Jugel
    /// and others, Proceedings of the VLDB Endowment 7 (2014), 797).
    pub fn trace(&self, figure: &mut Figure, runs: &[Vec<Column>], pen: Pen) {
        let mut path = String::new();
        for run in runs {
            let mut corners = Corners::default();
            for column in run {
                column.in_order().into_iter().for_each(|value| corners.to((column.x, self.up(value))));
            }
            path += &corners.finish();
        }
        figure.path(&path, pen);
    }

    /// Draws a line through places, given by values.
    pub fn polyline(&self, figure: &mut Figure, places: &[(f64, f64)], pen: Pen) {
        let known = places.iter().filter(|(x, y)| self.holds(*x, *y));
        let corners: Vec<String> = known.map(|(x, y)| format!("{} {}", n(self.across(*x)), n(self.up(*y)))).collect();
        match corners.as_slice() {
            [] => {}
            [one] => figure.path(&format!("M{one}h.1"), pen),
            many => figure.path(&format!("M{}", many.join(" ")), pen),
        }
    }

    /// Draws steps: each value from its place to the next.
    pub fn steps(&self, figure: &mut Figure, places: &[(f64, f64)], end: f64, pen: Pen) {
        let known: Vec<(f64, f64)> = places.iter().copied().filter(|(x, y)| self.holds(*x, *y)).collect();
        let mut path = String::new();
        for (at, (x, y)) in known.iter().enumerate() {
            let until = known.get(at + 1).map_or(end, |next| next.0);
            let lead = if at == 0 { format!("M{} ", n(self.across(*x))) } else { "V".into() };
            path += &format!("{lead}{}H{}", n(self.up(*y)), n(self.across(until).min(self.right)));
        }
        figure.path(&path, pen);
    }

    /// Writes a text at a place of the card, moved as far as it takes to stay on the panel.
    pub fn note(&self, figure: &mut Figure, (x, y): (f64, f64), says: &str, ink: &'static str) {
        let half = width_of(says, TEXT) / 2.0;
        let x = x.min(self.right - half).max(self.left + half);
        figure.text(Text { at: (x, y), side: Side::Middle, ink, says, clear: true });
    }
}
