//! How figures are written for people: the only place that rounds.
//!
//! Does not know what a figure means, and computes nothing but its digits.
//!
//! Digits follow the Particle Data Group's rule (Review of Particle Physics, introduction, "Rounding"): of the
//! uncertainty's three leading digits, 100 to 354 keep two digits, 355 to 949 keep one, 950 to 999 round up to 1000 and
//! keep two. That stays within JCGM 100:2008 (GUM) 7.2.6, which asks for at most two. The value ends at the same place.

use crate::quantity::{Metre, MetrePerSecond};

/// Columns of a terminal that everything must fit into.
pub const COLUMNS: usize = 80;
/// Digits of a figure whose uncertainty is not estimated.
const DIGITS_NOT_ESTIMATED: i32 = 3;
/// Column where a table's values begin.
const VALUE_COLUMN: usize = 24;

/// A figure with its 95 % uncertainty and unit: `18.42 ± 0.16 kWh/100 km`.
///
/// Without an uncertainty `17.3 kWh, not estimated`; what is not finite, `not measured`; an uncertainty of exactly 0 is
/// written as such. `unit` may be empty.
pub fn figure(value: f64, u95: Option<f64>, unit: &str) -> String {
    let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    match u95 {
        _ if !value.is_finite() => "not measured".into(),
        Some(u95) if u95.is_finite() && u95 > 0.0 => {
            let (u95, place) = rounded(u95);
            format!("{} ± {}{unit}", fixed(value, place), fixed(u95, place))
        }
        Some(0.0) => {
            let place = place_of(value, DIGITS_NOT_ESTIMATED).min(0);
            format!("{} ± 0{unit}", fixed(value, place))
        }
        _ => format!("{}{unit}, not estimated", significant(value, DIGITS_NOT_ESTIMATED)),
    }
}

/// An uncertainty rounded by the rule above, and the power of ten of its last digit.
fn rounded(uncertainty: f64) -> (f64, i32) {
    let first = uncertainty.log10().floor() as i32;
    let leading = (uncertainty / power_of_ten(first) * 100.0).round();
    match leading {
        leading if leading < 355.0 => (uncertainty, first - 1),
        leading if leading < 950.0 => (uncertainty, first),
        _ => (power_of_ten(first + 1), first),
    }
}

/// A value to so many significant digits, without unit.
pub fn significant(value: f64, digits: i32) -> String {
    fixed(value, place_of(value, digits))
}

/// A mark of a scale whose marks lie `step` apart: as many decimals as the step has.
pub fn to_step(value: f64, step: f64) -> String {
    let place = if step > 0.0 && step.is_finite() { (step * (1.0 + 1e-9)).log10().floor() as i32 } else { 0 };
    fixed(value, place.min(0))
}

fn place_of(value: f64, digits: i32) -> i32 {
    if value == 0.0 || !value.is_finite() { 0 } else { value.abs().log10().floor() as i32 - (digits - 1) }
}

fn power_of_ten(power: i32) -> f64 {
    // `powi` of a negative power is off by an ulp or two; dividing by an exact power is not.
    if power < 0 { 1.0 / 10f64.powi(-power) } else { 10f64.powi(power) }
}

/// A value with its last digit at the power of ten `place`; never `-0`.
fn fixed(value: f64, place: i32) -> String {
    let text = if place > 0 {
        format!("{:.0}", (value / power_of_ten(place)).round() * power_of_ten(place))
    } else {
        format!("{value:.*}", place.unsigned_abs().min(17) as usize)
    };
    match text.strip_prefix('-') {
        Some(digits) if digits.bytes().all(|byte| matches!(byte, b'0' | b'.')) => digits.to_owned(),
        _ => text,
    }
}

/// A count, exact, thousands apart: `12 345 678`.
pub fn count(n: u64) -> String {
    let digits = n.to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            text.push(' ');
        }
        text.push(digit);
    }
    text
}

/// A duration as `h:mm:ss`, rounded to the second; negative ones with a sign.
pub fn duration(seconds: f64) -> String {
    if !seconds.is_finite() {
        return "not measured".into();
    }
    let whole = seconds.abs().round() as u64;
    let sign = if seconds < 0.0 && whole > 0 { "-" } else { "" };
    format!("{sign}{}:{:02}:{:02}", whole / 3600, whole / 60 % 60, whole % 60)
}

