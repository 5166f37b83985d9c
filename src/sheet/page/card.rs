//! The test card as the tester wrote it: every key that is filled in, in his own units.
//!
//! Reads the card's text as TOML; judges none of it. Where runs, map and course lie is left out: that is nobody's business.

mod words;

use maud::{Markup, html};
use toml::{Table, Value};

use super::Sheet;
use super::prose::prose;
use words::{TABLES, label, place, unit};

/// Keys that only say where files are, or how this program is to write.
const NOT_SHOWN: [&str; 6] = ["vehicle", "runs", "map", "course", "zone", "units"];

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
        let of = |key: &str| if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") };
        let mut lines: Vec<(String, &Value)> =
            table.iter().filter(|(key, value)| shown(key, value)).map(|(key, value)| (of(key), value)).collect();
        lines.sort_by_key(|(path, _)| place(path));
        html! {
            @if !lines.is_empty() {
                section {
                    h3 { (title) @if let Some(sensor) = path.strip_prefix("tolerances.") { ": " (sensor.replace('_', " ")) } }
                    dl.lines {
                        @for (path, value) in &lines { div { dt { (label(path)) } dd { (self.written(path, value)) } } }
                    }
                }
            }
        }
    }

    /// A value in the card's own digits.
    fn written(&self, key: &str, value: &Value) -> Markup {
        let unit = unit(key);
        let has_texts = value.as_array().is_some_and(|list| list.iter().any(Value::is_str));
        match value {
            Value::String(text) => html! { span.said data-card=(key) { (self.json.publish.text(text)) } },
            Value::Datetime(at) => html! { time datetime=(at) data-card=(key) { (at.to_string().replace('T', " ")) } },
            Value::Array(list) => html! {
                span.whole[!has_texts] {
                    @for (index, item) in list.iter().enumerate() {
                        @if index > 0 { ", " } (self.item(&format!("{key}.{index}"), item))
                    }
                    @if !unit.is_empty() { " " (unit) }
                }
            },
            value => html! { span.whole { (self.item(key, value)) @if !unit.is_empty() { " " (unit) } } },
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
