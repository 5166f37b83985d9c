//! The test card as the tester wrote it: every key that is filled in, in his own units.
//!
//! Reads the card's text as TOML; judges none of it. Where runs, map and course lie is left out: that is nobody's business.

use maud::{Markup, html};
use toml::{Table, Value};

use super::Sheet;
use super::prose::prose;

/// Keys that only say where files are, or how this program is to write.
const NOT_SHOWN: [&str; 6] = ["vehicle", "runs", "map", "course", "zone", "units"];

/// The card's tables in the order of a reader's interest, with what each is about.
const TABLES: [(&str, &str); 14] = [
    ("", "The test"),
    ("driving", "Driving"),
    ("tyres", "Tyres"),
    ("load", "Load"),
    ("trailer", "Trailer"),
    ("climate", "Climate control"),
    ("weather", "Weather"),
    ("road", "Road"),
    ("charge", "Charge before the test"),
    ("recharge", "Charge after the test"),
    ("battery", "Pack"),
    ("road_load", "Road load"),
    ("counting", "What counts"),
    ("leave_out", "Left out of what was held"),
];

/// Units in which a key may end, and how they are written; the longer before the shorter.
const UNITS: [(&str, &str); 33] = [
    ("_n_per_kmh2", "N/(km/h)²"),
    ("_n_per_kmh", "N/(km/h)"),
    ("_lbf_per_mph2", "lbf/mph²"),
    ("_lbf_per_mph", "lbf/mph"),
    ("_wh_per_km", "Wh/km"),
    ("_wh_per_mi", "Wh/mi"),
    ("_percent", "%"),
    ("_degc", "°C"),
    ("_degf", "°F"),
    ("_deg", "°"),
    ("_kwh", "kWh"),
    ("_kmh", "km/h"),
    ("_mph", "mph"),
    ("_mps", "m/s"),
    ("_hpa", "hPa"),
    ("_inhg", "inHg"),
    ("_bar", "bar"),
    ("_kpa", "kPa"),
    ("_psi", "psi"),
    ("_lbf", "lbf"),
    ("_min", "min"),
    ("_kg", "kg"),
    ("_lb", "lb"),
    ("_mm", "mm"),
    ("_m2", "m²"),
    ("_km", "km"),
    ("_mi", "mi"),
    ("_n", "N"),
    ("_a", "A"),
    ("_v", "V"),
    ("_w", "W"),
    ("_m", "m"),
    ("_s", "s"),
];

/// Keys, without their unit, whose own words would say too little.
const LABELS: [(&str, &str); 34] = [
    ("label", "Car"),
    ("full_charge", "The charge before was"),
    ("claimed_usable", "Usable energy by the maker's claim"),
    ("state_of_charge", "State of charge that counts"),
    ("distance", "Distance that counts"),
    ("tyres.label", "Size and make"),
    ("driving.target", "True target speed"),
    ("driving.tolerance", "Counts as held within"),
    ("driving.assist", "Held with"),
    ("driving.mode", "Driving mode"),
    ("driving.leave_out", "Left out of the hold"),
    ("tyres.placard", "Pressure by the placard, cold"),
    ("tyres.set", "Pressure as set, cold"),
    ("tyres.set_at", "Tyres' temperature then"),
    ("tyres.tread", "Tread"),
    ("load.car", "The empty car"),
    ("load.load", "People and load"),
    ("load.by", "Masses are"),
    ("climate.cabin", "Cabin set to"),
    ("charge.from", "From"),
    ("charge.to", "To"),
    ("charge.pack", "Pack at the counted start"),
    ("charge.warm_up", "Pack warmed up"),
    ("charge.rest", "Rest before the start"),
    ("charge.energy", "By the meter"),
    ("recharge.pack", "Pack at its start"),
    ("charge.lost", "Lost before the pack"),
    ("charge.lost_u", "Its standard uncertainty"),
    ("weather.temperature", "Air"),
    ("weather.pressure", "Air pressure"),
    ("weather.pressure_of", "That is of"),
    ("weather.wind_from", "Wind from"),
    ("road.wet", "Wet share"),
    ("battery.nameplate", "By the nameplate"),
];

