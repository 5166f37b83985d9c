//! Whom a request may go to, who may answer, and where flow control goes: identifiers, never bytes.
//!
//! A [`Target`] can't hold an identifier outside the list of ISO 15765-4 (7DF, 7E0 to 7E7, 18DB33F1, 18DAxxF1) unless the
//! configuration allows 600 to 7FF by a key of its own, and none that another sender was heard to use.

use std::collections::BTreeSet;

use super::request::Refused;
use crate::observation::CanId;

/// Functional request identifier, 11 bits (ISO 15765-4).
const FUNCTIONAL: u16 = 0x7DF;
/// Physical request identifiers, 11 bits: 7E0 to 7E7; each is answered 8 above.
const PHYSICAL: std::ops::RangeInclusive<u16> = 0x7E0..=0x7E7;
/// From a physical request identifier to the one that answers.
const ANSWER_ABOVE: u16 = 8;
/// Identifiers that the configuration may open by a key of its own: where makers put diagnosis (common practice, no source).
const OTHERS: std::ops::RangeInclusive<u16> = 0x600..=0x7FF;
/// Functional request identifier, 29 bits (ISO 15765-4, normal fixed addressing).
const FUNCTIONAL_29: u32 = 0x18DB_33F1;
/// Physical identifiers, 29 bits: 18DAttss, t the address it goes to, s the sender's.
const PHYSICAL_29: u32 = 0x18DA_0000;
/// The tester's own address in 29-bit identifiers (ISO 15765-4: F1).
const TESTER: u8 = 0xF1;

/// The identifiers on which someone else was heard; only those that could be asked are kept, so it stays small.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Heard(BTreeSet<CanId>);

impl Heard {
    /// Notes the identifier of a frame that was received; frames of our own must not be given.
    pub fn note(&mut self, id: CanId) {
        if could_be_asked(id) {
            self.0.insert(id);
        }
    }

    /// Whether another sender uses it.
    pub fn contains(&self, id: CanId) -> bool {
        self.0.contains(&id)
    }
}

/// What the configuration and the bus allow.
#[derive(Clone, Copy, Debug)]
pub struct Rules<'a> {
    /// Whether the configuration opens 600 to 7FF.
    pub other_identifiers: bool,
    /// What was heard so far.
    pub heard: &'a Heard,
}

/// Extended addressing (ISO 15765-2, clause on addressing formats): the first payload byte is an address.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Extension {
    /// The ECU's address: first byte of what is sent.
    pub ecu: u8,
    /// The tester's address: first byte of what answers; anything else is for someone else.
    pub tester: u8,
}

/// An identifier that may be asked, with those that may answer.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Target {
    asked: CanId,
    /// The only one that may answer; `None` for every standard answer to a functional request.
    answers: Option<CanId>,
    extension: Option<Extension>,
}

impl Target {
    /// The ECU that a question to all of them is first answered by, 11 bits: 7E8.
    pub const FIRST_ANSWER: CanId = CanId::Standard(*PHYSICAL.start() + ANSWER_ABOVE);
    /// Every ECU that knows SAE J1979, by 11-bit identifiers: 7DF, answered from 7E8 to 7EF.
    pub const FUNCTIONAL: Self = Self { asked: CanId::Standard(FUNCTIONAL), answers: None, extension: None };
    /// The same by 29-bit identifiers: 18DB33F1, answered from 18DAF1xx.
    pub const FUNCTIONAL_29: Self = Self { asked: CanId::Extended(FUNCTIONAL_29), answers: None, extension: None };

    /// The one gate for identifiers from a configuration or a map.
    ///
    /// `answers` narrows a functional request to one ECU; a physical one is answered by its own identifier and no other;
    /// one of the others must name the identifier that answers.
    pub fn new(asked: CanId, answers: Option<CanId>, rules: &Rules<'_>) -> Result<Self, Refused> {
        let listed = match asked {
            CanId::Standard(id) => id == FUNCTIONAL || PHYSICAL.contains(&id),
            CanId::Extended(id) => id == FUNCTIONAL_29 || physical_29(id).is_some(),
        };
        let opened = rules.other_identifiers && could_be_asked(asked);
        if !listed && !opened {
            return Err(Refused::Identifier(text(asked)));
        }
        if rules.heard.contains(asked) {
            return Err(Refused::Heard(text(asked)));
        }
        let target = match (standard_answer(asked), answers) {
            (Some(one), _) => Self { asked, answers: Some(one), extension: None },
            (None, answers) => Self { asked, answers, extension: None },
        };
        let sound = match (target.is_functional(), answers) {
            (_, Some(given)) if given == asked => false,
            (true, None) => true,
            (true, Some(given)) => target.flow_control_to(given).is_some(),
            (false, None) => target.answers.is_some(),
            (false, Some(given)) => {
                target.answers == Some(given) && matches!(given, CanId::Standard(0..=0x7FF)) == is_standard(asked)
            }
        };
        let named = |id: Option<CanId>| id.map_or_else(|| "no identifier".to_owned(), text);
        if sound { Ok(target) } else { Err(Refused::Response { request: text(asked), response: named(answers) }) }
    }

