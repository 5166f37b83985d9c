//! What is asked over the status socket: one line of JSON, read, checked, refused with a reason and a remedy.
//!
//! Bytes in, values out. Knows no socket and no hub: whether a run, a place or an alarm is there is for [`super::desk`].

use serde::Deserialize;
use serde_json::Value;

use crate::document::did_you_mean;
use crate::format;
use crate::observation::{Mark, MarkKind};
use crate::quantity::{Dimension, Metre, Unit};

/// The longest line, bytes.
pub const LINE_MAX: usize = 1_024;

/// What is asked.
#[derive(Clone, PartialEq, Debug)]
pub enum Request {
    /// How the daemon fares.
    Status,
    /// The board.
    Moment,
    /// Go or no-go.
    Ready,
    /// Note this.
    Mark(Mark),
    /// This alarm has been seen.
    Acknowledge(String),
    /// The charger of this place is taken or dead; none of them is.
    Taken(Option<String>),
}

/// Why a request is refused.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Refused {
    /// What is wrong with it.
    pub what: String,
    /// What to do.
    pub remedy: String,
}

impl Refused {
    /// With what is wrong and what to do.
    pub fn new(what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { what: what.into(), remedy: remedy.into() }
    }
}

/// What may be asked.
const ASKS: [&str; 6] = ["status", "moment", "ready", "mark", "acknowledge", "taken"];

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    ask: String,
    kind: Option<String>,
    value: Option<Value>,
    unit: Option<String>,
    text: Option<String>,
    key: Option<String>,
    #[serde(default)]
    place: Option<String>,
}

