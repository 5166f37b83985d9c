//! Coordinates out of what people wrote: out of comments and quoted texts of maps, cards and courses, and out of the course the
//! positions of its places.
//!
//! Finds pairs of numbers that look like degrees north and east. Cannot find a place that is told in words, and leaves every
//! number outside quotes and comments alone.

use toml::de::{DeTable, DeValue};

/// What stands in the place of coordinates.
pub const LEFT_OUT: &str = "[position left out]";
/// Digits behind the point from which on a pair is taken for a place: 3 are a hundred metres.
const DIGITS: usize = 3;
/// The same behind a comma, which some write for the point and others between numbers.
const DIGITS_BEHIND_A_COMMA: usize = 4;
/// Two numbers so far apart, in characters, are not one place.
const APART: usize = 16;

/// A number in a text.
struct Number {
    from: usize,
    to: usize,
    value: f64,
    /// Digits behind the point, or it is followed by a sign of degrees and minutes.
    fine: bool,
}

/// A text without pairs of coordinates.
pub fn without_coordinates(text: &str) -> String {
    let numbers = numbers(text);
    let mut out = String::with_capacity(text.len());
    let (mut copied, mut at) = (0, 0);
    while at + 1 < numbers.len() {
        let (north, east) = (&numbers[at], &numbers[at + 1]);
        let between = &text[north.to..east.from];
        // Either may come first.
        let place = |a: f64, b: f64| a.abs() <= 90.0 && b.abs() <= 180.0;
        let is_place = north.fine
            && east.fine
            && (place(north.value, east.value) || place(east.value, north.value))
            && between.chars().count() <= APART
            // On the next line only where nothing is told between them.
            && (!between.contains('\n') || !between.chars().any(char::is_alphabetic));
        if is_place {
            out += &text[copied..north.from];
            out += LEFT_OUT;
            copied = east.to;
            at += 2;
        } else {
            at += 1;
        }
    }
    out + &text[copied..]
}

/// The numbers of a text: decimal ones, and degrees with minutes and seconds.
fn numbers(text: &str) -> Vec<Number> {
    let bytes = text.as_bytes();
    let digit = |at: usize| bytes.get(at).is_some_and(u8::is_ascii_digit);
    let mut found = Vec::new();
    let mut at = 0;
    while at < bytes.len() {
        let named = is_named(bytes, at);
        let part_of_a_word = at > 0 && (bytes[at - 1].is_ascii_alphanumeric() || b"_.".contains(&bytes[at - 1]));
        if !digit(at) || part_of_a_word && !named {
            at += 1;
            continue;
        }
        let from = if at > 0 && b"+-".contains(&bytes[at - 1]) { at - 1 } else { at };
        let mut to = at;
        while digit(to) {
            to += 1;
        }
        let mut fraction = 0;
        let fraction_of = |to: usize| (to + 1..).take_while(|at| digit(*at)).count();
        let comma = bytes.get(to) == Some(&b',') && fraction_of(to) >= DIGITS_BEHIND_A_COMMA;
        if bytes.get(to) == Some(&b'.') && digit(to + 1) || comma {
            fraction = fraction_of(to);
            to += 1 + fraction;
        }
        let value = text[from..to].replace(',', ".").parse().unwrap_or(f64::INFINITY);
        let minutes = minutes(text, to).or_else(|| named.then(|| plain_minutes(text, to)).flatten());
        found.push(Number { from, to: minutes.unwrap_or(to), value, fine: fraction >= DIGITS || minutes.is_some() });
        at = minutes.unwrap_or(to).max(at + 1);
    }
    found
}

/// Whether N, S, E or W stands before a number, alone, with or without a space.
fn is_named(bytes: &[u8], at: usize) -> bool {
    let before = |at: usize| at.checked_sub(1).map(|at| bytes[at]);
    let at = if before(at) == Some(b' ') { at - 1 } else { at };
    before(at).is_some_and(|letter| b"NSEW".contains(&letter))
        && before(at - 1).is_none_or(|byte| !byte.is_ascii_alphanumeric() && byte != b'_')
}

