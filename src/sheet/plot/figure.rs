//! A figure as SVG: its card, heading and caption, and the marks that everything is drawn with.
//!
//! Elements are written by `maud`, which escapes every text; nothing refers to anything outside, and nothing is a script.

use maud::{PreEscaped, html};

use super::Plot;
use super::palette::{CHARACTER, GROUND, HATCH, HEADING, INK, MUTED, TEXT, WIDTH};

/// Room at a card's edges.
pub const EDGE: f64 = 12.0;
/// Lines of a hatch lie so far apart.
const HATCH_APART: f64 = 5.0;
/// Coordinates beyond this are no place on a card.
const FAR: f64 = 1e5;

/// On which side of its place a text stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Side {
    /// Begins there.
    Right,
    /// Has its middle there.
    Middle,
    /// Ends there.
    Left,
}

/// A text at a place.
#[derive(Clone, Copy, Debug)]
pub struct Text<'a> {
    /// Where, and on which side of it.
    pub at: (f64, f64),
    /// See `at`.
    pub side: Side,
    /// Its colour.
    pub ink: &'static str,
    /// What it says.
    pub says: &'a str,
    /// Kept clear of lines that it stands on.
    pub clear: bool,
}

/// How a path is drawn.
#[derive(Clone, Copy, Debug, Default)]
pub struct Pen {
    /// Colour of its line, none where empty.
    pub stroke: &'static str,
    /// Width of its line.
    pub width: f64,
    /// Dashes of its line, unbroken where empty.
    pub dash: &'static str,
    /// Colour inside, none where empty.
    pub fill: &'static str,
}

impl Pen {
    /// An unbroken line.
    pub fn line(stroke: &'static str, width: f64) -> Self {
        Self { stroke, width, ..Self::default() }
    }
    /// A broken line.
    pub fn dashed(stroke: &'static str, width: f64) -> Self {
        Self { dash: "5 3", ..Self::line(stroke, width) }
    }
    /// An area.
    pub fn area(fill: &'static str) -> Self {
        Self { fill, ..Self::default() }
    }
}

/// A number of a coordinate: to a tenth, as short as can be, whatever it is given.
pub fn n(value: f64) -> String {
    let tenths = (if value.is_nan() { 0.0 } else { value.clamp(-FAR, FAR) } * 10.0).round() as i64;
    match (tenths / 10, tenths % 10) {
        (whole, 0) => whole.to_string(),
        (0, part) if part < 0 => format!("-.{}", -part),
        (0, part) => format!(".{part}"),
        (whole, part) => format!("{whole}.{}", part.abs()),
    }
}

/// A line of many corners, written short: each corner by its step from the one before, all in whole tenths, so that no
/// rounding adds up; level steps that follow each other are one.
#[derive(Default)]
pub struct Corners {
    text: String,
    last: Option<(i64, i64)>,
    level: i64,
}

impl Corners {
    /// Adds a corner.
    pub fn to(&mut self, (x, y): (f64, f64)) {
        let tenths = |value: f64| (if value.is_nan() { 0.0 } else { value.clamp(-FAR, FAR) } * 10.0).round() as i64;
        let now = (tenths(x), tenths(y));
        match self.last {
            None => self.text += &format!("M{} {}l", n(x), n(y)),
            Some(last) if last.1 == now.1 => {
                let step = now.0 - last.0;
                // One that turns back would take away from it.
                if step.signum() != self.level.signum() {
                    self.flush();
                }
                self.level += step;
            }
            Some(last) => {
                self.flush();
                self.step(now.0 - last.0, now.1 - last.1);
            }
        }
        self.last = Some(now);
    }

    fn flush(&mut self) {
        if self.level != 0 {
            let level = std::mem::take(&mut self.level);
            self.step(level, 0);
        }
    }

    fn step(&mut self, across: i64, down: i64) {
        for part in [across, down] {
            let text = n(part as f64 / 10.0);
            if !self.text.ends_with('l') && !text.starts_with('-') {
                self.text.push(' ');
            }
            self.text += &text;
        }
    }

    /// The path; a corner alone is a dot.
    pub fn finish(mut self) -> String {
        self.flush();
        if self.text.ends_with('l') {
            self.text += ".1 0";
        }
        self.text
    }
}

/// Width of a text, on the safe side.
pub fn width_of(text: &str, size: f64) -> f64 {
    text.chars().count() as f64 * CHARACTER * size
}

