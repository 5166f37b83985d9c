//! A DBC file to drafts: messages, multiplexing, float types, value names, comments, send types.
//!
//! Each statement goes to the `can-dbc` crate alone, so that one that it can't read has its line and costs the others
//! nothing. What this program has no use for (nodes, receivers, environment variables) is not read.

use std::collections::HashMap;

use can_dbc::{
    AttributeDefinition, AttributeValue, AttributeValueType, ByteOrder as DbcOrder, Comment, Dbc, MessageId,
    MultiplexIndicator, NumericValue, SignalExtendedValueType, ValueDescription, ValueType,
};

use super::checked::{ByteOrder, Origin, RawKind, Sent};
use super::draft::{DraftMessage, DraftSignal, DraftSwitch};
use super::findings::{At, File, Findings};
use super::statements::{Statement, statements};
use crate::observation::CanId;

/// The name under which DBC editors keep signals that no message sends.
const UNSENT: &str = "VECTOR__INDEPENDENT_SIG_MSG";
/// The attribute that says how a message is sent (common practice of DBC files, no source).
const SEND_TYPE: &str = "GenMsgSendType";

/// In place of the switch where a message does not have just one; no signal can have this name.
const NO_SWITCH: &str = "'M' (one signal, and only one, must be it)";

/// The text of a DBC's bytes: UTF-8, else Latin-1, which every byte is.
pub(super) fn text_of(bytes: &[u8]) -> String {
    match std::str::from_utf8(bytes) {
        Ok(text) => text.trim_start_matches('\u{FEFF}').to_owned(),
        Err(_) => bytes.iter().map(|byte| char::from(*byte)).collect(),
    }
}

/// Reads a DBC's text.
pub(super) fn messages(text: &str, findings: &mut Findings) -> Vec<DraftMessage> {
    let mut reader = Reader { findings, messages: Vec::new(), about: About::default() };
    for statement in statements(text) {
        reader.statement(&statement);
    }
    reader.finish()
}

/// A message with what of its signals only the whole file tells.
struct Read {
    id: MessageId,
    draft: DraftMessage,
    multiplex: Vec<MultiplexIndicator>,
}

/// What stands elsewhere in the file about messages and signals.
#[derive(Default)]
struct About {
    comments: HashMap<(MessageId, String), String>,
    values: HashMap<(MessageId, String), Vec<(i64, String)>>,
    floats: HashMap<(MessageId, String), (At, RawKind)>,
    switches: HashMap<(MessageId, String), (At, DraftSwitch)>,
    send_types: Vec<String>,
    send_type_default: Option<AttributeValue>,
    send_type: HashMap<MessageId, AttributeValue>,
}

struct Reader<'a> {
    findings: &'a mut Findings,
    messages: Vec<Read>,
    about: About,
}

