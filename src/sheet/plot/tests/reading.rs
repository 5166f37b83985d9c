//! Reads a plot back from its SVG alone: scales from the marks' texts and places, values from the paths.

use roxmltree::{Document, Node};

use super::super::Plot;
use super::super::palette::TEXT;

type Line = Vec<(f64, f64)>;

/// A plot as read.
pub struct Read {
    pub width: f64,
    pub height: f64,
    texts: Vec<(f64, f64, String, String)>,
    paths: Vec<(String, String, Vec<Line>)>,
    pub circles: Vec<(f64, f64, String)>,
}

fn attribute(node: &Node<'_, '_>, name: &str) -> String {
    node.attribute(name).unwrap_or_default().to_owned()
}

fn number(node: &Node<'_, '_>, name: &str) -> f64 {
    attribute(node, name).parse().unwrap_or_else(|_| panic!("{name} of {node:?}"))
}

impl Read {
    pub fn of(plot: &Plot) -> Self {
        let document = Document::parse(&plot.svg).unwrap_or_else(|error| panic!("{}: {error}", plot.name));
        let root = document.root_element();
        let view: Vec<f64> = attribute(&root, "viewBox").split(' ').map(|n| n.parse().unwrap()).collect();
        let text = |node: Node<'_, '_>| {
            let says = node.text().unwrap_or_default().to_owned();
            (number(&node, "x"), number(&node, "y"), attribute(&node, "text-anchor"), says)
        };
        let named = |name: &'static str| root.children().filter(move |node| node.tag_name().name() == name);
        let path =
            |node: Node<'_, '_>| (attribute(&node, "fill"), attribute(&node, "stroke"), lines(&attribute(&node, "d")));
        let circle = |node: Node<'_, '_>| (number(&node, "cx"), number(&node, "cy"), attribute(&node, "fill"));
        Self {
            width: view[2],
            height: view[3],
            texts: named("text").map(text).collect(),
            paths: named("path").map(path).collect(),
            circles: named("circle").map(circle).collect(),
        }
    }

    /// The marks of the axis upwards of each panel: place and value.
    fn upright(&self) -> Vec<Line> {
        let mut panels: Vec<Line> = Vec::new();
        for (x, y, side, says) in &self.texts {
            let Ok(value) = says.parse::<f64>() else { continue };
            if side != "end" || (*x - 44.0).abs() > 0.1 {
                continue;
            }
            let place = y - TEXT * 0.35;
            match panels.last_mut() {
                // Marks rise on the card; a lower one begins another panel.
                Some(panel) if panel.last().is_some_and(|last: &(f64, f64)| place < last.0) => {
                    panel.push((place, value))
                }
                _ => panels.push(vec![(place, value)]),
            }
        }
        panels
    }

    /// The marks of the axes across, by their height on the card.
    fn across(&self) -> Vec<(f64, Line)> {
        let mut axes: Vec<(f64, Line)> = Vec::new();
        for (x, y, side, says) in &self.texts {
            let Some(value) = says.parse::<f64>().ok().filter(|_| side == "middle") else { continue };
            match axes.iter_mut().find(|(height, _)| (height - y).abs() < 0.1) {
                Some((_, marks)) => marks.push((*x, value)),
                None => axes.push((*y, vec![(*x, value)])),
            }
        }
        // A leg's number stands alone; an axis has marks.
        axes.retain(|(_, marks)| marks.len() > 1 && marks.windows(2).all(|pair| pair[0].0 < pair[1].0));
        axes
    }

    /// A place on the card in the values of a panel, by the first axis across below it.
    pub fn value(&self, panel: usize, (x, y): (f64, f64)) -> (f64, f64) {
        let upright = &self.upright()[panel];
        let bottom = upright.iter().map(|(place, _)| *place).fold(0.0, f64::max);
        let axes = self.across();
        let across = &axes.iter().find(|(height, _)| *height > bottom).expect("an axis below").1;
        (straight(across, x), straight(upright, y))
    }

    /// The lines of an ink that lie on a panel, in its values.
    pub fn lines(&self, panel: usize, ink: &str) -> Vec<Line> {
        let upright = &self.upright()[panel];
        let ends = upright.iter().fold((f64::MAX, f64::MIN), |(top, bottom), (y, _)| (top.min(*y), bottom.max(*y)));
        let inside = |line: &&Line| line.iter().all(|(_, y)| (ends.0 - 15.0..ends.1 + 15.0).contains(y));
        let inked = self.paths.iter().filter(|(fill, stroke, _)| stroke == ink && (fill == "none" || fill == ink));
        let lines = inked.flat_map(|(_, _, lines)| lines.iter().filter(inside));
        lines.map(|line| line.iter().map(|place| self.value(panel, *place)).collect()).collect()
    }

    /// All lines of an ink, as places on the card.
    pub fn inked(&self, ink: &str) -> Vec<Line> {
        self.paths.iter().filter(|path| path.1 == ink).flat_map(|path| path.2.clone()).collect()
    }

    /// The lines of an ink on a panel: place across, value upwards.
    pub fn places(&self, panel: usize, ink: &str) -> Vec<(f64, f64)> {
        let upright = &self.upright()[panel];
        self.inked(ink).into_iter().flatten().map(|(x, y)| (x, straight(upright, y))).collect()
    }

