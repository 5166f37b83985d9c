//! What people ask for, as a request's body writes it: read, checked, refused with a reason.
//!
//! Bytes in, values out. Knows no connection and no hub; whether a place or an alarm exists is for who knows them.

use serde::Deserialize;
use serde_json::Value;

use crate::observation::{Mark, MarkKind};

/// The longest body, bytes.
pub const BODY_MAX: usize = 4096;
/// The longest name, characters.
const NAME_MAX: usize = 120;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenMark {
    kind: String,
    value: Option<f64>,
    #[serde(default)]
    text: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenAlarm {
    alarm: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenPlace {
    // `null` says that none is taken; leaving it out says nothing.
    place: Value,
}

fn read<'a, T: Deserialize<'a>>(body: &'a [u8]) -> Result<T, String> {
    serde_json::from_slice(body).map_err(|error| format!("the body is not what it should be: {error}"))
}

fn named(text: String, what: &str) -> Result<String, String> {
    let plain = !text.is_empty() && text.chars().count() <= NAME_MAX && !text.chars().any(char::is_control);
    if plain {
        Ok(text)
    } else {
        Err(format!("{what} must have 1 to {NAME_MAX} characters, none of them a control one"))
    }
}

/// A mark.
///
/// # Errors
/// With what is wrong, in words.
pub fn mark(body: &[u8]) -> Result<Mark, String> {
    let WrittenMark { kind: key, value, text } = read(body)?;
    let known = || MarkKind::ALL.map(|(_, key)| key).join(", ");
    let kind = MarkKind::from_key(&key).ok_or_else(|| format!("no such kind of mark; there are {}", known()))?;
    if !Mark::takes_text(&text) {
        return Err(format!("text must have at most {} characters, none of them a control one", Mark::TEXT_MAX));
    }
    let within = |low: f64, high: f64, unit: &str| match value {
        Some(value) if (low..=high).contains(&value) => Ok(()),
        _ => Err(format!("{key} needs a value of {low} to {high} {unit}")),
    };
    match kind {
        MarkKind::Soc => within(0.0, 100.0, "percent")?,
        MarkKind::DisplayedRest => within(0.0, Mark::REST_MAX_M, "m")?,
        MarkKind::TripFigure if value.is_none() && text.is_empty() => {
            return Err("trip_figure needs a value or a text".into());
        }
        MarkKind::TripFigure => {}
        MarkKind::Note if text.is_empty() => return Err("note needs a text".into()),
        _ if value.is_some() => return Err(format!("{key} takes no value")),
        _ => {}
    }
    Ok(Mark { kind, value, text })
}

/// The alarm that was seen, by its key.
///
/// # Errors
/// With what is wrong, in words.
pub fn acknowledged(body: &[u8]) -> Result<String, String> {
    named(read::<WrittenAlarm>(body)?.alarm, "alarm")
}

/// The place whose charger is taken; `None` if none is.
///
/// # Errors
/// With what is wrong, in words.
pub fn taken(body: &[u8]) -> Result<Option<String>, String> {
    match read::<WrittenPlace>(body)?.place {
        Value::Null => Ok(None),
        Value::String(name) => named(name, "place").map(Some),
        _ => Err("place must be a name or null".into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_are_read_with_the_values_of_their_kinds() {
        let read = |text: &str| mark(text.as_bytes());
        assert_eq!(
            read(r#"{"kind": "soc", "value": 42.5}"#),
            Ok(Mark { kind: MarkKind::Soc, value: Some(42.5), text: String::new() })
        );
        assert_eq!(read(r#"{"kind": "turned"}"#).unwrap().kind, MarkKind::Turned);
        assert_eq!(read(r#"{"kind": "climate", "text": "21 degC"}"#).unwrap().text, "21 degC");
        assert_eq!(read(r#"{"kind": "displayed_rest", "value": 84000}"#).unwrap().value, Some(84_000.0));
        for (wrong, says) in [
            (r#"{"kind": "soc"}"#, "0 to 100 percent"),
            (r#"{"kind": "soc", "value": 101}"#, "0 to 100 percent"),
            (r#"{"kind": "soc", "value": "42"}"#, "not what it should be"),
            (r#"{"kind": "soc", "value": 1e999}"#, "not what it should be"),
            (r#"{"kind": "turned", "value": 1}"#, "takes no value"),
            (r#"{"kind": "note"}"#, "needs a text"),
            (r#"{"kind": "note", "text": "a\nb"}"#, "control"),
            (r#"{"kind": "nap"}"#, "soc, displayed_rest, shows_zero"),
            (r#"{"kind": "turned", "when": 1}"#, "unknown field"),
            ("", "not what it should be"),
        ] {
            assert!(read(wrong).is_err_and(|error| error.contains(says)), "{wrong}");
        }
        assert!(read(&format!(r#"{{"kind": "note", "text": "{}"}}"#, "é".repeat(200))).is_ok());
        assert!(read(&format!(r#"{{"kind": "note", "text": "{}"}}"#, "é".repeat(201))).is_err());
    }

    #[test]
    fn alarms_and_places_have_names() {
        assert_eq!(acknowledged(br#"{"alarm": "disk"}"#), Ok("disk".into()));
        assert!(acknowledged(br#"{"alarm": ""}"#).is_err() && acknowledged(b"{}").is_err());
        assert_eq!(taken(br#"{"place": "Underfell"}"#), Ok(Some("Underfell".into())));
        assert_eq!(taken(br#"{"place": null}"#), Ok(None));
        assert!(taken(b"{}").is_err() && taken(br#"{"place": 4}"#).is_err());
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_are_taken_or_refused(body in proptest::collection::vec(proptest::num::u8::ANY, 0..200)) {
            let _ = (mark(&body), acknowledged(&body), taken(&body));
        }

        #[test]
        fn what_is_taken_is_in_range(kind in 0..8_usize, value in proptest::num::f64::ANY, text in "\\PC{0,20}") {
            let body = serde_json::json!({ "kind": MarkKind::ALL[kind].1, "value": value, "text": text }).to_string();
            if let Ok(mark) = mark(body.as_bytes()) {
                proptest::prop_assert!(mark.value.is_none_or(f64::is_finite));
                proptest::prop_assert!(mark.kind != MarkKind::Soc || mark.value.is_some_and(|v| (0.0..=100.0).contains(&v)));
            }
        }
    }
}