/// A time as people say it: in seconds below a minute (`8.2 s`), else as `h:mm:ss`.
pub fn time(seconds: f64) -> String {
    if seconds.abs() < 59.5 { format!("{} s", significant(seconds, 2)) } else { duration(seconds) }
}

/// A percentage that is known as read, such as a display's: as many decimals as it needs, at most two.
pub fn percent(value: f64) -> String {
    if !value.is_finite() {
        return "not known".into();
    }
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    format!("{} %", if text == "-0" { "0" } else { text })
}

/// A temperature as a sensor read it, degC, to a tenth: `11.5`.
pub fn temperature(degc: f64) -> String {
    let tenths = format!("{degc:.1}");
    match tenths.strip_suffix(".0") {
        Some("-0") => "0".into(),
        Some(whole) => whole.into(),
        None => tenths,
    }
}

/// A share of a whole (1 is all of it) as a percentage to two digits: `0.31 %`; `0 %` for none.
pub fn share(share: f64) -> String {
    if share == 0.0 { "0 %".into() } else { format!("{} %", significant(share * 100.0, 2)) }
}

/// A distance with its 95 % uncertainty, in km or miles.
pub fn distance(value: Metre, u95: Option<Metre>, in_miles: bool) -> String {
    if in_miles {
        figure(value.miles(), u95.map(Metre::miles), "mi")
    } else {
        figure(value.km(), u95.map(Metre::km), "km")
    }
}

/// A way along the road as one says it, in km or miles: `121 km`, `12.4 km`, `450 m`, `0.28 mi`.
pub fn way(metres: f64, in_miles: bool) -> String {
    let (value, unit) = if in_miles { (Metre(metres).miles(), "mi") } else { (Metre(metres).km(), "km") };
    match value.abs() {
        _ if !value.is_finite() => "not known".into(),
        small if small < 0.995 && !in_miles => format!("{} m", fixed(metres, 1)),
        small if small < 0.995 => format!("{} {unit}", fixed(value, -2)),
        middle if middle < 99.95 => format!("{} {unit}", fixed(value, -1)),
        _ => format!("{} {unit}", fixed(value, 0)),
    }
}

/// A speed to so many decimals, in km/h or mph.
pub fn speed(speed: MetrePerSecond, decimals: u8, in_miles: bool) -> String {
    let (value, unit) = if in_miles { (speed.mph(), "mph") } else { (speed.kmh(), "km/h") };
    format!("{} {unit}", fixed(value, -i32::from(decimals)))
}

/// A chance as people weigh it: `1 in 28`.
pub fn chance(chance: f64) -> String {
    match chance {
        none if none < 1e-6 => "less than 1 in a million".into(),
        small if small < 0.3 => format!("1 in {}", significant(1.0 / small, 2)),
        large => format!("{} %", significant(100.0 * large, 2)),
    }
}

/// A p value as statistics are told: `0.013`, `below 0.001`.
pub fn p_value(p: f64) -> String {
    if p < 0.001 { "below 0.001".into() } else { significant(p, 2) }
}

/// Bytes of a disk: `23.4 GB`, `812 MB`.
pub fn bytes(bytes: u64) -> String {
    let megabytes = bytes as f64 / 1e6;
    if megabytes < 999.5 { format!("{megabytes:.0} MB") } else { format!("{} GB", significant(megabytes / 1e3, 3)) }
}

/// A distance as it is said aloud: `2 kilometres`, `1.9 kilometres`, `500 metres`; in miles `0.3 miles`, `1 mile`.
pub fn spoken_distance(value: Metre, in_miles: bool) -> String {
    let tenths = |value: f64| if value.abs() < 9.95 { whole(fixed(value, -1)) } else { fixed(value, 0) };
    let (number, one, many) = match value.0.abs() {
        _ if in_miles => (tenths(value.miles()), "mile", "miles"),
        near if near < 950.0 => (fixed(value.0, 2), "metre", "metres"),
        _ => (tenths(value.km()), "kilometre", "kilometres"),
    };
    format!("{number} {}", if number == "1" { one } else { many })
}

/// A number as it is said aloud, to three digits: `31`, `17.3`.
pub fn spoken_number(value: f64) -> String {
    trimmed(value, 3)
}

