//! A text document that a person wrote (map, card, course, configuration) and the faults found in it.
//!
//! Reads TOML with serde and finds every unknown key and ill-typed value in one go, each with its line and the nearest
//! known key. Knows nothing of what any document means.

pub mod private;

use std::fmt;
use std::ops::Range;
use std::path::Path;

use serde::de::DeserializeOwned;

/// Whether a fault stops the work or is only said.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Severity {
    /// Said; the work goes on.
    Warning,
    /// The thing named can't be used.
    Error,
}

/// One thing that is wrong with an input: where, what, and what to do about it.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub struct Fault {
    /// The file as the user named it, or another name for the input.
    pub file: String,
    /// Where in it.
    pub place: Place,
    /// What is wrong, without a full stop.
    pub what: String,
    /// What to do about it, without a full stop.
    pub remedy: Option<String>,
    /// Whether it stops the work.
    pub severity: Severity,
}

/// A place in an input.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Place {
    /// The input as a whole.
    Whole,
    /// A line, counted from 1.
    Line(u64),
    /// A packet of a capture, counted from 1.
    Packet(u64),
    /// A byte offset, counted from 0.
    Byte(u64),
}

impl Fault {
    /// An error about a whole input.
    pub fn whole(file: impl Into<String>, what: impl Into<String>) -> Self {
        Self::at(file, Place::Whole, what)
    }

    /// An error at a place.
    pub fn at(file: impl Into<String>, place: Place, what: impl Into<String>) -> Self {
        Self { file: file.into(), place, what: what.into(), remedy: None, severity: Severity::Error }
    }

    /// An input or output error on a file.
    pub fn io(path: &Path, doing: &str, error: &std::io::Error) -> Self {
        let fault = Self::whole(path.display().to_string(), format!("cannot {doing}: {error}"));
        match error.kind() {
            std::io::ErrorKind::NotFound => fault.remedy("check the path"),
            std::io::ErrorKind::PermissionDenied => fault.remedy("check who owns it and its permissions"),
            std::io::ErrorKind::StorageFull => fault.remedy("make room on that disk"),
            _ => fault,
        }
    }

    /// With a remedy.
    pub fn remedy(mut self, remedy: impl Into<String>) -> Self {
        self.remedy = Some(remedy.into());
        self
    }

    /// As a warning.
    pub fn warning(mut self) -> Self {
        self.severity = Severity::Warning;
        self
    }

    /// Whether it stops the work.
    pub fn is_error(&self) -> bool {
        self.severity == Severity::Error
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.place {
            Place::Whole => write!(f, "{}: ", self.file)?,
            Place::Line(line) => write!(f, "{}:{line}: ", self.file)?,
            Place::Packet(packet) => write!(f, "{}: packet {packet}: ", self.file)?,
            Place::Byte(byte) => write!(f, "{}: byte {byte}: ", self.file)?,
        }
        if self.severity == Severity::Warning {
            write!(f, "warning: ")?;
        }
        write!(f, "{}", self.what)?;
        match &self.remedy {
            Some(remedy) => write!(f, "; {remedy}"),
            None => Ok(()),
        }
    }
}

/// The known word nearest to one that is not known, if any is near enough to be a slip of the hand.
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    known
        .into_iter()
        .map(|candidate| (strsim::damerau_levenshtein(word, candidate), candidate))
        .filter(|(distance, candidate)| *distance <= 1 + candidate.chars().count() / 4)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

/// The remedy for an unknown word: the nearest known one, else all of them.
pub fn did_you_mean<'a>(word: &str, known: impl IntoIterator<Item = &'a str> + Clone) -> String {
    match nearest(word, known.clone()) {
        Some(near) => format!("did you mean '{near}'?"),
        None => format!("use one of: {}", known.into_iter().collect::<Vec<_>>().join(", ")),
    }
}

/// A document's name and text.
#[derive(Clone, Debug)]
pub struct Document {
    /// As the user named it; the file of every fault.
    pub name: String,
    /// The text.
    pub text: String,
}

/// The most faults told of one document, so that a wrong file does not fill the screen.
const FAULTS_MAX: usize = 50;

