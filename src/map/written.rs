//! A signal map as the user writes it: the keys and what they may hold, nothing more.
//!
//! Checks nothing beyond what serde can; nearly every key is optional here, so that what is missing is told in the map's
//! own words and with the rest of the faults. `docs/signal-maps.md` says what the keys mean.

use std::collections::BTreeMap;

use serde::Deserialize;
use toml::Spanned;

/// The whole document.
#[derive(Deserialize, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct MapForm {
    pub dbc: Option<Spanned<String>>,
    pub state_of_charge: Option<Spanned<SocForm>>,
    #[serde(default)]
    pub message: Vec<Spanned<MessageForm>>,
    #[serde(default)]
    pub poll: Vec<Spanned<PollForm>>,
    #[serde(default)]
    pub table: Vec<Spanned<TableForm>>,
    #[serde(default)]
    pub roles: BTreeMap<Spanned<String>, Spanned<RoleForm>>,
}

/// Which state of charge counts.
#[derive(Deserialize, Debug, Clone, Copy)]
#[serde(rename_all = "lowercase")]
pub(super) enum SocForm {
    Displayed,
    Internal,
}

#[derive(Deserialize, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct MessageForm {
    pub name: Option<Spanned<String>>,
    pub id: Option<Spanned<u64>>,
    #[serde(default)]
    pub extended: bool,
    pub bus: Option<String>,
    pub length: Option<Spanned<u64>>,
    pub sent: Option<SentForm>,
    #[serde(default)]
    pub signal: Vec<Spanned<SignalForm>>,
}

#[derive(Deserialize, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct PollForm {
    pub name: Option<Spanned<String>>,
    pub quantity: Option<Spanned<String>>,
    pub bus: Option<String>,
    pub request_id: Option<Spanned<u64>>,
    pub response_id: Option<Spanned<u64>>,
    #[serde(default)]
    pub extended: bool,
    pub ecu_address: Option<Spanned<u64>>,
    pub tester_address: Option<Spanned<u64>>,
    pub service: Option<Spanned<u64>>,
    pub identifier: Option<Spanned<u64>>,
    pub period_s: Option<Spanned<f64>>,
    #[serde(default)]
    pub signal: Vec<Spanned<SignalForm>>,
}

#[derive(Deserialize, Debug, Clone, Copy)]
pub(super) enum SentForm {
    #[serde(rename = "cyclic")]
    Cyclic,
    #[serde(rename = "on change")]
    OnChange,
}

#[derive(Deserialize, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct SignalForm {
    pub name: Option<Spanned<String>>,
    pub start: Option<Spanned<u64>>,
    pub length: Option<Spanned<u64>>,
    pub byte_order: Option<OrderForm>,
    pub r#type: Option<TypeForm>,
    pub scale: Option<f64>,
    pub offset: Option<f64>,
    pub unit: Option<String>,
    pub meaning: Option<String>,
    pub range: Option<[f64; 2]>,
    #[serde(default)]
    pub not_available: Vec<u64>,
    #[serde(default)]
    pub values: BTreeMap<Spanned<String>, String>,
    pub switch: Option<Spanned<String>>,
    pub when: Option<Spanned<Vec<WhenForm>>>,
}

#[derive(Deserialize, Debug, Clone, Copy)]
#[serde(rename_all = "lowercase")]
pub(super) enum OrderForm {
    Little,
    Big,
}

#[derive(Deserialize, Debug, Clone, Copy)]
#[serde(rename_all = "lowercase")]
pub(super) enum TypeForm {
    Unsigned,
    Signed,
    Float32,
    Float64,
}

/// A raw value of a switch, or a text such as `4-7`.
#[derive(Deserialize, Debug)]
#[serde(untagged, expecting = "expected a raw value such as 1, or a text such as \"4-7\"")]
pub(super) enum WhenForm {
    One(u64),
    Span(String),
}

#[derive(Deserialize, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct TableForm {
    pub name: Option<Spanned<String>>,
    pub delimiter: Option<Spanned<String>>,
    #[serde(default)]
    pub decimal_comma: bool,
    pub time: Option<Spanned<TimeForm>>,
    #[serde(default)]
    pub signal: Vec<Spanned<ColumnForm>>,
}

#[derive(Deserialize, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct TimeForm {
    pub column: Option<String>,
    pub format: Option<FormatForm>,
    pub start: Option<Spanned<String>>,
}

#[derive(Deserialize, Debug, Clone, Copy)]
#[serde(rename_all = "lowercase")]
pub(super) enum FormatForm {
    Seconds,
    Iso8601,
}

#[derive(Deserialize, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct ColumnForm {
    pub name: Option<Spanned<String>>,
    pub column: Option<String>,
    pub scale: Option<f64>,
    pub offset: Option<f64>,
    pub unit: Option<String>,
    pub meaning: Option<String>,
    pub range: Option<[f64; 2]>,
}

/// A role, or under the keys `1` to `4` that role of several packs.
#[derive(Deserialize, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct RoleForm {
    pub signal: Option<Spanned<String>>,
    pub discharge: Option<Spanned<String>>,
    pub charge: Option<Spanned<String>>,
    pub unit: Option<Spanned<String>>,
    pub positive: Option<Spanned<PositiveForm>>,
    pub sent: Option<SentForm>,
    pub tolerance: Option<Spanned<ToleranceForm>>,
    #[serde(rename = "1")]
    pub pack_1: Option<Box<Spanned<RoleForm>>>,
    #[serde(rename = "2")]
    pub pack_2: Option<Box<Spanned<RoleForm>>>,
    #[serde(rename = "3")]
    pub pack_3: Option<Box<Spanned<RoleForm>>>,
    #[serde(rename = "4")]
    pub pack_4: Option<Box<Spanned<RoleForm>>>,
}

#[derive(Deserialize, Debug, Clone, Copy, PartialEq)]
#[serde(rename_all = "lowercase")]
pub(super) enum PositiveForm {
    Discharge,
    Charge,
}

#[derive(Deserialize, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct ToleranceForm {
    pub gain: Option<f64>,
    pub offset: Option<f64>,
    pub limit_gain: Option<f64>,
    pub limit_offset: Option<f64>,
    pub basis: Option<BasisForm>,
}

#[derive(Deserialize, Debug, Clone, Copy)]
pub(super) enum BasisForm {
    #[serde(rename = "data sheet")]
    DataSheet,
    #[serde(rename = "balanced against a meter")]
    BalancedAgainstMeter,
    #[serde(rename = "assumed")]
    Assumed,
}
