//! The figures of a test as tidy rows for other programs: one figure a row, number, interval and unit in columns of their own.
//!
//! Rounds nothing and computes nothing: it writes out the JSON's numbers and words, as the plain CSV does.

use serde_json::Value;

use crate::store::figures::FigureRow;

/// Ends of keys that name a unit, and the unit; the longest that fits counts.
const UNITS: [(&str, &str); 22] = [
    ("a", "A"),
    ("ah", "Ah"),
    ("degc", "degC"),
    ("hpa", "hPa"),
    ("kg_per_m3", "kg/m3"),
    ("km", "km"),
    ("km_in_best_ten_minutes", "km"),
    ("km_per_ten_minutes", "km/(10 min)"),
    ("kmh", "km/h"),
    ("kw", "kW"),
    ("kwh", "kWh"),
    ("m", "m"),
    ("minutes", "min"),
    ("mps", "m/s"),
    ("n", "N"),
    ("n_per_mps", "N/(m/s)"),
    ("n_per_mps2", "N/(m/s)2"),
    ("percent", "%"),
    ("s", "s"),
    ("seconds", "s"),
    ("w", "W"),
    ("wh_per_km", "Wh/km"),
];
/// Keys whose unit is that of a key above them.
const AS_ABOVE: [&str; 4] = ["first", "mean", "last", "u"];

/// The unit of a figure by its path; empty where it has none.
pub fn unit(path: &str) -> &'static str {
    let mut keys = path.rsplit('.').filter(|key| !key.bytes().all(|byte| byte.is_ascii_digit()));
    let last = keys.next().unwrap_or_default();
    // The ends of a tenth of the charge.
    if path.starts_with("tenths.") && ["from", "to"].contains(&last) {
        return "%";
    }
    if AS_ABOVE.contains(&last) {
        keys.map(of_key).find(|unit| !unit.is_empty()).unwrap_or_default()
    } else {
        of_key(last)
    }
}

/// The unit that a key ends in.
fn of_key(key: &str) -> &'static str {
    let fits = |end: &str| key == end || key.strip_suffix(end).is_some_and(|before| before.ends_with('_'));
    let found = UNITS.iter().filter(|(end, _)| fits(end)).max_by_key(|(end, _)| end.len());
    found.map_or("", |(_, unit)| unit)
}

/// Every figure and word; what is null has no row.
pub fn rows(json: &Value) -> Vec<FigureRow> {
    fn walk(value: &Value, path: &str, rows: &mut Vec<FigureRow>) {
        let below = |name: &str| if path.is_empty() { name.to_owned() } else { format!("{path}.{name}") };
        let number = |value: &Value| value.as_f64().unwrap_or(f64::NAN);
        let row = |value: f64, u95: f64, text: String| {
            let unit = if value.is_nan() { String::new() } else { unit(path).to_owned() };
            FigureRow { figure: path.to_owned(), value, u95, unit, text }
        };
        match value {
            Value::Object(fields) => match (fields.get("value"), fields.get("u95")) {
                (Some(value), Some(u95)) => rows.push(row(number(value), number(u95), String::new())),
                _ => fields.iter().for_each(|(name, value)| walk(value, &below(name), rows)),
            },
            Value::Array(values) => {
                values.iter().enumerate().for_each(|(at, value)| walk(value, &below(&at.to_string()), rows));
            }
            Value::Null => {}
            Value::Number(_) => rows.push(row(number(value), f64::NAN, String::new())),
            Value::Bool(word) => rows.push(row(f64::NAN, f64::NAN, word.to_string())),
            Value::String(word) => rows.push(row(f64::NAN, f64::NAN, word.clone())),
        }
    }
    let mut found = Vec::new();
    walk(json, "", &mut found);
    found
}

/// The rows as CSV: `figure,value,u95,unit,text`.
pub fn csv(rows: &[FigureRow]) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let number = |value: f64| if value.is_finite() { serde_json::json!(value).to_string() } else { String::new() };
    // Into memory: nothing that could fail.
    let _ = writer.write_record(["figure", "value", "u95", "unit", "text"]);
    for row in rows {
        let _ = writer.write_record([&row.figure, &number(row.value), &number(row.u95), &row.unit, &row.text]);
    }
    String::from_utf8(writer.into_inner().unwrap_or_default()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_is_a_row_with_its_unit() {
        let json = serde_json::json!({
            "vehicle": "heron",
            "counted": { "everything": true },
            "consumption_wh_per_km": { "value": 170.5, "u95": 1.5 },
            "temperatures_degc": { "outside": { "first": 12.5 } },
            "usable_capacity": { "kwh": { "value": 49.25, "u95": 0.5 }, "ticks": 90 },
            "tenths": [{ "from": 100 }],
        });
        let expected = "figure,value,u95,unit,text\nconsumption_wh_per_km,170.5,1.5,Wh/km,\ncounted.everything,,,,true\n\
            temperatures_degc.outside.first,12.5,,degC,\ntenths.0.from,100.0,,%,\nusable_capacity.kwh,49.25,0.5,kWh,\n\
            usable_capacity.ticks,90.0,,,\nvehicle,,,,heron\n";
        assert_eq!(csv(&rows(&json)), expected);
    }

    #[test]
    fn units_stand_at_the_end_of_a_name() {
        for (path, is) in [
            ("energy.net_kwh", "kWh"),
            ("checkpoints.reached.0.so_far.wh_per_km", "Wh/km"),
            ("conditions.road_load.c_n_per_mps2", "N/(m/s)2"),
            ("budgets.net_kwh.0.share", ""),
            ("budgets.net_kwh.0.u", "kWh"),
            ("temperatures_degc.outside.first", "degC"),
            ("ground.share_by_speed", ""),
            ("charging.0.peak_at_s", "s"),
            ("joins.0.soc_change_percent", "%"),
            ("legs.legs.2.mean_speed_kmh", "km/h"),
            ("schema", ""),
        ] {
            assert_eq!(unit(path), is, "{path}");
        }
    }
}