impl Document {
    /// Reads a file; what is not UTF-8 is a fault with its byte offset.
    pub fn read(path: &Path) -> Result<Self, Fault> {
        let name = path.display().to_string();
        let bytes = std::fs::read(path).map_err(|error| Fault::io(path, "read", &error))?;
        match String::from_utf8(bytes) {
            Ok(text) => Ok(Self { name, text }),
            Err(error) => Err(Fault::at(name, Place::Byte(error.utf8_error().valid_up_to() as u64), "not UTF-8 text")
                .remedy("save the file as UTF-8")),
        }
    }

    /// A document from memory.
    pub fn from_text(name: impl Into<String>, text: impl Into<String>) -> Self {
        Self { name: name.into(), text: text.into() }
    }

    /// The line, counted from 1, that holds a byte offset.
    pub fn line_of(&self, offset: usize) -> u64 {
        let end = offset.min(self.text.len());
        1 + self.text.as_bytes()[..end].iter().filter(|byte| **byte == b'\n').count() as u64
    }

    /// A fault at a byte offset of this document.
    pub fn fault(&self, offset: usize, what: impl Into<String>) -> Fault {
        Fault::at(self.name.clone(), Place::Line(self.line_of(offset)), what)
    }

    /// A fault at a key given as a dotted path, arrays by index from 0 (`place.2.km`): at the line of the deepest part
    /// of the path that the text holds.
    pub fn fault_at_key(&self, path: &str, what: impl Into<String>) -> Fault {
        match self.offset_of_key(path) {
            Some(offset) => self.fault(offset, what),
            None => Fault::whole(self.name.clone(), what),
        }
    }

    fn offset_of_key(&self, path: &str) -> Option<usize> {
        use toml::de::{DeTable, DeValue};

        let document = DeTable::parse(&self.text).ok()?;
        let mut parts = path.split('.');
        let (key, first) = document.get_ref().get_key_value(parts.next()?)?;
        let (mut offset, mut value) = (key.span().start, first.get_ref());
        for part in parts {
            match value {
                DeValue::Table(table) => {
                    let Some((key, inner)) = table.get_key_value(part) else { break };
                    (offset, value) = (key.span().start, inner.get_ref());
                }
                DeValue::Array(array) => {
                    let Some(inner) = part.parse().ok().and_then(|index: usize| array.get(index)) else { break };
                    (offset, value) = (inner.span().start, inner.get_ref());
                }
                _ => break,
            }
        }
        Some(offset)
    }

    /// Reads the text as TOML into `T`, whose structs must `deny_unknown_fields`.
    ///
    /// Every entry that serde refuses is reported, blanked out and the rest read again, so one call finds them all and
    /// still gives what could be read. `None` when nothing could: a syntax error, or a required key that is missing.
    pub fn parse_toml<T: DeserializeOwned>(&self) -> (Option<T>, Vec<Fault>) {
        let mut faults = Vec::new();
        let mut text = self.text.clone();
        while faults.len() < FAULTS_MAX {
            let error = match toml::from_str::<T>(&text) {
                Ok(value) => return (Some(value), by_line(faults)),
                Err(error) => error,
            };
            let span = error.span().unwrap_or(0..0);
            faults.push(self.explain(span.start, error.message()));
            match entry_around(&text, &span) {
                Some(entries) => entries.into_iter().for_each(|entry| blank(&mut text, entry)),
                None => break,
            }
        }
        (None, by_line(faults))
    }

    fn explain(&self, offset: usize, message: &str) -> Fault {
        let words: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
        match words.split_first() {
            Some((unknown, known)) if message.starts_with("unknown field") => {
                let fault = self.fault(offset, format!("unknown key '{unknown}'"));
                if known.is_empty() {
                    fault.remedy("remove it")
                } else {
                    fault.remedy(did_you_mean(unknown, known.iter().copied()))
                }
            }
            Some((unknown, known)) if message.starts_with("unknown variant") => self
                .fault(offset, format!("unknown value '{unknown}'"))
                .remedy(did_you_mean(unknown, known.iter().copied())),
            Some((missing, _)) if message.starts_with("missing field") => {
                self.fault(offset, format!("key '{missing}' is missing")).remedy("add it")
            }
            _ => self.fault(offset, message.trim_end().replace('\n', "; ")),
        }
    }
}

