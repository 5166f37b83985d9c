//! Numbers of a test's JSON as they stand in a page: found by their path, written by `format`, marked with where they come from.
//!
//! Every number of the page that is a figure or a reading goes through here and stands in a `data` element: `data-of` is its
//! path in the JSON of `drawdown reduce --json`, `value` the number there, `data-form` how it is written. So whoever doubts a
//! page can hold each of its numbers against the JSON. Computes nothing but the change of a unit.

use maud::{Markup, html};
use serde_json::Value;

use super::prose::Publish;
use crate::format;
use crate::quantity::{ConsumptionUnit, METRE_PER_MILE, MPS_PER_KMH, MPS_PER_MPH};
use crate::time::WallClock;

/// How a plain number is written.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Form {
    /// To so many significant digits, with the unit of its key.
    Digits(i32),
    /// The same without zeros at its end: what people set or say.
    Said(i32),
    /// As displayed, percent.
    Percent,
    /// Parts of a whole, as percent.
    Share,
    /// As h:mm:ss.
    Duration,
    /// In seconds below a minute, else as h:mm:ss.
    Time,
    /// By a sensor, in °C.
    Temperature,
    /// A count.
    Count,
}

impl Form {
    fn name(self) -> String {
        match self {
            Self::Digits(digits) => format!("digits-{digits}"),
            Self::Said(digits) => format!("said-{digits}"),
            Self::Percent => "percent".into(),
            Self::Share => "share".into(),
            Self::Duration => "duration".into(),
            Self::Time => "time".into(),
            Self::Temperature => "temperature".into(),
            Self::Count => "count".into(),
        }
    }
}

/// A JSON document, the units in which it is shown, and what may be published of its words.
#[derive(Clone)]
pub(super) struct Json<'a> {
    pub value: &'a Value,
    pub units: ConsumptionUnit,
    pub publish: Publish,
    /// What document that is, where it is not the figures'.
    pub of: Option<String>,
}

/// What stands for a figure that is null.
pub(super) fn not_measured() -> Markup {
    html! { span.none { "not measured" } }
}

