//! Drafts to checked messages: names, identifiers, bits.
//!
//! Leaves out what can't be used and says so; multiplexing is checked in `switches`, roles in `roles`.

use std::collections::BTreeMap;

use super::checked::{Message, Multiplex, Origin, RawKind, Signal};
use super::draft::{DraftMessage, DraftSignal};
use super::findings::{At, Findings};
use super::layout::Window;
use super::switches;

/// The most bytes a reply holds (ISO 15765-2: a 12-bit length).
const REPLY_BYTES_MAX: usize = 4095;
/// Columns of every samples table beside the signals'.
const COLUMNS_TAKEN: [&str; 2] = ["t_us", "bus"];

/// Names in lower case, with how and where each was first written.
type Named = BTreeMap<String, (String, At)>;

/// The messages that can be used.
pub(super) fn messages(drafts: Vec<DraftMessage>, findings: &mut Findings) -> Vec<Message> {
    let mut named = Named::new();
    let mut messages = Vec::new();
    let mut places = Vec::new();
    for draft in drafts {
        let (at, name) = (draft.at, draft.name.clone());
        if !is_name(&name) {
            findings.error(at, format!("'{}' can't be a message's name", clip(&name)), NAME_REMEDY);
            continue;
        }
        if let Some((earlier, earlier_at)) = named.get(&name.to_ascii_lowercase()) {
            let place = findings.name_of(*earlier_at, at);
            if *earlier == name {
                findings.stop(at, format!("a second message named {name} (the first: {place})"), "rename one");
            } else {
                let what = format!("message {name} differs from {earlier} ({place}) in capitals alone");
                findings.error(at, what, "rename one; this one is left out");
            }
            continue;
        }
        named.insert(name.to_ascii_lowercase(), (name, at));
        places.push(at);
        messages.push(message(draft, findings));
    }
    refuse_twice(&messages, &places, findings);
    messages
}

const NAME_REMEDY: &str = "use 1 to 64 of A-Z a-z 0-9 _ and -, for it names a folder or a column";

/// Whether a text can name a message (a folder) or a signal (a column).
pub(super) fn is_name(text: &str) -> bool {
    (1..=64).contains(&text.len()) && text.bytes().all(|byte| byte.is_ascii_alphanumeric() || b"_-".contains(&byte))
}

fn clip(text: &str) -> String {
    text.chars().take(80).collect()
}

/// Two messages that would claim the same frame or reply: nobody can say which is meant.
fn refuse_twice(messages: &[Message], places: &[At], findings: &mut Findings) {
    let mut claimed: BTreeMap<String, (&str, At)> = BTreeMap::new();
    for (message, at) in messages.iter().zip(places) {
        let (claim, what) = match &message.origin {
            Origin::Frame { bus, id, .. } => (format!("{bus:?} {id:?}"), "identifier"),
            Origin::Poll(poll) => (format!("{:?} {:?} {:?}", poll.bus, poll.response_id, poll.request), "request"),
            Origin::Table(_) => continue,
        };
        if let Some((earlier, earlier_at)) = claimed.get(&claim) {
            let place = findings.name_of(*earlier_at, *at);
            let what = format!("{} has the {what} of {earlier} ({place}) on the same bus", message.name);
            findings.stop(*at, what, "remove one, or say on which bus each is");
        } else {
            claimed.insert(claim, (&message.name, *at));
        }
    }
}

fn message(mut draft: DraftMessage, findings: &mut Findings) -> Message {
    let mut named = Named::new();
    let mut columns_kept = Vec::new();
    let mut kept: Vec<DraftSignal> = Vec::new();
    for (index, mut signal) in std::mem::take(&mut draft.signals).into_iter().enumerate() {
        let sound = is_named_once(&draft.name, &signal, &mut named, findings)
            && is_laid_out(&draft, &signal, findings)
            && is_scaled(&draft.name, &signal, findings);
        if sound {
            drop_wrong_bounds(&draft.name, &mut signal, findings);
            columns_kept.push(index);
            kept.push(signal);
        } else {
            findings.leave_out(&format!("{}.{}", draft.name, signal.name));
        }
    }
    if let Origin::Table(table) = &mut draft.origin {
        table.columns = columns_kept.iter().filter_map(|index| table.columns.get(*index).cloned()).collect();
    }
    let kept = switches::resolve(&draft.name, kept, findings);
    warn_of_overlaps(&draft, &kept, findings);
    let signals = kept.into_iter().map(|(signal, multiplex)| finish(signal, multiplex)).collect();
    Message { name: draft.name, origin: draft.origin, signals, sent: draft.sent }
}

fn finish(draft: DraftSignal, multiplex: Multiplex) -> Signal {
    Signal {
        name: draft.name,
        start: draft.start as u16,
        length: draft.length as u16,
        order: draft.order,
        raw: draft.raw,
        scale: draft.scale,
        offset: draft.offset,
        unit: draft.unit,
        meaning: draft.meaning,
        range: draft.range,
        not_available: draft.not_available,
        values: draft.values,
        multiplex,
    }
}

