//! What fills a message's signals: the sensors by the map's roles, counters, constants, switches; or 'not available'.
//!
//! Finds what a scenario asks of a map that the map does not have.

use crate::document::{Fault, did_you_mean};

use crate::map::{Map, Message, Multiplex, Origin, RoleBinding, RoleSignal, Signal, encode};
use crate::observation::CanId;
use crate::schema::role::RoleSlot;

use super::super::scenario::{ConstantOrCounter, Scenario};
use super::super::senses::{Senses, Sensing};

/// A message that is sent, and what fills it.
pub(super) struct Feed {
    pub message: Message,
    pub bus: Option<String>,
    pub id: CanId,
    pub length: u8,
    pub period_ms: f64,
    roles: Vec<RoleBinding>,
    packs: f64,
    fills: Vec<Fill>,
    /// Signal, from, to; s.
    absent: Vec<(usize, f64, f64)>,
    values: Vec<f64>,
}

enum Fill {
    /// By a role, if at all.
    None,
    Constant(f64),
    /// Raw values below this, as the signal's.
    Counter {
        over: f64,
        scale: f64,
        offset: f64,
    },
    /// The pages of a switch, one after the other.
    Pages(Vec<f64>),
}

/// Every message that the scenario sends, in the map's order.
pub(super) fn all(scenario: &Scenario, map: &Map) -> (Vec<Feed>, Vec<Fault>) {
    let mut faults = unknown_names(scenario, map);
    let mut feeds = Vec::new();
    for (index, message) in map.messages.iter().enumerate() {
        let Some(period_ms) = scenario.period_ms.get(&message.name) else { continue };
        let Origin::Frame { bus, id, length } = &message.origin else {
            let fault =
                scenario.fault(&format!("period_ms.{}", message.name), format!("'{}' is no frame", message.name));
            faults.push(fault.remedy("remove it: only frames are sent"));
            continue;
        };
        let roles: Vec<RoleBinding> = map.roles.iter().filter(|role| role.message == index).cloned().collect();
        let of = |key: &str| signal_index(message, key);
        let absent = scenario.absent.iter().filter_map(|it| Some((of(&it.signal)?, it.from_s, it.to_s))).collect();
        feeds.push(Feed {
            bus: bus.clone(),
            id: *id,
            length: *length,
            period_ms: *period_ms,
            roles,
            packs: f64::from(map.packs()),
            fills: (0..message.signals.len()).map(|signal| fill(scenario, message, signal)).collect(),
            absent,
            values: vec![0.0; message.signals.len()],
            message: message.clone(),
        });
    }
    (feeds, faults)
}

fn unknown_names(scenario: &Scenario, map: &Map) -> Vec<Fault> {
    let mut faults = Vec::new();
    let names = || map.messages.iter().map(|message| &*message.name);
    for name in scenario.period_ms.keys() {
        if !names().any(|known| known == name) {
            let fault = scenario.fault(&format!("period_ms.{name}"), format!("the map has no message '{name}'"));
            faults.push(fault.remedy(did_you_mean(name, names())));
        }
    }
    let known: Vec<String> = map.messages.iter().flat_map(signal_keys).collect();
    let fills = scenario.fill.keys().map(|key| ("fill".to_owned(), key));
    let absent = scenario.absent.iter().enumerate().map(|(index, it)| (format!("absent.{index}.signal"), &it.signal));
    for (place, key) in fills.chain(absent) {
        if !known.contains(key) {
            let fault = scenario.fault(&place, format!("the map has no signal '{key}'"));
            faults.push(fault.remedy(did_you_mean(key, known.iter().map(String::as_str))));
        }
    }
    faults
}

fn signal_keys(message: &Message) -> impl Iterator<Item = String> {
    message.signals.iter().map(|signal| format!("{}.{}", message.name, signal.name))
}

fn signal_index(message: &Message, key: &str) -> Option<usize> {
    signal_keys(message).position(|known| known == key)
}

fn fill(scenario: &Scenario, message: &Message, index: usize) -> Fill {
    let Some(signal) = message.signals.get(index) else { return Fill::None };
    match scenario.fill.get(&format!("{}.{}", message.name, signal.name)) {
        Some(ConstantOrCounter::Constant(value)) => Fill::Constant(*value),
        Some(ConstantOrCounter::Counter) => {
            Fill::Counter { over: raw_values(signal), scale: signal.scale, offset: signal.offset }
        }
        None => match pages(message, index) {
            pages if pages.is_empty() => Fill::None,
            pages => Fill::Pages(pages.iter().map(|raw| *raw as f64 * signal.scale + signal.offset).collect()),
        },
    }
}

/// How many raw values a counter runs through, 2^length; exact in a float up to 53 bits, more are never counted.
fn raw_values(signal: &Signal) -> f64 {
    (1_u64 << signal.length.min(53)) as f64
}

/// The raw values of a switch that select something: the first of each range, each once.
fn pages(message: &Message, index: usize) -> Vec<u64> {
    let mut pages: Vec<u64> = message
        .signals
        .iter()
        .filter_map(|signal| match &signal.multiplex {
            Multiplex::When { switch, values } if *switch == index => Some(values),
            _ => None,
        })
        .flatten()
        .map(|range| *range.start())
        .collect();
    pages.sort_unstable();
    pages.dedup();
    pages
}

impl Feed {
    /// Writes the payload of the frame sent at a time (s) and returns its length.
    pub fn write(
        &mut self,
        time: f64,
        sent: u64,
        sensing: &mut Sensing,
        now: &Senses<'_>,
        payload: &mut [u8; 64],
    ) -> usize {
        self.fill(sent);
        self.sense(time, sensing, now);
        for (value, signal) in self.values.iter_mut().zip(&self.message.signals) {
            if let Some((least, most)) = signal.range {
                *value = value.max(least).min(most);
            }
        }
        for (index, from, to) in &self.absent {
            if *from <= time && time < *to {
                self.values[*index] = f64::NAN;
            }
        }
        encode(&self.message, &self.values, payload)
    }

    /// What no sensor gives.
    fn fill(&mut self, sent: u64) {
        for (value, fill) in self.values.iter_mut().zip(&self.fills) {
            *value = match fill {
                Fill::None => 0.0,
                Fill::Constant(constant) => *constant,
                Fill::Counter { over, scale, offset } => (sent as f64 % over) * scale + offset,
                Fill::Pages(pages) => pages[(sent % pages.len() as u64) as usize],
            };
        }
    }

    /// What the sensors give, in the signals' own units.
    fn sense(&mut self, time: f64, sensing: &mut Sensing, now: &Senses<'_>) {
        for binding in &self.roles {
            let RoleSlot { role, .. } = binding.slot;
            let packs = if role.per_pack() { self.packs } else { 1.0 };
            let value = (sensing.read(role, packs, time, now) - binding.offset) / binding.factor;
            match binding.signal {
                RoleSignal::One(index) => self.values[index] = value,
                RoleSignal::Difference(positive, negative) => {
                    self.values[positive] = value.max(0.0);
                    self.values[negative] = (-value).max(0.0);
                }
            }
        }
    }
}