    /// The value across at a place, by the only axis.
    pub fn along(&self, x: f64) -> f64 {
        straight(&self.across()[0].1, x)
    }

    /// The place across of a time, s, by marks of hours and minutes.
    pub fn clock(&self, seconds: f64) -> f64 {
        let marks = self.texts.iter().filter(|text| text.2 == "middle").filter_map(|(x, _, _, says)| {
            let (hours, minutes) = says.split_once(':')?;
            Some((hours.parse::<f64>().ok()? * 3_600.0 + minutes.parse::<f64>().ok()? * 60.0, *x))
        });
        straight(&marks.collect::<Vec<_>>(), seconds)
    }

    /// The corners of a band.
    pub fn band(&self, panel: usize, ink: &str) -> Vec<(f64, f64)> {
        self.lines(panel, ink).into_iter().flatten().collect()
    }

    /// The areas of a colour, as places on the card.
    pub fn areas(&self, fill: &str) -> Vec<Line> {
        self.paths.iter().filter(|path| path.0 == fill).flat_map(|path| path.2.clone()).collect()
    }
}

/// The value at a place, from the first and the last mark.
fn straight(marks: &[(f64, f64)], place: f64) -> f64 {
    let (a, b) = (marks[0], marks[marks.len() - 1]);
    a.1 + (b.1 - a.1) * (place - a.0) / (b.0 - a.0)
}

/// The lines of a path: as much of SVG 2's grammar of paths (9.3) as there is need of.
fn lines(d: &str) -> Vec<Line> {
    let (mut lines, mut at) = (Vec::<Line>::new(), (0.0, 0.0));
    let starts: Vec<usize> = d.char_indices().filter(|(_, c)| c.is_ascii_alphabetic()).map(|(at, _)| at).collect();
    for (index, start) in starts.iter().enumerate() {
        let end = starts.get(index + 1).copied().unwrap_or(d.len());
        let command = d.as_bytes()[*start] as char;
        let numbers = numbers(&d[start + 1..end]);
        let places: Vec<(f64, f64)> = match command {
            'M' | 'L' => numbers.chunks(2).map(|pair| (pair[0], pair[1])).collect(),
            'H' => numbers.iter().map(|x| (*x, at.1)).collect(),
            'V' => numbers.iter().map(|y| (at.0, *y)).collect(),
            'h' => numbers.iter().map(|x| (at.0 + x, at.1)).collect(),
            'v' => numbers.iter().map(|y| (at.0, at.1 + y)).collect(),
            'l' => {
                let step = |place: &mut (f64, f64), pair: &[f64]| {
                    *place = (place.0 + pair[0], place.1 + pair[1]);
                    Some(*place)
                };
                numbers.chunks(2).scan(at, step).collect()
            }
            'Z' | 'z' => Vec::new(),
            other => panic!("{other} in {d}"),
        };
        if command == 'M' {
            lines.push(Vec::new());
        }
        at = places.last().copied().unwrap_or(at);
        lines.last_mut().expect("a path begins with M").extend(places);
    }
    lines
}

fn numbers(text: &str) -> Vec<f64> {
    let apart = text.replace('-', " -");
    apart.split_whitespace().map(|n| n.parse().unwrap_or_else(|_| panic!("{n} in {text}"))).collect()
}

/// Whether a plot is well-formed SVG that stands alone, says what it is, and lies on its card.
pub fn sound(plot: &Plot) {
    let name = plot.name;
    let document = Document::parse(&plot.svg).unwrap_or_else(|error| panic!("{name}: {error}\n{}", plot.svg));
    let root = document.root_element();
    assert_eq!((root.attribute("role"), root.tag_name().name()), (Some("img"), "svg"));
    let ids: Vec<&str> = document.descendants().filter_map(|node| node.attribute("id")).collect();
    let named: Vec<&str> = root.attribute("aria-labelledby").unwrap().split(' ').collect();
    assert_eq!(ids, named, "{name}");
    assert!(ids.iter().all(|id| id.contains(name)), "{ids:?}");
    let said = |tag: &str| root.children().find(|node| node.has_tag_name((SVG, tag))).and_then(|node| node.text());
    assert_eq!(said("title"), Some(plot.title.as_str()));
    assert_eq!(said("desc").unwrap_or_default(), plot.alternative);
    let known = ["svg", "title", "desc", "rect", "text", "path", "circle"];
    for node in document.descendants().filter(Node::is_element) {
        assert!(known.contains(&node.tag_name().name()), "{name}: {node:?}");
        for attribute in node.attributes() {
            let value = attribute.value();
            assert!(!attribute.name().starts_with("on") && attribute.name() != "href" && attribute.name() != "style");
            assert!(!value.contains("url(") && !value.contains("NaN") && !value.contains("inf"), "{name}: {value}");
        }
    }
    let read = Read::of(plot);
    for (x, y, _, says) in &read.texts {
        assert!((0.0..=read.width).contains(x) && (0.0..=read.height).contains(y), "{name}: {says} at {x} {y}");
        assert!(!says.contains("NaN") && !says.contains("inf"), "{name}: {says}");
    }
    for (x, y) in read.paths.iter().flat_map(|path| path.2.iter().flatten()) {
        assert!((-1.0..=read.width + 1.0).contains(x) && (-1.0..=read.height + 1.0).contains(y), "{name}: {x} {y}");
    }
}

const SVG: &str = "http://www.w3.org/2000/svg";
