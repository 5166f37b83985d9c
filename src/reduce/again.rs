//! Published figures beside the same figures formed again, one by one.
//!
//! Both as the JSON that `drawdown reduce --json` writes. Two numbers are equal when they are the same number to the last digit;
//! next to that, within 1e-12 of their size, as machines with another library of sines may differ. Forms no figure.

use std::collections::BTreeMap;

use serde_json::Value;

/// Numbers that differ by no more than this, in parts, came of the same arithmetic on another machine.
pub const NEAR: f64 = 1e-12;

/// How a figure came out again.
#[derive(Clone, PartialEq, Debug)]
pub enum Verdict {
    /// The same, to the last digit.
    Equal,
    /// The same but for [`NEAR`].
    Near,
    /// Another value: by how much, in parts of the published one, where both are numbers.
    Differs(Option<f64>),
    /// Published, and not there again.
    Missing,
    /// There, and not published.
    Surplus,
    /// It cannot be formed again, and why.
    NotPossible(String),
}

/// A figure, or a word of the result: a number with its interval, a number, a text, a truth value.
#[derive(Clone, PartialEq, Debug)]
pub struct Line {
    /// Its path in the JSON, as in `drawdown reduce --csv`.
    pub figure: String,
    /// As published.
    pub published: Option<Value>,
    /// As formed again.
    pub again: Option<Value>,
    /// How they compare.
    pub verdict: Verdict,
}

impl Line {
    /// Whether it came out again.
    pub fn is_equal(&self) -> bool {
        matches!(self.verdict, Verdict::Equal | Verdict::Near)
    }

    /// Whether it holds a number.
    pub fn is_figure(&self) -> bool {
        let number = |value: &Value| value.is_number() || value.is_object();
        self.published.as_ref().or(self.again.as_ref()).is_some_and(number)
    }
}

/// Compares two results, in the order of the published one; `not_possible` names what cannot be formed again, by the begin of
/// its path, and why.
pub fn compare(published: &Value, again: &Value, not_possible: &[(String, String)]) -> Vec<Line> {
    let (before, mut after) = (leaves(published), leaves(again).into_iter().collect::<BTreeMap<_, _>>());
    let why = |figure: &str| {
        let covers =
            |begin: &str| figure == begin || figure.strip_prefix(begin).is_some_and(|rest| rest.starts_with('.'));
        not_possible.iter().find(|(begin, _)| covers(begin)).map(|(_, why)| Verdict::NotPossible(why.clone()))
    };
    let mut lines = Vec::new();
    for (figure, published) in before {
        let again = after.remove(&figure);
        let verdict = match &again {
            None => Verdict::Missing,
            Some(again) => verdict(&published, again),
        };
        let verdict = if verdict == Verdict::Equal { verdict } else { why(&figure).unwrap_or(verdict) };
        lines.push(Line { figure, published: Some(published), again, verdict });
    }
    let surplus = after.into_iter().map(|(figure, again)| {
        let verdict = why(&figure).unwrap_or(Verdict::Surplus);
        Line { figure, published: None, again: Some(again), verdict }
    });
    lines.extend(surplus);
    lines
}

/// Every leaf with its path; a value with its interval is one leaf, and what is null is none.
fn leaves(json: &Value) -> Vec<(String, Value)> {
    fn walk(value: &Value, path: &str, found: &mut Vec<(String, Value)>) {
        let below = |name: &str| if path.is_empty() { name.to_owned() } else { format!("{path}.{name}") };
        match value {
            Value::Object(fields) if is_figure(value) || fields.is_empty() => {
                found.push((path.to_owned(), value.clone()))
            }
            Value::Object(fields) => fields.iter().for_each(|(name, value)| walk(value, &below(name), found)),
            Value::Array(values) => {
                let numbered = values.iter().enumerate();
                numbered.for_each(|(at, value)| walk(value, &below(&at.to_string()), found));
            }
            Value::Null => {}
            Value::Bool(_) | Value::Number(_) | Value::String(_) => found.push((path.to_owned(), value.clone())),
        }
    }
    let mut found = Vec::new();
    walk(json, "", &mut found);
    found
}

