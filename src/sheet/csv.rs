//! The figures of a test as CSV: one figure a line, under the name that the JSON gives it.
//!
//! Rounds nothing and computes nothing: it writes out the JSON's numbers and words, so both always say the same.

use serde_json::Value;

/// `figure,value,u95`: a line for every number, truth value and text, named by its path in the JSON (`usable_capacity.kwh`,
/// `tenths.3.km`); `u95` is the half-width of the 95 % interval where there is one. What is null has no line.
pub fn csv(json: &Value) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let mut rows = vec![["figure".to_owned(), "value".to_owned(), "u95".to_owned()]];
    walk(json, "", &mut rows);
    for row in rows {
        // Into memory: nothing that could fail.
        let _ = writer.write_record(row);
    }
    String::from_utf8(writer.into_inner().unwrap_or_default()).unwrap_or_default()
}

fn walk(value: &Value, path: &str, rows: &mut Vec<[String; 3]>) {
    let below = |name: &str| if path.is_empty() { name.to_owned() } else { format!("{path}.{name}") };
    match value {
        Value::Object(fields) => {
            if let (Some(value), Some(u95)) = (fields.get("value"), fields.get("u95")) {
                rows.push([path.to_owned(), value.to_string(), u95.to_string()]);
            } else {
                fields.iter().for_each(|(name, value)| walk(value, &below(name), rows));
            }
        }
        Value::Array(values) => {
            values.iter().enumerate().for_each(|(at, value)| walk(value, &below(&at.to_string()), rows));
        }
        Value::Null => {}
        Value::String(text) => rows.push([path.to_owned(), text.clone(), String::new()]),
        Value::Number(_) | Value::Bool(_) => rows.push([path.to_owned(), value.to_string(), String::new()]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_is_a_line() {
        let json = serde_json::json!({
            "vehicle": "say \"heron\", they call it",
            "energy": { "net_kwh": { "value": 49.25, "u95": 0.5 }, "charged_kwh": null },
            "tenths": [{ "from": 100, "kwh": { "value": 5.0, "u95": 0.1 } }],
        });
        let expected = "figure,value,u95\nenergy.net_kwh,49.25,0.5\ntenths.0.from,100,\ntenths.0.kwh,5.0,0.1\n\
                        vehicle,\"say \"\"heron\"\", they call it\",\n";
        assert_eq!(csv(&json), expected);
    }
}