    /// The same target by extended addressing; only for an identifier outside the standard's list, which the standard's own
    /// never use.
    pub fn extended(self, extension: Extension) -> Result<Self, Refused> {
        if self.is_functional() || standard_answer(self.asked).is_some() {
            return Err(Refused::Identifier(format!("{} with an address byte", text(self.asked))));
        }
        Ok(Self { extension: Some(extension), ..self })
    }

    /// The identifier asked.
    pub fn asked(&self) -> CanId {
        self.asked
    }

    /// Its address bytes, if it has any.
    pub fn extension(&self) -> Option<Extension> {
        self.extension
    }

    /// The only identifier that may answer; `None` if several may.
    pub fn only_answer(&self) -> Option<CanId> {
        self.answers
    }

    /// Whether several ECUs may answer.
    pub fn is_functional(&self) -> bool {
        matches!(self.asked, CanId::Standard(FUNCTIONAL) | CanId::Extended(FUNCTIONAL_29))
    }

    /// Whether it is asked by an identifier of ISO 15765-4.
    pub fn is_of_the_standard(&self) -> bool {
        is_of_the_standard(self.asked)
    }

    /// Whether both are asked by identifiers of the same width.
    pub fn is_as_wide_as(&self, other: &Self) -> bool {
        is_standard(self.asked) == is_standard(other.asked)
    }

    /// Whether a frame of this identifier may be part of an answer.
    pub fn is_answered_by(&self, id: CanId) -> bool {
        self.answers.map_or_else(|| self.flow_control_to(id).is_some(), |only| only == id)
    }

    /// Where flow control for an answer of this identifier goes: the physical request identifier of that ECU, never a
    /// functional one; `None` if it is no answer to this target.
    pub fn flow_control_to(&self, answer: CanId) -> Option<CanId> {
        if !self.is_functional() {
            return (self.answers == Some(answer)).then_some(self.asked);
        }
        let physical = match (self.asked, answer) {
            (CanId::Standard(_), CanId::Standard(id)) => CanId::Standard(id.checked_sub(ANSWER_ABOVE)?),
            (CanId::Extended(_), CanId::Extended(id)) => {
                let [_, _, to, ecu] = id.to_be_bytes();
                (to == TESTER).then_some(CanId::Extended(PHYSICAL_29 | u32::from(ecu) << 8 | u32::from(TESTER)))?
            }
            _ => return None,
        };
        (standard_answer(physical) == Some(answer) && self.answers.is_none_or(|only| only == answer))
            .then_some(physical)
    }
}

/// The ECU's address in a physical 29-bit request identifier of the tester.
fn physical_29(id: u32) -> Option<u8> {
    let [priority, format, ecu, tester] = id.to_be_bytes();
    ([priority, format] == [0x18, 0xDA] && tester == TESTER && ecu != TESTER).then_some(ecu)
}

/// The identifier that answers a physical request identifier of the standard; `None` for any other.
pub fn standard_answer(asked: CanId) -> Option<CanId> {
    match asked {
        CanId::Standard(id) => PHYSICAL.contains(&id).then_some(CanId::Standard(id + ANSWER_ABOVE)),
        CanId::Extended(id) => {
            physical_29(id).map(|ecu| CanId::Extended(PHYSICAL_29 | u32::from(TESTER) << 8 | u32::from(ecu)))
        }
    }
}

/// Whether an identifier is one that ISO 15765-4 sets aside for diagnosis, asked or answering.
pub fn is_of_the_standard(id: CanId) -> bool {
    match id {
        CanId::Standard(id) => id == FUNCTIONAL || (*PHYSICAL.start()..=*PHYSICAL.end() + ANSWER_ABOVE).contains(&id),
        CanId::Extended(id) => {
            let [_, _, to, from] = id.to_be_bytes();
            id == FUNCTIONAL_29 || id & 0xFFFF_0000 == PHYSICAL_29 && (to == TESTER || from == TESTER)
        }
    }
}

/// Whether any configuration could ask this identifier; the standard's answers, 7E8 to 7EF, never.
fn could_be_asked(id: CanId) -> bool {
    match id {
        CanId::Standard(id) => OTHERS.contains(&id) && !PHYSICAL.contains(&id.wrapping_sub(ANSWER_ABOVE)),
        CanId::Extended(id) => id == FUNCTIONAL_29 || physical_29(id).is_some(),
    }
}

fn is_standard(id: CanId) -> bool {
    matches!(id, CanId::Standard(_))
}