fn is_figure(value: &Value) -> bool {
    value.get("value").is_some() && value.get("u95").is_some()
}

fn verdict(one: &Value, other: &Value) -> Verdict {
    let pairs: Vec<(&Value, &Value)> = if is_figure(one) && is_figure(other) {
        ["value", "u95"].iter().map(|key| (&one[key], &other[key])).collect()
    } else {
        vec![(one, other)]
    };
    if pairs.iter().all(|(one, other)| same(one, other)) {
        return Verdict::Equal;
    }
    let off = |(one, other): &(&Value, &Value)| {
        let (one, other) = one.as_f64().zip(other.as_f64())?;
        Some(if one == other { 0.0 } else { (other - one).abs() / one.abs() })
    };
    let offs: Option<Vec<f64>> = pairs.iter().map(off).collect();
    match offs.map(|offs| offs.into_iter().fold(0.0, f64::max)) {
        Some(off) if off <= NEAR => Verdict::Near,
        off => Verdict::Differs(off),
    }
}

/// The same value; of numbers the same number, whether it is written 1 or 1.0.
fn same(one: &Value, other: &Value) -> bool {
    match (one, other) {
        (Value::Number(a), Value::Number(b)) => {
            a == b || a.as_f64().zip(b.as_f64()).is_some_and(|(a, b)| a.to_bits() == b.to_bits())
        }
        _ => one == other,
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn every_difference_is_told_and_nothing_else() {
        let published = json!({
            "energy": { "net_kwh": { "value": 49.25, "u95": 0.5 }, "in_kwh": { "value": 2.0, "u95": 0.1 } },
            "legs": { "why": null, "legs": [{ "duration_s": 10.0 }, { "duration_s": 20.0 }] },
            "seal": { "sealed": true, "why": "a" },
            "runs": ["r"], "far_km": 1.0, "near_km": 3.0, "zero": 0.0,
        });
        let mut again = published.clone();
        assert!(compare(&published, &again, &[]).iter().all(|line| line.verdict == Verdict::Equal));
        assert_eq!(compare(&published, &again, &[]).len(), 10);
        again["energy"]["net_kwh"]["u95"] = json!(0.505);
        again["legs"]["legs"] = json!([{ "duration_s": 10 }]);
        again["legs"]["why"] = json!("new");
        again["seal"]["why"] = json!("b");
        again["runs"] = json!(["s"]);
        again["near_km"] = json!(3.0 + 3e-13);
        again["far_km"] = json!(1.0 + 3e-12);
        again["zero"] = json!(1e-300);
        let why = [("seal".to_owned(), "it was changed".to_owned())];
        let lines = compare(&published, &again, &why);
        let of = |figure: &str| &lines.iter().find(|line| line.figure == figure).unwrap().verdict;
        let Verdict::Differs(Some(off)) = of("energy.net_kwh") else { panic!("{:?}", of("energy.net_kwh")) };
        assert!((off - 0.01).abs() < 1e-12);
        assert_eq!(of("energy.in_kwh"), &Verdict::Equal);
        assert_eq!(of("legs.legs.0.duration_s"), &Verdict::Equal);
        assert_eq!(of("legs.legs.1.duration_s"), &Verdict::Missing);
        assert_eq!(of("legs.why"), &Verdict::Surplus);
        assert_eq!(of("seal.why"), &Verdict::NotPossible("it was changed".into()));
        assert_eq!(of("seal.sealed"), &Verdict::Equal);
        assert_eq!(of("runs.0"), &Verdict::Differs(None));
        assert_eq!(of("near_km"), &Verdict::Near);
        assert!(matches!(of("far_km"), Verdict::Differs(Some(off)) if *off > NEAR));
        assert!(matches!(of("zero"), Verdict::Differs(Some(off)) if off.is_infinite()));
    }
}