fn is_named_once(message: &str, signal: &DraftSignal, named: &mut Named, findings: &mut Findings) -> bool {
    let (at, name) = (signal.at, &signal.name);
    if !is_name(name) {
        findings.error(at, format!("'{}' can't be a signal's name", clip(name)), NAME_REMEDY);
        return false;
    }
    if COLUMNS_TAKEN.iter().any(|taken| taken.eq_ignore_ascii_case(name)) {
        let what = format!("signal {message}.{name} has the name of a column that every table of samples has");
        findings.error(at, what, "rename it");
        return false;
    }
    if let Some((earlier, earlier_at)) = named.get(&name.to_ascii_lowercase()) {
        let place = findings.name_of(*earlier_at, at);
        if earlier == name {
            findings.stop(at, format!("a second signal {message}.{name} (the first: {place})"), "rename one");
        } else {
            let what = format!("signal {message}.{name} differs from {earlier} ({place}) in capitals alone");
            findings.error(at, what, "rename one; this one is left out");
        }
        return false;
    }
    named.insert(name.to_ascii_lowercase(), (name.clone(), at));
    true
}

fn is_laid_out(message: &DraftMessage, signal: &DraftSignal, findings: &mut Findings) -> bool {
    let (at, called) = (signal.at, format!("signal {}.{}", message.name, signal.name));
    let wants = match signal.raw {
        RawKind::Float32 => 32,
        RawKind::Float64 => 64,
        RawKind::Unsigned | RawKind::Signed => signal.length,
    };
    if signal.length != wants {
        let what = format!("{called} is a float of {} bits", signal.length);
        findings.error(at, what, format!("this type has {wants} bits; correct length or type"));
        return false;
    }
    if !(1..=64).contains(&signal.length) {
        findings.error(at, format!("{called} has {} bits", signal.length), "a signal has 1 to 64 bits");
        return false;
    }
    let bytes = match &message.origin {
        Origin::Frame { length, .. } => usize::from(*length),
        Origin::Poll(_) => REPLY_BYTES_MAX,
        Origin::Table(_) => return true,
    };
    let end = Window::new(signal.start, signal.length, signal.order).map(|window| window.end());
    if end.is_none_or(|end| end > bytes) {
        let what = match end {
            Some(end) => format!("{called} ends in byte {end} of a message of {bytes} bytes"),
            None => format!("{called} starts at bit {} of a message of {bytes} bytes", signal.start),
        };
        findings.warn(at, what, "correct start, length, byte order or the message's length; it is left out");
        return false;
    }
    true
}

fn is_scaled(message: &str, signal: &DraftSignal, findings: &mut Findings) -> bool {
    let (at, called) = (signal.at, format!("signal {message}.{}", signal.name));
    if !signal.scale.is_finite() || signal.scale == 0.0 {
        let what = format!("{called} has the scale {}", signal.scale);
        findings.error(at, what, "write a finite number other than 0");
        return false;
    }
    if !signal.offset.is_finite() {
        findings.error(at, format!("{called} has the offset {}", signal.offset), "write a finite number");
        return false;
    }
    true
}

/// Drops a range that holds nothing and patterns that the bits can't hold; the signal stays.
fn drop_wrong_bounds(message: &str, signal: &mut DraftSignal, findings: &mut Findings) {
    let (at, called) = (signal.at, format!("signal {message}.{}", signal.name));
    if let Some((low, high)) = signal.range
        && (low.is_nan() || high.is_nan() || low > high)
    {
        let what = format!("{called} has the range {low} to {high}");
        findings.error(at, what, "write the smaller bound first; no range is used");
        signal.range = None;
    }
    let Some(window) = Window::new(signal.start, signal.length, signal.order) else { return };
    let fits = |pattern: &u64| *pattern <= window.capacity();
    if let Some(pattern) = signal.not_available.iter().find(|pattern| !fits(pattern)) {
        let what = format!("{called} has {} bits and can't be {pattern:#X}", signal.length);
        findings.error(at, what, "write the raw bits as they stand in the frame; the pattern is left out");
        signal.not_available.retain(fits);
    }
}

fn warn_of_overlaps(message: &DraftMessage, kept: &[(DraftSignal, Multiplex)], findings: &mut Findings) {
    let Origin::Frame { .. } = message.origin else { return };
    let masks: Vec<[u64; 8]> = kept
        .iter()
        .map(|(signal, _)| {
            Window::new(signal.start, signal.length, signal.order).map_or([0; 8], |window| window.mask())
        })
        .collect();
    for (second, mask) in masks.iter().enumerate() {
        for (first, other) in masks[..second].iter().enumerate() {
            let share = mask.iter().zip(other).any(|(a, b)| a & b != 0);
            if share && switches::can_meet(kept, first, second) {
                let (at, earlier) = (kept[second].0.at, &kept[first].0);
                let place = findings.name_of(earlier.at, at);
                let what = format!(
                    "signal {}.{} shares bits with {} ({place})",
                    message.name, kept[second].0.name, earlier.name
                );
                findings.warn(at, what, "correct start or length of one; both are decoded as written");
            }
        }
    }
}