/// A text without what XML cannot hold.
pub fn clean(text: &str) -> String {
    let keeps = |c: &char| !c.is_control() && !matches!(c, '\u{fffe}' | '\u{ffff}');
    text.chars().map(|c| if keeps(&c) { c } else { ' ' }).collect()
}

/// The lines of a text that stay inside a width.
fn wrapped(text: &str, width: f64, size: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if width_of(line, size) + width_of(word, size) + CHARACTER * size <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

/// A figure under way.
pub struct Figure {
    name: &'static str,
    title: String,
    body: String,
    /// Down to here it is drawn.
    pub below: f64,
    /// A panel is drawn, whose lowest mark wants room.
    pub has_panel: bool,
}

impl Figure {
    /// With its heading, and what its marks mean.
    pub fn new(name: &'static str, title: &str, caption: &str) -> Self {
        let mut figure = Self { name, title: clean(title), body: String::new(), below: EDGE, has_panel: false };
        let width = WIDTH - 2.0 * EDGE;
        for line in wrapped(&clean(title), width, HEADING) {
            figure.below += HEADING * 1.1;
            let (x, y) = (n(EDGE), n(figure.below - 2.0));
            let size = n(HEADING);
            figure.body += &html! { text x=(x) y=(y) font-size=(size) font-weight="600" { (line) } }.into_string();
        }
        figure.below += 3.0;
        for line in wrapped(&clean(caption), width, TEXT) {
            figure.below += TEXT * 1.2;
            let at = (EDGE, figure.below - 2.0);
            figure.text(Text { at, side: Side::Right, ink: MUTED, says: &line, clear: false });
        }
        figure
    }

    /// Writes a text.
    pub fn text(&mut self, text: Text<'_>) {
        let anchor = match text.side {
            Side::Right => None,
            Side::Middle => Some("middle"),
            Side::Left => Some("end"),
        };
        let ink = (text.ink != INK).then_some(text.ink);
        let (x, y, says) = (n(text.at.0), n(text.at.1), clean(text.says));
        let (halo, wide, order) =
            (text.clear.then_some(GROUND), text.clear.then_some("4"), text.clear.then_some("stroke"));
        let markup = html! {
            text x=(x) y=(y) text-anchor=[anchor] fill=[ink] stroke=[halo] stroke-width=[wide] paint-order=[order]
                stroke-linejoin=[text.clear.then_some("round")] { (says) }
        };
        self.body += &markup.into_string();
    }

    /// Draws a path; nothing where it is empty.
    pub fn path(&mut self, path: &str, pen: Pen) {
        if path.is_empty() {
            return;
        }
        let some = |text: &'static str| (!text.is_empty()).then_some(text);
        let fill = if pen.fill.is_empty() { "none" } else { pen.fill };
        let width = (pen.width > 0.0).then(|| n(pen.width));
        let markup = html! {
            path d=(path) fill=(fill) stroke=[some(pen.stroke)] stroke-width=[width] stroke-dasharray=[some(pen.dash)]
                stroke-linejoin=[some(pen.stroke).map(|_| "round")] {}
        };
        self.body += &markup.into_string();
    }

    /// Draws an area with straight sides.
    pub fn area(&mut self, (left, top): (f64, f64), (right, bottom): (f64, f64), fill: &'static str) {
        self.path(&format!("M{} {}H{}V{}H{}Z", n(left), n(top), n(right), n(bottom), n(left)), Pen::area(fill));
    }

    /// Draws a straight line.
    pub fn line(&mut self, from: (f64, f64), to: (f64, f64), pen: Pen) {
        self.path(&format!("M{} {} {} {}", n(from.0), n(from.1), n(to.0), n(to.1)), pen);
    }

    /// Hatches an area, and rules its sides.
    pub fn hatch(&mut self, (left, top): (f64, f64), (right, bottom): (f64, f64)) {
        let (height, mut path) = (bottom - top, String::new());
        let lines = ((right - left + height) / HATCH_APART).clamp(0.0, 500.0) as usize;
        for line in 0..=lines {
            // Rising to the right: x + y is the same all along a line.
            let start = left + line as f64 * HATCH_APART;
            let (x0, x1) = ((start - height).max(left), start.min(right));
            if x1 > x0 {
                path += &format!("M{} {}L{} {}", n(x0), n(top + start - x0), n(x1), n(top + start - x1));
            }
        }
        self.area((left, top), (right, bottom), GROUND);
        let sides = format!("M{} {}V{}M{} {}V{}", n(left), n(top), n(bottom), n(right), n(top), n(bottom));
        self.path(&(path + &sides), Pen::line(HATCH, 0.8));
    }

    /// Draws a round dot; hollow where its inside is the card's colour.
    pub fn dot(&mut self, (x, y): (f64, f64), radius: f64, stroke: &'static str, fill: &'static str) {
        let (x, y, r) = (n(x), n(y), n(radius));
        self.body +=
            &html! { circle cx=(x) cy=(y) r=(r) fill=(fill) stroke=(stroke) stroke-width="2" {} }.into_string();
    }

    /// Draws small dots.
    pub fn specks(&mut self, places: &[(f64, f64)], ink: &'static str) {
        // Lines of no length with round ends are dots.
        let path: String = places.iter().map(|(x, y)| format!("M{} {}h0", n(*x), n(*y))).collect();
        if !path.is_empty() {
            self.body +=
                &html! { path d=(path) stroke=(ink) stroke-width="3.2" stroke-linecap="round" {} }.into_string();
        }
    }

    /// Draws a diamond.
    pub fn diamond(&mut self, (x, y): (f64, f64), radius: f64, stroke: &'static str, fill: &'static str) {
        let corners = [(x - radius, y), (x, y - radius), (x + radius, y), (x, y + radius)];
        let corners = corners.map(|(x, y)| format!("{} {}", n(x), n(y))).join(" ");
        self.path(&format!("M{corners}Z"), Pen { fill, ..Pen::line(stroke, 2.0) });
    }

    /// Draws a bar with ends.
    pub fn bar(&mut self, (x, y): (f64, f64), reach: f64, upright: bool, pen: Pen) {
        let end = 4.0;
        let path = if upright {
            let (low, high, left, right) = (n(y + reach), n(y - reach), n(x - end), n(x + end));
            format!("M{left} {high}H{right}M{} {high}V{low}M{left} {low}H{right}", n(x))
        } else {
            let (left, right, low, high) = (n(x - reach), n(x + reach), n(y + end), n(y - end));
            format!("M{left} {low}V{high}M{left} {}H{right}M{right} {low}V{high}", n(y))
        };
        self.path(&path, pen);
    }

    /// The plot, with what it shows in words.
    pub fn finish(self, alternative: String) -> Plot {
        let Self { name, title, body, below, .. } = self;
        let height = n((below + EDGE).ceil());
        let ids = [format!("plot-{name}-title"), format!("plot-{name}-desc")];
        let (named, view) = (ids.join(" "), format!("0 0 {} {height}", n(WIDTH)));
        let alternative = clean(&alternative);
        let markup = html! {
            svg xmlns="http://www.w3.org/2000/svg" viewBox=(view) role="img" aria-labelledby=(named)
                font-family="system-ui, sans-serif" font-size=(n(TEXT)) fill=(INK) {
                title id=(ids[0]) { (title) }
                desc id=(ids[1]) { (alternative) }
                rect width=(n(WIDTH)) height=(height) rx="6" fill=(GROUND) {}
                (PreEscaped(body))
            }
        };
        Plot { name, title, alternative, svg: markup.into_string() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coordinates_are_short_and_always_numbers() {
        let written = [0.0, -0.04, 0.26, -0.26, 12.0, 12.34, -12.36, f64::NAN, f64::INFINITY].map(n);
        assert_eq!(written, ["0", "0", ".3", "-.3", "12", "12.3", "-12.4", "0", "100000"]);
    }

    #[test]
    fn corners_are_steps_that_add_up() {
        let mut corners = Corners::default();
        [(1.04, 2.0), (1.5, 2.0), (2.0, 2.04), (2.5, -3.0), (3.0, 4.0)]
            .into_iter()
            .for_each(|corner| corners.to(corner));
        // In tenths 10 20, 15 20, 20 20, 25 -30, 30 40.
        assert_eq!(corners.finish(), "M1 2l1 0 .5-5 .5 7");
        let mut back = Corners::default();
        [0.0, 1.0, 2.0, 1.0].into_iter().for_each(|x| back.to((x, 5.0)));
        assert_eq!(back.finish(), "M0 5l2 0-1 0");
        let mut alone = Corners::default();
        alone.to((1.0, 2.0));
        assert_eq!((alone.finish(), Corners::default().finish()), ("M1 2l.1 0".into(), String::new()));
    }

    #[test]
    fn long_texts_wrap_and_lose_no_word() {
        let text = "a heron stands in the water and waits for a fish that does not come";
        let lines = wrapped(text, 150.0, 14.0);
        assert!(lines.len() > 3 && lines.iter().all(|line| width_of(line, 14.0) <= 150.0), "{lines:?}");
        assert_eq!(lines.join(" "), text);
    }
}
