//! Multiplexing: switches by name become indices, and which signals can be in one frame.
//!
//! A signal whose switch is missing, of no use or leads back to itself is left out, and with it what it switches.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;

use super::checked::{Multiplex, RawKind};
use super::draft::DraftSignal;
use super::findings::Findings;
use super::layout::Window;

/// The signals whose switches are sound, with them.
pub(super) fn resolve(
    message: &str,
    mut signals: Vec<DraftSignal>,
    findings: &mut Findings,
) -> Vec<(DraftSignal, Multiplex)> {
    loop {
        let index_of: BTreeMap<&str, usize> =
            signals.iter().enumerate().map(|(index, signal)| (&*signal.name, index)).collect();
        let wrong: Vec<Option<(String, &str)>> =
            signals.iter().map(|signal| wrong_with_switch(message, signal, &signals, &index_of)).collect();
        if wrong.iter().all(Option::is_none) {
            let multiplex: Vec<Multiplex> = signals
                .iter()
                .map(|signal| match &signal.switch {
                    None => Multiplex::Always,
                    Some(switch) => Multiplex::When {
                        switch: index_of.get(&*switch.name).copied().unwrap_or(0),
                        values: switch.values.clone(),
                    },
                })
                .collect();
            return signals.into_iter().zip(multiplex).collect();
        }
        for (signal, wrong) in signals.iter().zip(&wrong) {
            if let Some((what, remedy)) = wrong {
                findings.error(signal.at, what.clone(), *remedy);
                findings.leave_out(&format!("{message}.{}", signal.name));
            }
        }
        let mut sound = wrong.iter().map(Option::is_none).collect::<Vec<_>>().into_iter();
        signals.retain(|_| sound.next().unwrap_or(false));
    }
}

fn wrong_with_switch<'a>(
    message: &str,
    signal: &DraftSignal,
    signals: &[DraftSignal],
    index_of: &BTreeMap<&str, usize>,
) -> Option<(String, &'a str)> {
    let switch = signal.switch.as_ref()?;
    let called = format!("signal {message}.{}", signal.name);
    let Some(found) = index_of.get(&*switch.name).and_then(|index| signals.get(*index)) else {
        let what = format!("{called} wants the switch {}, which is not there", switch.name);
        return Some((what, "name a signal of the same message"));
    };
    if matches!(found.raw, RawKind::Float32 | RawKind::Float64) {
        return Some((format!("{called} wants the switch {}, which is a float", switch.name), "name a whole number"));
    }
    if leads_back(signal, signals, index_of) {
        return Some((format!("the switches of {called} lead in a circle"), "name a switch that is always there"));
    }
    let capacity = Window::new(found.start, found.length, found.order)?.capacity();
    if switch.values.is_empty() {
        return Some((format!("{called} has no value of its switch"), "write when = [1], the switch's raw values"));
    }
    if let Some(wide) = switch.values.iter().find(|values| *values.end() > capacity || values.start() > values.end()) {
        let what =
            format!("{called} wants {} of the switch {}, which has {} bits", text_of(wide), switch.name, found.length);
        return Some((what, "write raw values that the switch can take, the smaller first"));
    }
    None
}

fn text_of(values: &RangeInclusive<u64>) -> String {
    if values.start() == values.end() {
        values.start().to_string()
    } else {
        format!("{}-{}", values.start(), values.end())
    }
}

/// Whether following the switches never ends.
fn leads_back(signal: &DraftSignal, signals: &[DraftSignal], index_of: &BTreeMap<&str, usize>) -> bool {
    let mut next = signal.switch.as_ref();
    for _ in 0..=signals.len() {
        let Some(switch) = next else { return false };
        next =
            index_of.get(&*switch.name).and_then(|index| signals.get(*index)).and_then(|found| found.switch.as_ref());
    }
    true
}

/// Whether two signals can be in one frame: not where a switch that both hang on must differ.
pub(super) fn can_meet(signals: &[(DraftSignal, Multiplex)], one: usize, other: usize) -> bool {
    let mut at = one;
    while let Some((_, Multiplex::When { switch, values })) = signals.get(at) {
        let mut against = other;
        while let Some((_, Multiplex::When { switch: same, values: others })) = signals.get(against) {
            if switch == same
                && !values.iter().any(|a| others.iter().any(|b| a.start() <= b.end() && b.start() <= a.end()))
            {
                return false;
            }
            against = *same;
        }
        at = *switch;
    }
    true
}