impl Reader<'_> {
    fn statement(&mut self, statement: &Statement) {
        let at = At { file: File::Dbc, line: statement.line };
        match &*statement.keyword {
            "BO_" => self.message(at, statement),
            "SG_" => self.findings.stop(at, "a signal without a message", "put it under its BO_ line"),
            "CM_" | "VAL_" | "BA_" | "BA_DEF_" | "BA_DEF_DEF_" => match Dbc::try_from(&*statement.text) {
                Ok(dbc) => self.about(dbc, at),
                Err(_) => {
                    let what = format!("can't read this {} statement", statement.keyword);
                    self.findings.warn(at, what, "correct it, or leave it: what it says is not used");
                }
            },
            "SIG_VALTYPE_" | "SG_MUL_VAL_" => match Dbc::try_from(&*statement.text) {
                Ok(dbc) => self.about(dbc, at),
                Err(_) => {
                    let remedy = if statement.keyword == "SG_MUL_VAL_" {
                        "write it as SG_MUL_VAL_ ID SIGNAL SWITCH 1-1, 4-7;"
                    } else {
                        "write it as SIG_VALTYPE_ ID SIGNAL : 1; (or 2 for 64 bits)"
                    };
                    self.findings.stop(at, format!("can't read this {} statement", statement.keyword), remedy);
                }
            },
            other => {
                let what = format!("'{}' begins no statement of a DBC", other.chars().take(40).collect::<String>());
                self.findings.stop(at, what, "remove the line, or comment it out with //");
            }
        }
    }

    fn message(&mut self, at: At, statement: &Statement) {
        let remedy = "write it as BO_ ID NAME: LENGTH SENDER";
        let header = Dbc::try_from(&*statement.text).ok().and_then(|dbc| dbc.messages.into_iter().next());
        let Some(header) = header else {
            self.findings.stop(at, "can't read this BO_ line", remedy);
            return;
        };
        if header.name == UNSENT {
            return;
        }
        let mut signals = Vec::new();
        let mut multiplex = Vec::new();
        for (line, text) in &statement.signals {
            let at = At { file: File::Dbc, line: *line };
            match read_signal(text) {
                Some(signal) => {
                    multiplex.push(signal.multiplexer_indicator);
                    signals.push(draft_signal(at, signal));
                }
                None => self.findings.stop(
                    at,
                    "can't read this SG_ line",
                    "write it as SG_ NAME : START|LENGTH@1+ (SCALE,OFFSET) [MIN|MAX] \"UNIT\" RECEIVER",
                ),
            }
        }
        let Some(id) = can_id(&statement.text) else {
            let remedy = "11 bits hold up to 2047; for 29 bits add 2147483648";
            self.findings.error(at, format!("message {} has an identifier that no frame has", header.name), remedy);
            self.findings.leave_out(&header.name);
            return;
        };
        let Ok(length @ 0..=64) = u8::try_from(header.size) else {
            let what = format!("message {} has {} bytes", header.name, header.size);
            self.findings.warn(at, what, "a frame holds 0 to 64 bytes; the message is left out");
            self.findings.leave_out(&header.name);
            return;
        };
        let origin = Origin::Frame { bus: None, id, length };
        let draft = DraftMessage { at, name: header.name, origin, sent: Sent::Cyclic, signals };
        self.messages.push(Read { id: header.id, draft, multiplex });
    }

    fn about(&mut self, dbc: Dbc, at: At) {
        let about = &mut self.about;
        for comment in dbc.comments {
            if let Comment::Signal { message_id, name, comment } = comment {
                about.comments.insert((message_id, name), one_line(&comment));
            }
        }
        for description in dbc.value_descriptions {
            if let ValueDescription::Signal { message_id, name, value_descriptions } = description {
                let mut values: Vec<(i64, String)> =
                    value_descriptions.into_iter().map(|value| (value.id, one_line(&value.description))).collect();
                values.sort();
                about.values.insert((message_id, name), values);
            }
        }
        for typed in dbc.signal_extended_value_type_list {
            let kind = match typed.signal_extended_value_type {
                SignalExtendedValueType::SignedOrUnsignedInteger => continue,
                SignalExtendedValueType::IEEEfloat32Bit => RawKind::Float32,
                SignalExtendedValueType::IEEEdouble64bit => RawKind::Float64,
            };
            about.floats.insert((typed.message_id, typed.signal_name), (at, kind));
        }
        for switch in dbc.extended_multiplex {
            // Written so that a range that runs backwards stays one and is refused with its switch.
            let values = switch.mappings.iter().map(|mapping| mapping.min_value..=mapping.max_value);
            let key = (switch.message_id, switch.signal_name);
            let entry = about
                .switches
                .entry(key)
                .or_insert_with(|| (at, DraftSwitch { name: switch.multiplexor_signal_name, values: Vec::new() }));
            entry.1.values.extend(values);
        }
        for definition in dbc.attribute_definitions {
            if let AttributeDefinition::Message(name, AttributeValueType::Enum(names)) = definition
                && name == SEND_TYPE
            {
                about.send_types = names;
            }
        }
        for default in dbc.attribute_defaults {
            if default.name == SEND_TYPE {
                about.send_type_default = Some(default.value);
            }
        }
        for attribute in dbc.attribute_values_message {
            if attribute.name == SEND_TYPE {
                about.send_type.insert(attribute.message_id, attribute.value);
            }
        }
    }

    /// Joins what stands apart, then warns of what is about no signal.
    fn finish(self) -> Vec<DraftMessage> {
        let Self { findings, messages, mut about } = self;
        let mut drafts = Vec::new();
        for Read { id, mut draft, multiplex } in messages {
            draft.sent = about.sent(id);
            let plain_switches: Vec<&str> = draft
                .signals
                .iter()
                .zip(&multiplex)
                .filter(|(_, indicator)| matches!(indicator, MultiplexIndicator::Multiplexor))
                .map(|(signal, _)| &*signal.name)
                .collect();
            let only_switch = if let [one] = plain_switches[..] { Some(one.to_owned()) } else { None };
            for (signal, indicator) in draft.signals.iter_mut().zip(multiplex) {
                let key = (id, signal.name.clone());
                signal.meaning = about.comments.remove(&key).unwrap_or_default();
                signal.values = about.values.remove(&key).unwrap_or_default();
                if let Some((_, kind)) = about.floats.remove(&key) {
                    signal.raw = kind;
                }
                signal.switch = match (about.switches.remove(&key), indicator) {
                    (Some((_, switch)), _) => Some(switch),
                    (
                        None,
                        MultiplexIndicator::MultiplexedSignal(value)
                        | MultiplexIndicator::MultiplexorAndMultiplexedSignal(value),
                    ) => {
                        let name = only_switch.clone().unwrap_or_else(|| NO_SWITCH.into());
                        Some(DraftSwitch { name, values: vec![value..=value] })
                    }
                    (None, _) => None,
                };
            }
            drafts.push(draft);
        }
        let mut left: Vec<(At, String)> = about.floats.into_iter().map(|((_, name), (at, _))| (at, name)).collect();
        left.extend(about.switches.into_iter().map(|((_, name), (at, _))| (at, name)));
        left.sort();
        for (at, name) in left {
            findings.warn(
                at,
                format!("this is about the signal {name}, which that message does not have"),
                "remove it",
            );
        }
        drafts
    }
}