/// Where the minutes of `N 52 30.123` end, if they stand there.
fn plain_minutes(text: &str, from: usize) -> Option<usize> {
    let rest = text[from..].strip_prefix(' ')?;
    let whole = rest.bytes().take_while(u8::is_ascii_digit).count();
    let fraction = rest[whole..].strip_prefix('.')?.bytes().take_while(u8::is_ascii_digit).count();
    ((1..=2).contains(&whole) && fraction > 0).then_some(from + 1 + whole + 1 + fraction)
}

/// Where `°31'12.5"` ends, if it stands there.
fn minutes(text: &str, from: usize) -> Option<usize> {
    let rest = text[from..].trim_start().strip_prefix('°')?;
    let rest = rest.trim_start();
    let signs = |c: char| c.is_ascii_digit() || " .'\"\u{2032}\u{2033}\u{2019}\u{201d}".contains(c);
    let end = rest.find(|c| !signs(c)).unwrap_or(rest.len());
    let taken = rest[..end].trim_end();
    taken.starts_with(|c: char| c.is_ascii_digit()).then(|| text.len() - rest.len() + taken.len())
}

/// How a text marks comments.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Syntax {
    /// `#` to the end of the line; strings in single, double or triple quotes.
    Toml,
    /// No comments; strings in double quotes, over several lines.
    Dbc,
}

/// A text with what its strings and comments say put through `scrub`; all else stays byte for byte.
pub fn in_words(text: &str, syntax: Syntax, scrub: &dyn Fn(&str) -> String) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(start) = rest.find(|c| c == '"' || syntax == Syntax::Toml && (c == '#' || c == '\'')) {
        out += &rest[..start];
        rest = &rest[start..];
        let (begin, end, after) = word(rest, syntax);
        out += &rest[..begin];
        out += &scrub(&rest[begin..end]);
        out += &rest[end..after];
        rest = &rest[after..];
    }
    out + rest
}

/// Where the words of a string or comment begin and end, and where it is over.
fn word(text: &str, syntax: Syntax) -> (usize, usize, usize) {
    if text.starts_with('#') {
        let end = text.find('\n').unwrap_or(text.len());
        return (1, end, end);
    }
    let quote = &text[..1];
    let triple = quote.repeat(3);
    let (mark, escapes) = match syntax {
        Syntax::Toml if text.starts_with(&*triple) => (&*triple, quote == "\""),
        Syntax::Toml => (quote, quote == "\""),
        Syntax::Dbc => (quote, false),
    };
    let begin = mark.len();
    let mut at = begin;
    while at < text.len() {
        let here = &text[at..];
        if here.starts_with(mark) {
            return (begin, at, at + mark.len());
        }
        let mut chars = here.chars();
        let first = chars.next().map_or(1, char::len_utf8);
        let escaped = if escapes && here.starts_with('\\') { chars.next().map_or(0, char::len_utf8) } else { 0 };
        at += first + escaped;
    }
    (begin, text.len(), text.len())
}

/// A course's text without the positions of its places; `None` where it is no TOML.
pub fn without_positions(text: &str) -> Option<String> {
    let table = DeTable::parse(text).ok()?;
    let mut ranges = Vec::new();
    positions(table.get_ref(), &mut ranges);
    ranges.sort_unstable_by_key(|range| std::cmp::Reverse(range.0));
    let mut out = text.to_owned();
    for (from, to) in ranges {
        let (mut from, mut to) = (from, to);
        let after = out[to..].trim_start();
        if after.starts_with(',') {
            to = out.len() - after.len() + 1;
        } else if out[..from].trim_end().ends_with(',') {
            from = out[..from].trim_end().len() - 1;
        }
        out.replace_range(from..to, "");
    }
    Some(out)
}