/// Reads a line; `in_miles`: a distance without a unit is in miles.
///
/// # Errors
/// With what is wrong with it, and what to do.
pub fn parse(line: &[u8], in_miles: bool) -> Result<Request, Refused> {
    let written: Written = serde_json::from_slice(line).map_err(|error| {
        Refused::new(format!("the line can't be read: {error}"), r#"write one JSON object, like {"ask":"status"}"#)
    })?;
    match &*written.ask {
        "status" => Ok(Request::Status),
        "moment" => Ok(Request::Moment),
        "ready" => Ok(Request::Ready),
        "mark" => mark(written, in_miles).map(Request::Mark),
        "acknowledge" => match written.key {
            Some(key) => Ok(Request::Acknowledge(key)),
            None => Err(Refused::new("it names no alarm", "give its 'key', as the moment tells it")),
        },
        "taken" => Ok(Request::Taken(written.place)),
        other => Err(Refused::new(format!("unknown ask '{other}'"), did_you_mean(other, ASKS))),
    }
}

fn mark(written: Written, in_miles: bool) -> Result<Mark, Refused> {
    let keys = MarkKind::ALL.map(|(_, key)| key);
    let key =
        written.kind.ok_or_else(|| Refused::new("the mark has no kind", format!("use one of: {}", keys.join(", "))))?;
    let kind = MarkKind::from_key(&key)
        .ok_or_else(|| Refused::new(format!("unknown kind of mark '{key}'"), did_you_mean(&key, keys)))?;
    let text = written.text.unwrap_or_default();
    if !Mark::takes_text(&text) {
        let what = format!("the text has more than {} characters, or control characters", Mark::TEXT_MAX);
        return Err(Refused::new(what, "shorten it to one line"));
    }
    let given = written.value.map(|value| number(&value, written.unit)).transpose()?;
    let value = match (kind, given) {
        (MarkKind::Soc, Some(given)) => Some(percent(&given)?),
        (MarkKind::DisplayedRest, Some(given)) => Some(distance(&given, in_miles)?),
        (MarkKind::Soc, None) => return Err(Refused::new("soc needs a value", "give what is displayed, 0 to 100 %")),
        (MarkKind::DisplayedRest, None) => {
            return Err(Refused::new("displayed_rest needs a value", "give the distance displayed, in km or mi"));
        }
        (MarkKind::TripFigure, Some(Given { value, unit: None })) => Some(value),
        (MarkKind::TripFigure, Some(Given { unit: Some(unit), .. })) => {
            let what = format!("a trip figure is kept as it is shown, without a unit ('{unit}')");
            return Err(Refused::new(what, "give the number alone, and what it is as text"));
        }
        (MarkKind::TripFigure, None) if text.is_empty() => {
            return Err(Refused::new("trip_figure needs a value or a text", "give what the trip computer shows"));
        }
        (MarkKind::Note, None) if text.is_empty() => return Err(Refused::new("a note needs a text", "give its text")),
        (_, Some(_)) => return Err(Refused::new(format!("{key} takes no value"), "put it into the text")),
        (_, None) => None,
    };
    Ok(Mark { kind, value, text })
}

/// A value as it was given.
struct Given {
    value: f64,
    unit: Option<String>,
}

/// A number, or a text of a number and a unit (`74 mi`, `42%`).
fn number(written: &Value, unit: Option<String>) -> Result<Given, Refused> {
    let wrong = || Refused::new(format!("the value {written} is no number"), "write it like 42, 42.5 or \"74 mi\"");
    let (value, inside) = match written {
        Value::Number(number) => (number.as_f64().ok_or_else(wrong)?, None),
        Value::String(text) => {
            let text = text.trim();
            let end = text.find(|c: char| c.is_alphabetic() || c == '%' || c.is_whitespace()).unwrap_or(text.len());
            let inside = text[end..].trim();
            (text[..end].parse().map_err(|_| wrong())?, (!inside.is_empty()).then(|| inside.to_owned()))
        }
        _ => return Err(wrong()),
    };
    if !value.is_finite() {
        return Err(wrong());
    }
    Ok(Given { value, unit: inside.or(unit) })
}

fn percent(given: &Given) -> Result<f64, Refused> {
    let remedy = "give what is displayed, 0 to 100 %";
    if let Some(unit) = given.unit.as_deref().filter(|unit| !matches!(*unit, "%" | "percent")) {
        return Err(Refused::new(format!("a state of charge is not in '{unit}'"), remedy));
    }
    if !(0.0..=100.0).contains(&given.value) {
        return Err(Refused::new(format!("a state of charge of {} % can't be", given.value), remedy));
    }
    Ok(given.value)
}

fn distance(given: &Given, in_miles: bool) -> Result<f64, Refused> {
    let unit = given.unit.as_deref().unwrap_or(if in_miles { "mi" } else { "km" });
    let known = Unit::parse(unit).filter(|unit| unit.dimension == Dimension::Length);
    let known = known.ok_or_else(|| Refused::new(format!("a distance is not in '{unit}'"), "give it in km or mi"))?;
    let metres = known.to_base(given.value);
    if !(0.0..=Mark::REST_MAX_M).contains(&metres) {
        return Err(Refused::new(
            format!("no car goes {} {unit}", given.value),
            "give the distance displayed, in km or mi",
        ));
    }
    Ok(metres)
}

/// A mark as it is said back to the one who asked for it.
pub fn said(mark: &Mark, in_miles: bool) -> String {
    let value = match (mark.kind, mark.value) {
        (_, None) => String::new(),
        (MarkKind::Soc, Some(percent)) => format!(" {}", format::percent(percent)),
        (MarkKind::DisplayedRest, Some(metres)) if in_miles => {
            format!(" {} mi", format::significant(Metre(metres).miles(), 4))
        }
        (MarkKind::DisplayedRest, Some(metres)) => format!(" {} km", format::significant(Metre(metres).km(), 4)),
        (_, Some(value)) => format!(" {value}"),
    };
    let text = if mark.text.is_empty() { String::new() } else { format!(", '{}'", mark.text) };
    format!("{}{value}{text}", mark.kind.key())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn read(line: &str) -> Result<Request, Refused> {
        parse(line.as_bytes(), false)
    }

    fn marked(rest: &str) -> Result<Mark, String> {
        match read(&format!("{{\"ask\":\"mark\",{rest}}}")) {
            Ok(Request::Mark(mark)) => Ok(mark),
            Ok(other) => panic!("{other:?}"),
            Err(refused) => Err(format!("{}; {}", refused.what, refused.remedy)),
        }
    }

    #[test]
    fn every_ask_is_read() {
        assert_eq!(read(r#"{"ask":"status"}"#), Ok(Request::Status));
        assert_eq!(read("{\"ask\": \"moment\"}\n"), Ok(Request::Moment));
        assert_eq!(read(r#"{"ask":"ready"}"#), Ok(Request::Ready));
        assert_eq!(read(r#"{"ask":"acknowledge","key":"disk"}"#), Ok(Request::Acknowledge("disk".into())));
        assert_eq!(read(r#"{"ask":"taken","place":"Underfell"}"#), Ok(Request::Taken(Some("Underfell".into()))));
        assert_eq!(read(r#"{"ask":"taken","place":null}"#), Ok(Request::Taken(None)));
        let wrong = read(r#"{"ask":"statsu"}"#).unwrap_err();
        assert_eq!((&*wrong.what, &*wrong.remedy), ("unknown ask 'statsu'", "did you mean 'status'?"));
        assert!(read(r#"{"ask":"acknowledge"}"#).unwrap_err().what.contains("names no alarm"));
        assert!(read("status").unwrap_err().remedy.contains(r#"{"ask":"status"}"#));
    }

    #[test]
    fn marks_are_read_in_the_units_of_displays() {
        let value = |rest: &str| marked(rest).map(|mark| mark.value);
        assert_eq!(value(r#""kind":"soc","value":42.5"#), Ok(Some(42.5)));
        assert_eq!(value(r#""kind":"soc","value":"42 %""#), Ok(Some(42.0)));
        assert_eq!(value(r#""kind":"displayed_rest","value":120"#), Ok(Some(120_000.0)));
        assert_eq!(value(r#""kind":"displayed_rest","value":"120km""#), Ok(Some(120_000.0)));
        // The international mile: 1609.344 m.
        assert_eq!(value(r#""kind":"displayed_rest","value":100,"unit":"mi""#), Ok(Some(160_934.4)));
        assert_eq!(value(r#""kind":"displayed_rest","value":"100 mi""#), Ok(Some(160_934.4)));
        let miles = parse(br#"{"ask":"mark","kind":"displayed_rest","value":100}"#, true);
        assert!(matches!(miles, Ok(Request::Mark(Mark { value: Some(metres), .. })) if metres == 160_934.4));
        assert_eq!(value(r#""kind":"trip_figure","value":"17.4","text":"kWh/100 km""#), Ok(Some(17.4)));
        assert_eq!(value(r#""kind":"turned""#), Ok(None));
        assert_eq!(marked(r#""kind":"note","text":"roadworks""#).map(|mark| mark.text), Ok("roadworks".into()));
    }

    #[test]
    fn what_cannot_be_is_refused_with_its_remedy() {
        let cases = [
            (r#""kind":"soc","value":101"#, "a state of charge of 101 % can't be; give what is displayed, 0 to 100 %"),
            (r#""kind":"soc""#, "soc needs a value; give what is displayed, 0 to 100 %"),
            (r#""kind":"soc","value":"42 km""#, "a state of charge is not in 'km'; give what is displayed, 0 to 100 %"),
            (r#""kind":"soc","value":"nan""#, r#"the value "nan" is no number; write it like 42, 42.5 or "74 mi""#),
            (r#""kind":"soc","value":[1]"#, r#"the value [1] is no number; write it like 42, 42.5 or "74 mi""#),
            (r#""kind":"displayed_rest","value":"90 kWh""#, "a distance is not in 'kWh'; give it in km or mi"),
            (r#""kind":"displayed_rest","value":-1"#, "no car goes -1 km; give the distance displayed, in km or mi"),
            (r#""kind":"turnd""#, "unknown kind of mark 'turnd'; did you mean 'turned'?"),
            (r#""kind":"turned","value":1"#, "turned takes no value; put it into the text"),
            (r#""kind":"note""#, "a note needs a text; give its text"),
            (
                r#""kind":"note","text":"a\u0007""#,
                "the text has more than 200 characters, or control characters; shorten it",
            ),
            (r#""kind":"trip_figure""#, "trip_figure needs a value or a text; give what the trip computer shows"),
        ];
        for (rest, says) in cases {
            let said = marked(rest).unwrap_err();
            assert!(said.starts_with(says), "{rest}: {said}");
        }
        assert!(marked(r#""kind":"soc","value":1e999"#).unwrap_err().contains("can't be read"));
    }

    #[test]
    fn a_mark_is_said_back() {
        let say = |rest: &str, in_miles| said(&marked(rest).unwrap(), in_miles);
        assert_eq!(say(r#""kind":"soc","value":42"#, false), "soc 42 %");
        assert_eq!(say(r#""kind":"displayed_rest","value":"100 mi""#, true), "displayed_rest 100.0 mi");
        assert_eq!(say(r#""kind":"displayed_rest","value":84.5"#, false), "displayed_rest 84.50 km");
        assert_eq!(say(r#""kind":"climate","text":"21 degC""#, false), "climate, '21 degC'");
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_or_refused(line in proptest::collection::vec(any::<u8>(), 0..200), in_miles: bool) {
            if let Ok(Request::Mark(mark)) = parse(&line, in_miles) {
                prop_assert!(mark.value.is_none_or(f64::is_finite));
            }
        }

        #[test]
        fn any_text_in_any_field_is_read_or_refused(
            kind in "\\PC{0,20}", value in "[-0-9.e %a-zµ]{0,12}", unit in "\\PC{0,6}", text in "\\PC{0,20}",
        ) {
            let line = serde_json::json!({"ask": "mark", "kind": kind, "value": value, "unit": unit, "text": text});
            let _ = parse(line.to_string().as_bytes(), false);
        }

        #[test]
        fn a_state_of_charge_comes_through_as_it_was_given(tenths in 0..=1_000u32) {
            let percent = f64::from(tenths) / 10.0;
            let line = serde_json::json!({"ask": "mark", "kind": "soc", "value": percent.to_string()});
            let read = parse(line.to_string().as_bytes(), true);
            let Ok(Request::Mark(mark)) = read else { return Err(TestCaseError::fail(line.to_string())) };
            prop_assert_eq!(mark.value, Some(percent));
        }
    }
}