/// serde meets entries in an order of its own; people read a file from the top.
fn by_line(mut faults: Vec<Fault>) -> Vec<Fault> {
    faults.sort_by_key(|fault| fault.place);
    faults
}

/// The extents of the innermost `key = value` entry that holds `span`, so that it can be blanked out: one, but for an
/// unknown table under headers, whose keys would else move to the table before it.
fn entry_around(text: &str, span: &Range<usize>) -> Option<Vec<Range<usize>>> {
    use toml::de::{DeTable, DeValue};

    fn in_table(text: &str, table: &DeTable<'_>, span: &Range<usize>) -> Option<Vec<Range<usize>>> {
        for (key, value) in table.iter() {
            if let Some(inner) = in_value(text, value.get_ref(), span) {
                return Some(inner);
            }
            let (key_span, value_span) = (key.span(), value.span());
            let holds = |outer: &Range<usize>| outer.start <= span.start && span.end <= outer.end;
            let headers = headers(text, value_span.clone(), value.get_ref());
            if !headers.is_empty() && key_span == *span {
                let mut entries = headers;
                entries_in(text, value.get_ref(), &mut entries);
                return Some(entries);
            }
            // A table under a `[header]` spans its header alone: blanking that would move its keys to another table.
            let under_header = value.get_ref().is_table() && value_span.start <= key_span.start;
            if (holds(&key_span) || holds(&value_span)) && !under_header {
                let entry = key_span.start.min(value_span.start)..key_span.end.max(value_span.end);
                return Some(vec![entry]);
            }
        }
        None
    }
    fn in_value(text: &str, value: &DeValue<'_>, span: &Range<usize>) -> Option<Vec<Range<usize>>> {
        match value {
            DeValue::Table(table) => in_table(text, table, span),
            DeValue::Array(array) => array.iter().find_map(|item| in_value(text, item.get_ref(), span)),
            _ => None,
        }
    }
    /// The `[header]` of a table, the `[[headers]]` of a list of them; none of what is written otherwise.
    fn headers(text: &str, span: Range<usize>, value: &DeValue<'_>) -> Vec<Range<usize>> {
        match value {
            DeValue::Table(_) if text[span.clone()].starts_with('[') => vec![span],
            DeValue::Array(array) => {
                let spans = array.iter().map(|item| item.span());
                spans.filter(|span| text[span.clone()].starts_with("[[")).collect()
            }
            _ => Vec::new(),
        }
    }
    /// Everything below such headers.
    fn entries_in(text: &str, value: &DeValue<'_>, entries: &mut Vec<Range<usize>>) {
        match value {
            DeValue::Array(array) => array.iter().for_each(|item| entries_in(text, item.get_ref(), entries)),
            DeValue::Table(table) => {
                for (key, value) in table.iter() {
                    let mut below = headers(text, value.span(), value.get_ref());
                    let dotted = value.get_ref().is_table() && !text[value.span()].starts_with('{');
                    if below.is_empty() && !dotted {
                        // From the line's start, for the key may be the last part of a dotted one.
                        let start = text[..key.span().start].rfind('\n').map_or(0, |at| at + 1);
                        entries.push(start..value.span().end);
                    } else {
                        entries.append(&mut below);
                        entries_in(text, value.get_ref(), entries);
                    }
                }
            }
            _ => {}
        }
    }

    let table = DeTable::parse(text).ok()?;
    let is_there = |entry: &Range<usize>| !text[entry.clone()].trim().is_empty();
    in_table(text, table.get_ref(), span).filter(|entries| entries.iter().any(is_there))
}