impl<'a> Json<'a> {
    /// What stands at a path (`legs.legs.0.distance_km`); `None` for null and for what is not there.
    pub fn at(&self, path: &str) -> Option<&'a Value> {
        let step = |value: &'a Value, key: &str| match value {
            Value::Array(list) => list.get(key.parse::<usize>().ok()?),
            value => value.get(key),
        };
        path.split('.').try_fold(self.value, step).filter(|value| !value.is_null())
    }

    pub fn has(&self, path: &str) -> bool {
        self.at(path).is_some()
    }

    pub fn number(&self, path: &str) -> Option<f64> {
        self.at(path)?.as_f64()
    }

    pub fn text(&self, path: &str) -> Option<&'a str> {
        self.at(path)?.as_str().filter(|text| !text.is_empty())
    }

    pub fn is_true(&self, path: &str) -> bool {
        self.at(path).and_then(Value::as_bool).unwrap_or(false)
    }

    /// The paths of a list's items; none where there is no list.
    pub fn items(&self, path: &str) -> Vec<String> {
        let length = self.at(path).and_then(Value::as_array).map_or(0, Vec::len);
        (0..length).map(|index| format!("{path}.{index}")).collect()
    }

    /// A measured figure with its 95 % uncertainty, or that it is not measured.
    pub fn figure(&self, path: &str) -> Markup {
        match self.written(path) {
            Some((value, text)) => self.data(path, value, "figure", &text),
            None => not_measured(),
        }
    }

    /// The same with the value large and the uncertainty below it.
    pub fn headline(&self, path: &str) -> Markup {
        let Some((value, text)) = self.written(path) else { return not_measured() };
        let (large, rest) = text.split_once(' ').unwrap_or((&text, ""));
        html! {
            data.figure value=(value) data-of=(path) data-form="figure" data-document=[&self.of] {
                b { (large) } " " span { (rest) }
            }
        }
    }

    fn written(&self, path: &str) -> Option<(f64, String)> {
        let value = self.number(&format!("{path}.value"))?;
        let u95 = self.number(&format!("{path}.u95"));
        let (shown, unit) = self.shown(path, value);
        let scale = if value == 0.0 { self.shown(path, 1.0).0 } else { shown / value };
        Some((value, format::figure(shown, u95.map(|u95| u95 * scale.abs()), unit)))
    }

    /// A plain number: a reading, a time, a share.
    pub fn plain(&self, path: &str, form: Form) -> Markup {
        self.plain_as(path, path, form)
    }

    /// The same of a number whose own key names no unit: it has that of another key.
    pub fn plain_as(&self, path: &str, key: &str, form: Form) -> Markup {
        let Some(value) = self.number(path) else { return html! { span.none { "not known" } } };
        let with_unit = |text: String, unit: &str| if unit.is_empty() { text } else { format!("{text} {unit}") };
        let (shown, unit) = self.shown(key, value);
        let text = match form {
            Form::Digits(digits) => with_unit(format::significant(shown, digits), unit),
            Form::Said(digits) => with_unit(format::trimmed(shown, digits), unit),
            Form::Percent => format::percent(value),
            Form::Share => format::share(value),
            Form::Duration => format::duration(value),
            Form::Time => format::time(value),
            Form::Temperature => format!("{} °C", format::temperature(value)),
            Form::Count => format::count(value.max(0.0) as u64),
        };
        self.data(path, value, &form.name(), &text)
    }

    fn data(&self, path: &str, value: f64, form: &str, text: &str) -> Markup {
        html! { data value=(value) data-of=(path) data-form=(form) data-document=[&self.of] { (text) } }
    }

    /// Words of the JSON.
    pub fn said(&self, path: &str) -> Markup {
        let text = self.text(path).map(|text| self.publish.text(text)).unwrap_or_default();
        html! { span.said data-of=(path) data-document=[&self.of] { (text) } }
    }

    /// A moment, to the second.
    pub fn moment(&self, path: &str) -> Markup {
        match self.text(path).and_then(|iso| Some((iso, WallClock::parse_iso(iso)?))) {
            Some((iso, at)) => {
                let text = at.second().replace('T', " ").replace('Z', " UTC");
                html! { time datetime=(iso) data-of=(path) data-document=[&self.of] { (text) } }
            }
            None => html! { span.none { "not known" } },
        }
    }

    /// A value in the unit in which it is shown, by the unit in which its key ends.
    fn shown(&self, path: &str, value: f64) -> (f64, &'static str) {
        let key = path.rsplit('.').find(|key| key.parse::<usize>().is_err()).unwrap_or_default();
        let in_miles = self.units.in_miles();
        let ends = |unit: &str| key.strip_suffix(unit).is_some_and(|rest| rest.is_empty() || rest.ends_with('_'));
        // The longer before the shorter.
        let plain = [
            ("n_per_mps2", "N/(m/s)²"),
            ("n_per_mps", "N/(m/s)"),
            ("kg_per_m3", "kg/m³"),
            ("percent", "%"),
            ("degc", "°C"),
            ("kwh", "kWh"),
            ("hpa", "hPa"),
            ("mps", "m/s"),
            ("kw", "kW"),
            ("ah", "Ah"),
            ("w", "W"),
            ("m", "m"),
            ("a", "A"),
            ("n", "N"),
        ];
        match key {
            // A difference, or what is added to an uncertainty, has no reciprocal.
            "difference_wh_per_km" | "added_u95_wh_per_km" | "budget_wh_per_km" => self.linear(value),
            _ if ends("wh_per_km") => (self.units.from_joule_per_metre(value * 3.6), self.units.symbol()),
            _ if (ends("km") || key.starts_with("km_")) && in_miles => (value * 1e3 / METRE_PER_MILE, "mi"),
            _ if ends("km") || key.starts_with("km_") => (value, "km"),
            _ if ends("kmh") && in_miles => (value * MPS_PER_KMH / MPS_PER_MPH, "mph"),
            _ if ends("kmh") => (value, "km/h"),
            // Times that have an uncertainty are those of charging.
            _ if ends("s") => (value / 60.0, "min"),
            "wheels" | "odometer" | "gain" => (value * 100.0, "%"),
            _ if key.contains("share") || key.contains("ratio") => (value * 100.0, "%"),
            _ => plain.iter().find(|(unit, _)| ends(unit)).map_or((value, ""), |(_, unit)| (value, unit)),
        }
    }

    fn linear(&self, wh_per_km: f64) -> (f64, &'static str) {
        if self.units.in_miles() { (wh_per_km * METRE_PER_MILE / 1e3, "Wh/mi") } else { (wh_per_km, "Wh/km") }
    }
}