/// An identifier as people write it: 3 or 8 hexadecimal digits.
pub fn text(id: CanId) -> String {
    match id {
        CanId::Standard(id) => format!("{id:03X}"),
        CanId::Extended(id) => format!("{id:08X}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use CanId::{Extended, Standard};

    fn target(asked: CanId, answers: Option<CanId>, other_identifiers: bool) -> Result<Target, Refused> {
        Target::new(asked, answers, &Rules { other_identifiers, heard: &Heard::default() })
    }

    /// 7DF, 7E0 to 7E7 (answered 8 above), 18DB33F1, 18DAxxF1 (answered by 18DAF1xx): ISO 15765-4, as the comments of
    /// Wireshark's packet-obd-ii.c and the example of the kernel's iso15765-2.rst (18DA42F1, 18DAF142) have them.
    #[test]
    fn only_the_standards_identifiers_are_open() {
        for id in 0..=u16::MAX {
            let open = id == 0x7DF || (0x7E0..=0x7E7).contains(&id);
            assert_eq!(target(Standard(id), None, false).is_ok(), open, "{id:X}");
            let opened = (0x600..=0x7FF).contains(&id) && !(0x7E8..=0x7EF).contains(&id);
            let answer = if open && id != 0x7DF { id + 8 } else { 0x7EC };
            assert_eq!(target(Standard(id), Some(Standard(answer)), true).is_ok(), opened, "{id:X}");
        }
        for id in [0x18DB_33F1, 0x18DA_42F1, 0x18DA_00F1] {
            assert!(target(Extended(id), None, false).is_ok(), "{id:X}");
        }
        for id in [0, 0x7DF, 0x18DB_33F2, 0x18DA_F142, 0x18DA_F1F1, 0x18DA_42F0, 0x1CDA_42F1, 0x98DA_42F1, u32::MAX] {
            assert!(target(Extended(id), None, true).is_err(), "{id:X}");
        }
    }

    #[test]
    fn flow_control_goes_to_the_answering_ecu_alone() {
        let all = Target::FUNCTIONAL;
        assert_eq!(all.flow_control_to(Standard(0x7E8)), Some(Standard(0x7E0)));
        assert_eq!(all.flow_control_to(Standard(0x7EF)), Some(Standard(0x7E7)));
        for id in [0x7DF, 0x7E0, 0x7E7, 0x7F0, 0x7, 0] {
            assert_eq!(all.flow_control_to(Standard(id)), None, "{id:X}");
        }
        let all = Target::FUNCTIONAL_29;
        assert_eq!(all.flow_control_to(Extended(0x18DA_F142)), Some(Extended(0x18DA_42F1)));
        assert_eq!(all.flow_control_to(Extended(0x18DA_F242)), None);
        assert_eq!(all.flow_control_to(Extended(0x18DA_F1F1)), None);
        assert_eq!(all.flow_control_to(Standard(0x7E8)), None);
        let one = target(Standard(0x7DF), Some(Standard(0x7EC)), false).unwrap();
        assert_eq!(one.flow_control_to(Standard(0x7EC)), Some(Standard(0x7E4)));
        assert!(!one.is_answered_by(Standard(0x7E8)) && one.flow_control_to(Standard(0x7E8)).is_none());
        let own = target(Standard(0x6F1), Some(Standard(0x607)), true).unwrap();
        assert_eq!(own.flow_control_to(Standard(0x607)), Some(Standard(0x6F1)));
        assert!(own.extended(Extension { ecu: 7, tester: 0xF1 }).is_ok());
        assert!(one.extended(Extension { ecu: 7, tester: 0xF1 }).is_err());
    }

    #[test]
    fn answers_must_belong() {
        assert!(target(Standard(0x7E0), Some(Standard(0x7E9)), true).is_err());
        assert!(target(Standard(0x7DF), Some(Standard(0x123)), true).is_err());
        assert!(target(Standard(0x6F1), None, true).is_err());
        assert!(target(Standard(0x6F1), Some(Standard(0x6F1)), true).is_err());
        assert!(target(Standard(0x6F1), Some(Extended(0x18DA_F142)), true).is_err());
        assert!(target(Standard(0x6F1), Some(Standard(0x800)), true).is_err());
        let said = target(Standard(0x2B0), None, true).unwrap_err().to_string();
        assert!(said.starts_with("identifier 2B0 may not be asked: only 7DF, 7E0 to 7E7"), "{said}");
    }

    #[test]
    fn an_identifier_in_use_is_left_alone() {
        let mut heard = Heard::default();
        for id in 0..=0x7FF {
            heard.note(Standard(id));
        }
        assert_eq!(heard.0.len(), 512 - 8);
        let rules = Rules { other_identifiers: true, heard: &heard };
        assert_eq!(Target::new(Standard(0x7E0), None, &rules), Err(Refused::Heard("7E0".into())));
        assert!(Target::new(Extended(0x18DA_42F1), None, &rules).is_ok());
    }
}