/// Overwrites an entry with blanks, line ends kept so that later lines keep their numbers.
fn blank(text: &mut String, entry: Range<usize>) {
    let in_inline_table = text[entry.end..].trim_start_matches([' ', '\t']).starts_with(',');
    let end = if in_inline_table { entry.end + text[entry.end..].find(',').map_or(0, |at| at + 1) } else { entry.end };
    let blanks: String = text[entry.start..end].bytes().map(|byte| if byte == b'\n' { '\n' } else { ' ' }).collect();
    text.replace_range(entry.start..end, &blanks);
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;

    #[derive(Deserialize, Debug, PartialEq)]
    #[serde(deny_unknown_fields)]
    struct Outer {
        name: Option<String>,
        #[serde(default)]
        parts: Vec<Part>,
        part: Option<Part>,
    }

    #[derive(Deserialize, Debug, PartialEq)]
    #[serde(deny_unknown_fields)]
    struct Part {
        scale: Option<f64>,
        offset: Option<f64>,
    }

    fn faults(text: &str) -> Vec<String> {
        let document = Document::from_text("map.toml", text);
        document.parse_toml::<Outer>().1.iter().map(Fault::to_string).collect()
    }

    #[test]
    fn every_fault_is_found_with_its_line() {
        let text = "nmae = 'x'\n\n[[parts]]\nscale = 'wide'\nofset = 2\n\n[[parts]]\n\noffset = 1\nzzzzzz = 3\n[part]\nofset = 1\n";
        assert_eq!(
            faults(text),
            [
                "map.toml:1: unknown key 'nmae'; did you mean 'name'?",
                "map.toml:4: invalid type: string \"wide\", expected f64",
                "map.toml:5: unknown key 'ofset'; did you mean 'offset'?",
                "map.toml:10: unknown key 'zzzzzz'; use one of: scale, offset",
                "map.toml:12: unknown key 'ofset'; did you mean 'offset'?",
            ]
        );
    }

    #[test]
    fn what_is_sound_is_still_read() {
        let document = Document::from_text("m", "name = 'x'\npart = { ofset = 1, scale = 2 }\n");
        let (outer, faults) = document.parse_toml::<Outer>();
        assert_eq!(faults.len(), 1);
        let part = Some(Part { scale: Some(2.0), offset: None });
        assert_eq!(outer, Some(Outer { name: Some("x".into()), parts: vec![], part }));
    }

    #[test]
    fn an_unknown_table_is_one_fault_and_the_rest_is_read() {
        let text = "name = 'x'\n[prat]\nscale = 2\nlist = [\n[1],\n]\na.b = 1\na.c = 2\n[prat.deep]\nx = { y = 1 }\n\
                    [[prats]]\nname = 'a'\n[[prats]]\nname = 'b'\n[[prats.in]]\nz = 1\n[part]\nofset = 1\nscale = 2\n";
        let document = Document::from_text("m", text);
        let (outer, faults) = document.parse_toml::<Outer>();
        assert_eq!(
            faults.iter().map(Fault::to_string).collect::<Vec<_>>(),
            [
                "m:2: unknown key 'prat'; did you mean 'part'?",
                "m:11: unknown key 'prats'; did you mean 'parts'?",
                "m:18: unknown key 'ofset'; did you mean 'offset'?",
            ]
        );
        let part = Some(Part { scale: Some(2.0), offset: None });
        assert_eq!(outer, Some(Outer { name: Some("x".into()), parts: vec![], part }));
    }

    #[test]
    fn syntax_errors_have_their_line() {
        assert_eq!(faults("name = 'x'\nparts = [").len(), 1);
        assert!(faults("name = 'x'\nparts = [")[0].starts_with("map.toml:2: "));
    }

    #[test]
    fn keys_are_found_by_their_path() {
        let document =
            Document::from_text("m", "name = 'x'\n[[parts]]\nscale = 1\n[[parts]]\n\noffset = 2\n[part]\nscale = 3\n");
        let line = |path| document.fault_at_key(path, "").place;
        assert_eq!(line("parts.1.offset"), Place::Line(6));
        assert_eq!(line("parts.1.scale"), Place::Line(4));
        assert_eq!(line("part.scale"), Place::Line(8));
        assert_eq!(line("nothing"), Place::Whole);
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics(text in "([a-z\\[\\]={}\"'#., \n0-9]|name|part|offset|\\[\\[prat\\]\\]\n|\\[prat\\]\n|x = 1\n|é){0,80}") {
            let (_, faults) = Document::from_text("m", text).parse_toml::<Outer>();
            proptest::prop_assert!(faults.len() <= FAULTS_MAX);
        }
    }
}