impl About {
    /// On change where the send type says so and not also cyclic.
    fn sent(&self, id: MessageId) -> Sent {
        let value = self.send_type.get(&id).or(self.send_type_default.as_ref());
        let index = match value {
            Some(AttributeValue::Uint(index)) => usize::try_from(*index).ok(),
            Some(AttributeValue::Int(index)) => usize::try_from(*index).ok(),
            _ => None,
        };
        let name = match value {
            Some(AttributeValue::String(name)) => Some(name.as_str()),
            _ => index.and_then(|index| self.send_types.get(index)).map(String::as_str),
        };
        let name = name.unwrap_or_default().to_ascii_lowercase();
        let is_event = ["change", "event", "spontan", "write"].iter().any(|word| name.contains(word));
        if is_event && !name.contains("cyclic") { Sent::OnChange } else { Sent::Cyclic }
    }
}

/// One SG_ line through the crate, its receivers cut off: they are often missing or odd, and nothing here needs them.
fn read_signal(line: &str) -> Option<can_dbc::Signal> {
    let unit_end = line.rfind('"')?;
    let text = format!("BO_ 0 M: 8 N\n {} N\n", line.get(..=unit_end)?.trim_start());
    Dbc::try_from(&*text).ok()?.messages.into_iter().next()?.signals.into_iter().next()
}

fn draft_signal(at: At, signal: can_dbc::Signal) -> DraftSignal {
    let (low, high) = (number(signal.min), number(signal.max));
    DraftSignal {
        at,
        name: signal.name,
        start: signal.start_bit,
        length: signal.size,
        order: match signal.byte_order {
            DbcOrder::LittleEndian => ByteOrder::LittleEndian,
            DbcOrder::BigEndian => ByteOrder::BigEndian,
        },
        raw: match signal.value_type {
            ValueType::Signed => RawKind::Signed,
            ValueType::Unsigned => RawKind::Unsigned,
        },
        scale: signal.factor,
        offset: signal.offset,
        unit: signal.unit,
        meaning: String::new(),
        range: (low != 0.0 || high != 0.0).then_some((low, high)),
        not_available: Vec::new(),
        values: Vec::new(),
        switch: None,
    }
}

fn number(value: NumericValue) -> f64 {
    match value {
        NumericValue::Uint(value) => value as f64,
        NumericValue::Int(value) => value as f64,
        NumericValue::Double(value) => value,
    }
}

/// The identifier as written: the crate cuts off the bits of one that is too wide. Bit 31 says that it has 29 bits.
fn can_id(header: &str) -> Option<CanId> {
    let written: u64 = header.split_ascii_whitespace().nth(1)?.parse().ok()?;
    match written {
        0..=0x7FF => Some(CanId::Standard(written as u16)),
        0x8000_0000..=0x9FFF_FFFF => Some(CanId::Extended((written & 0x1FFF_FFFF) as u32)),
        _ => None,
    }
}

/// A text of the file without its escapes and line ends.
fn one_line(text: &str) -> String {
    text.replace("\\\"", "\"").split_whitespace().collect::<Vec<_>>().join(" ")
}