impl Sheet<'_> {
    /// A word of the card, as it may be published.
    pub(super) fn card_word(&self, key: &str) -> Option<String> {
        let text = self.card.as_ref()?.get(key)?.as_str().filter(|text| !text.trim().is_empty())?;
        Some(self.json.publish.text(text))
    }

    pub(super) fn card(&self) -> Markup {
        let Some(card) = &self.card else { return html! {} };
        let rest = ["rated", "tolerances"];
        let unnamed = card.iter().filter(|(key, value)| {
            let known = TABLES.iter().any(|(name, _)| name == key) || rest.contains(&key.as_str());
            !known && (value.is_table() || is_tables(value))
        });
        html! {
            section #card {
                h2 { "The test card" }
                p.soft { (prose("As the tester wrote it, in the tester's units; what is not here was not filled in.")) }
                div.cards {
                    @for (name, title) in TABLES {
                        @if name.is_empty() { (self.table_of("", title, card)) }
                        @else if let Some(value) = card.get(name) { (self.tables_of(name, title, value)) }
                    }
                    @if let Some(value) = card.get("rated") { (self.tables_of("rated", "Rated by others", value)) }
                    @if let Some(Value::Table(sensors)) = card.get("tolerances") {
                        @for (sensor, value) in sensors {
                            (self.tables_of(&format!("tolerances.{sensor}"), "What a sensor is known to", value))
                        }
                    }
                    @for (name, value) in unnamed { (self.tables_of(name, "More", value)) }
                }
            }
        }
    }

    fn tables_of(&self, path: &str, title: &str, value: &Value) -> Markup {
        match value {
            Value::Table(table) => self.table_of(path, title, table),
            Value::Array(list) => html! {
                @for (index, item) in list.iter().enumerate() {
                    @if let Value::Table(table) = item { (self.table_of(&format!("{path}.{index}"), title, table)) }
                }
            },
            _ => html! {},
        }
    }

    fn table_of(&self, path: &str, title: &str, table: &Table) -> Markup {
        let shown = |key: &str, value: &Value| {
            !(value.is_table()
                || is_tables(value)
                || path.is_empty() && NOT_SHOWN.contains(&key)
                || value.as_str() == Some(""))
        };
        let lines: Vec<(&String, &Value)> = table.iter().filter(|(key, value)| shown(key, value)).collect();
        html! {
            @if !lines.is_empty() {
                section {
                    h3 { (title) @if let Some(sensor) = path.strip_prefix("tolerances.") { ": " (sensor.replace('_', " ")) } }
                    dl.lines {
                        @for (key, value) in lines {
                            @let of = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
                            div { dt { (label(&of)) } dd { (self.written(&of, value)) } }
                        }
                    }
                }
            }
        }
    }

    /// A value in the card's own digits.
    fn written(&self, key: &str, value: &Value) -> Markup {
        let unit = unit_of(key).map_or("", |(_, unit)| unit);
        match value {
            Value::String(text) => html! { span.said data-card=(key) { (self.json.publish.text(text)) } },
            Value::Datetime(at) => html! { time datetime=(at) data-card=(key) { (at.to_string().replace('T', " ")) } },
            Value::Array(list) => html! {
                @for (index, item) in list.iter().enumerate() {
                    @if index > 0 { ", " } (self.item(&format!("{key}.{index}"), item))
                }
                @if !unit.is_empty() { " " (unit) }
            },
            value => html! { (self.item(key, value)) @if !unit.is_empty() { " " (unit) } },
        }
    }

    fn item(&self, key: &str, value: &Value) -> Markup {
        let number = match value {
            Value::String(text) => return html! { span.said data-card=(key) { (self.json.publish.text(text)) } },
            Value::Boolean(yes) => return html! { (if *yes { "yes" } else { "no" }) },
            Value::Integer(number) => number.to_string(),
            Value::Float(number) => number.to_string(),
            _ => return html! {},
        };
        html! { data value=(number) data-card=(key) { (number) } }
    }
}

fn is_tables(value: &Value) -> bool {
    value.as_array().is_some_and(|list| !list.is_empty() && list.iter().all(Value::is_table))
}

/// The key without its unit, and the unit.
fn unit_of(key: &str) -> Option<(&str, &'static str)> {
    UNITS.iter().find_map(|(ending, unit)| Some((key.strip_suffix(ending)?, *unit)))
}

/// What a key is called.
fn label(path: &str) -> String {
    let bare = unit_of(path).map_or(path, |(bare, _)| bare);
    let of_charge = bare.strip_prefix("re").filter(|rest| rest.starts_with("charge."));
    let known = |path: &str| LABELS.iter().find(|(key, _)| *key == path).map(|(_, label)| (*label).to_owned());
    let key = bare.rsplit('.').next().unwrap_or(bare).replace('_', " ");
    let mut chars = key.chars();
    let plain = chars.next().map(|first| first.to_uppercase().collect::<String>() + chars.as_str()).unwrap_or_default();
    known(bare).or_else(|| of_charge.and_then(known)).unwrap_or(plain)
}