/// A value to so many significant digits, without zeros at its end: `110`, `2.5`.
pub fn trimmed(value: f64, digits: i32) -> String {
    let text = significant(value, digits);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').into() } else { text }
}

/// Without a tenth that is none.
fn whole(text: String) -> String {
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// A line of a table: label, then the value, which wraps under itself to stay inside [`COLUMNS`].
pub fn line(label: &str, value: &str) -> String {
    let label_width = label.chars().count();
    let head = if label_width < VALUE_COLUMN {
        format!("{label}{}", " ".repeat(VALUE_COLUMN - label_width))
    } else {
        format!("{label} ")
    };
    wrap(&head, value, VALUE_COLUMN)
}

/// `head` followed by `text`, broken between words to stay inside [`COLUMNS`], later lines indented; ends with a line end.
pub fn wrap(head: &str, text: &str, indent: usize) -> String {
    let mut lines = vec![head.to_owned()];
    let mut used = head.chars().count();
    let mut fresh = true;
    for word in glued(text) {
        let width = word.chars().count();
        if !fresh && used + 1 + width > COLUMNS {
            lines.push(" ".repeat(indent));
            used = indent;
            fresh = true;
        }
        let last = lines.len() - 1;
        if !fresh {
            lines[last].push(' ');
            used += 1;
        }
        lines[last].push_str(&word);
        used += width;
        fresh = false;
    }
    lines.iter().map(|line| format!("{}\n", line.trim_end())).collect()
}

/// The words of a text; a short unit stays with its number (`5 ms`, `0.45 %,`).
fn glued(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    for word in text.split(' ') {
        match words.last_mut() {
            Some(number) if word.chars().count() <= 3 && number.ends_with(|c: char| c.is_ascii_digit()) => {
                number.push(' ');
                number.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_follow_the_rule() {
        // The examples of the Review of Particle Physics, "Rounding": 0.827 ± 0.119 -> 0.83 ± 0.12, 0.827 ± 0.367 -> 0.8 ± 0.4.
        assert_eq!(figure(0.827, Some(0.119), ""), "0.83 ± 0.12");
        assert_eq!(figure(0.827, Some(0.367), ""), "0.8 ± 0.4");
        // The ends of its ranges.
        assert_eq!(figure(1.0, Some(0.354), "V"), "1.00 ± 0.35 V");
        assert_eq!(figure(1.0, Some(0.355), "V"), "1.0 ± 0.4 V");
        assert_eq!(figure(1.0, Some(0.949), "V"), "1.0 ± 0.9 V");
        assert_eq!(figure(1.0, Some(0.95), "V"), "1.0 ± 1.0 V");
        assert_eq!(figure(18.4213, Some(0.1602), "kWh/100 km"), "18.42 ± 0.16 kWh/100 km");
    }

    #[test]
    fn large_small_and_odd_values() {
        assert_eq!(figure(12_345.6, Some(42.0), "Wh"), "12350 ± 40 Wh");
        assert_eq!(figure(12_345.6, Some(210.0), "Wh"), "12350 ± 210 Wh");
        assert_eq!(figure(-0.001, Some(0.12), "A"), "0.00 ± 0.12 A");
        assert_eq!(figure(17.312, None, "kWh"), "17.3 kWh, not estimated");
        assert_eq!(figure(f64::NAN, Some(1.0), "kWh"), "not measured");
        assert_eq!(figure(5.0, Some(f64::INFINITY), "kWh"), "5.00 kWh, not estimated");
        assert_eq!(figure(0.0, Some(0.0), "kWh"), "0 ± 0 kWh");
        assert_eq!(figure(1e-9, Some(2e-10), ""), "0.00000000100 ± 0.00000000020");
    }

    #[test]
    fn marks_of_a_scale_have_the_decimals_of_its_step() {
        let marks = [(150.0, 50.0), (0.30000000000000004, 0.1), (-0.0, 0.5), (2.5, 0.5), (0.002, 0.001), (7.0, 0.0)];
        assert_eq!(marks.map(|(value, step)| to_step(value, step)), ["150", "0.3", "0.0", "2.5", "0.002", "7"]);
    }

    #[test]
    fn counts_durations_and_shares() {
        assert_eq!((count(0), count(999), count(1_234_567)), ("0".into(), "999".into(), "1 234 567".into()));
        assert_eq!(
            (duration(0.4), duration(5_400.6), duration(-61.0)),
            ("0:00:00".into(), "1:30:01".into(), "-0:01:01".into())
        );
        assert_eq!((time(8.22), time(59.4), time(59.6)), ("8.2 s".into(), "59 s".into(), "0:01:00".into()));
        assert_eq!((percent(89.5), percent(100.0), percent(0.0)), ("89.5 %".into(), "100 %".into(), "0 %".into()));
        assert_eq!((share(0.003_14), share(0.0)), ("0.31 %".into(), "0 %".into()));
        assert_eq!(distance(Metre(160_934.4), Some(Metre(1_609.344)), true), "100.0 ± 1.0 mi");
    }

    #[test]
    fn ways_speeds_and_chances_as_people_say_them() {
        let km = [121_300.0, 99_960.0, 12_440.0, 996.0, 453.0, 4.0].map(|metres| way(metres, false));
        assert_eq!(km, ["121 km", "100 km", "12.4 km", "1.0 km", "450 m", "0 m"]);
        // The mile is 1609.344 m.
        assert_eq!([160_934.4, 16_093.44, 804.672].map(|metres| way(metres, true)), ["100 mi", "10.0 mi", "0.50 mi"]);
        assert_eq!(speed(MetrePerSecond(33.0), 1, false), "118.8 km/h");
        assert_eq!(speed(MetrePerSecond(31.292_8), 0, true), "70 mph");
        let chances = [1e-9, 0.035, 0.5].map(chance);
        assert_eq!(chances, ["less than 1 in a million", "1 in 29", "50 %"]);
        assert_eq!([0.012_6, 0.000_4, 0.97].map(p_value), ["0.013", "below 0.001", "0.97"]);
        assert_eq!([812_400_000, 23_440_000_000].map(bytes), ["812 MB", "23.4 GB"]);
    }

    #[test]
    fn distances_and_numbers_are_said_in_few_digits() {
        let said = |metres: f64| spoken_distance(Metre(metres), false);
        let all = [40.0, 512.0, 949.0, 951.0, 1_940.0, 2_030.0, 9_960.0, 58_600.0, 123_400.0].map(said);
        let expected = ["0 metres", "500 metres", "900 metres", "1 kilometre", "1.9 kilometres", "2 kilometres"];
        assert_eq!(all[..6], expected);
        assert_eq!(all[6..], ["10 kilometres", "59 kilometres", "123 kilometres"]);
        let miles = |miles: f64| spoken_distance(Metre(miles * 1_609.344), true);
        assert_eq!([0.31, 0.96, 1.04, 3.02, 42.4].map(miles), ["0.3 miles", "1 mile", "1 mile", "3 miles", "42 miles"]);
        assert_eq!(
            [31.0, 17.32, 17.0, 400.0, 0.5, 1_234.0].map(spoken_number),
            ["31", "17.3", "17", "400", "0.5", "1230"]
        );
    }

    proptest::proptest! {
        #[test]
        fn a_figure_says_what_it_was_given(value in -1e7..1e7f64, u95 in 1e-6..1e5f64) {
            let text = figure(value, Some(u95), "");
            let (shown, shown_u) = text.split_once(" ± ").unwrap();
            let decimals = |text: &str| text.split_once('.').map_or(0, |(_, digits)| digits.len());
            proptest::prop_assert_eq!(decimals(shown), decimals(shown_u));
            let (shown, shown_u): (f64, f64) = (shown.parse().unwrap(), shown_u.parse().unwrap());
            // One digit of 0.355 or more: rounding moves it by less than a sixth; the value by less than half the uncertainty.
            proptest::prop_assert!((shown_u - u95).abs() <= 0.15 * u95, "{} for {}", shown_u, u95);
            proptest::prop_assert!((shown - value).abs() <= 0.16 * u95 + 1e-9, "{} for {}", shown, value);
        }

        #[test]
        fn nothing_is_wider_than_the_terminal(label in "[a-z ]{0,20}", text in "([a-z]{1,12} ){0,40}") {
            for line in line(&label, &text).lines() {
                proptest::prop_assert!(line.chars().count() <= COLUMNS);
            }
        }
    }
}