/// From where a key `position` begins to where its value ends, in every place.
fn positions(table: &DeTable<'_>, found: &mut Vec<(usize, usize)>) {
    for (key, value) in table {
        let inside = value.get_ref();
        if key.get_ref() == "position" {
            let quoted = key.span();
            found.push((quoted.start, value.span().end));
            continue;
        }
        match inside {
            DeValue::Table(table) => positions(table, found),
            DeValue::Array(values) => {
                for value in values.iter() {
                    if let DeValue::Table(table) = value.get_ref() {
                        positions(table, found);
                    }
                }
            }
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn pairs_of_coordinates_go_and_other_numbers_stay() {
        for (with, without) in [
            ("home: 48.1371, 11.5754.", "home: [position left out]."),
            ("-48.00012 -123.50034", "[position left out]"),
            ("lat 48.1371 lon 11.5754 end", "lat [position left out] end"),
            ("at 48°08'13.6\"N 11°34'31.4\"E now", "at [position left out]E now"),
            ("123.5004,48.1371", "[position left out]"),
            ("by N48.1371 E11.5754", "by N[position left out]"),
            ("48,1371 11,5754", "[position left out]"),
            ("N 52 30.123 E 13 24.567", "N [position left out]"),
            ("48.1371,\n# 11.5754", "[position left out]"),
        ] {
            assert_eq!(without_coordinates(with), without);
        }
        for same in [
            "2.5 bar, 2.7 bar",
            "0.001 to 999.123",
            "20 °C, then 21 °C",
            "12:30 to 14:15",
            "48.1371 then a long way of words, and 11.5754",
            "1.234 kWh\n5.678 kWh",
            "v1.2345x, 9.8765y",
            "16,9 kWh, 27,1 kWh",
            "SE8.4, NW9.5",
            "car W 12 and E 13",
            "",
        ] {
            assert_eq!(without_coordinates(same), same);
        }
    }

    #[test]
    fn only_words_are_scrubbed() {
        let upper = |text: &str| text.to_uppercase();
        let toml = "a = 'x\"y' # it's\nb = \"p\\\"q\" # r\nc = '''s's\nt'''\nd = 1.5\n";
        let expected = "a = 'X\"Y' # IT'S\nb = \"P\\\"Q\" # R\nc = '''S'S\nT'''\nd = 1.5\n";
        assert_eq!(in_words(toml, Syntax::Toml, &upper), expected);
        let dbc = "SG_ a : 0|8@1+ (1,0) [0|0] \"kph\" X\nCM_ \"it's\ntwo # lines\";\n";
        assert_eq!(
            in_words(dbc, Syntax::Dbc, &upper),
            dbc.replace("kph", "KPH").replace("it's\ntwo # lines", "IT'S\nTWO # LINES")
        );
    }

    #[test]
    fn a_course_loses_its_positions_and_nothing_else() {
        let text = "name = 'A'\n[[place]]\nname = 'B'\nkm = 0 # here\nposition = [-48.0,\n  -123.0] # there\ncharger = true\n\
                    [[place]]\nposition=[1.0, 2.0]\nname = 'C'\nkm = 5\nturn = true\n";
        let without = without_positions(text).unwrap();
        assert!(!without.contains("-48") && !without.contains("position") && !without.contains("1.0"), "{without}");
        let as_toml = |text: &str| toml::from_str::<toml::Value>(text).unwrap();
        let mut expected = as_toml(text);
        for place in expected["place"].as_array_mut().unwrap() {
            place.as_table_mut().unwrap().remove("position");
        }
        assert_eq!(as_toml(&without), expected);
        let inline = "place = [{ name = 'B', position = [1.5, 2.5], km = 0 }, { km = 5, position = [1.5, 2.5] }, {position=[1.5,2.5]}]";
        let expected = as_toml("place = [{ name = 'B', km = 0 }, { km = 5 }, {}]");
        assert_eq!(as_toml(&without_positions(inline).unwrap()), expected);
        assert_eq!(without_positions("position = ["), None);
    }

    proptest! {
        #[test]
        fn no_text_panics_and_what_is_no_number_stays(text in "\\PC{0,60}", toml in "[a-z\"'#=\\\\\n ]{0,40}") {
            let _ = without_coordinates(&text);
            let _ = without_positions(&text);
            prop_assert_eq!(in_words(&toml, Syntax::Toml, &str::to_owned), toml.clone());
            prop_assert_eq!(in_words(&toml, Syntax::Dbc, &str::to_owned), toml);
        }
    }
}
