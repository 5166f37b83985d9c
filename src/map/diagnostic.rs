//! Which frames are requests or answers of diagnosis, by what the map asks: the bus is not awake for being asked.
//!
//! Knows identifiers alone; decodes nothing and asks nothing.

use super::checked::{Map, Origin};
use crate::diag::target;
use crate::observation::{BusNames, CanId, Frame};

/// The identifiers on which a map's polls are asked and answered, made once and looked up often.
///
/// A poll of one of the standard's identifiers (ISO 15765-4) takes in all of that width: 7DF and 7E0 to 7EF, or 18DB33F1,
/// 18DAxxF1 and 18DAF1xx. Every ECU may answer a functional request, and flow control goes to the one that does.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct DiagnosticIds {
    /// Of polls that name no bus: they count on every bus.
    any: Ids,
    /// Of polls that name one.
    buses: Vec<(String, Ids)>,
}

/// Identifiers of one bus.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
struct Ids {
    standard_11: bool,
    standard_29: bool,
    /// Outside the standard's list, sorted.
    others: Vec<CanId>,
}

impl DiagnosticIds {
    /// Those of a map.
    pub fn of(map: &Map) -> Self {
        let mut all = Self::default();
        for (bus, id) in diagnostic_ids(map) {
            all.add(bus.as_deref(), id);
        }
        all
    }

    /// The same, and the standard's own on every bus: where the configuration asks for more than the map does.
    pub fn with_standard(mut self) -> Self {
        (self.any.standard_11, self.any.standard_29) = (true, true);
        self
    }

    /// Whether a frame of this identifier on this bus is a request or an answer of diagnosis.
    #[inline]
    pub fn holds(&self, bus: &str, id: CanId) -> bool {
        self.any.holds(id) || self.buses.iter().any(|(name, ids)| name == bus && ids.holds(id))
    }

    /// Whether this frame is one.
    #[inline]
    pub fn holds_frame(&self, names: &BusNames, frame: &Frame) -> bool {
        let id = frame.can_id();
        self.any.holds(id) || !self.buses.is_empty() && self.holds(names.name(frame.bus), id)
    }

    fn add(&mut self, bus: Option<&str>, id: CanId) {
        let ids = match bus {
            None => &mut self.any,
            Some(bus) => {
                let known = self.buses.iter().position(|(name, _)| name == bus);
                let at = known.unwrap_or_else(|| {
                    self.buses.push((bus.to_owned(), Ids::default()));
                    self.buses.len() - 1
                });
                &mut self.buses[at].1
            }
        };
        match (target::is_of_the_standard(id), id) {
            (true, CanId::Standard(_)) => ids.standard_11 = true,
            (true, CanId::Extended(_)) => ids.standard_29 = true,
            (false, _) => {
                if let Err(place) = ids.others.binary_search(&id) {
                    ids.others.insert(place, id);
                }
            }
        }
    }
}

impl Ids {
    #[inline]
    fn holds(&self, id: CanId) -> bool {
        let of_the_width = match id {
            CanId::Standard(_) => self.standard_11,
            CanId::Extended(_) => self.standard_29,
        };
        of_the_width && target::is_of_the_standard(id)
            || !self.others.is_empty() && self.others.binary_search(&id).is_ok()
    }
}

/// The identifiers that a map's polls name, asked and answering, each with its bus; `None` for any.
pub fn diagnostic_ids(map: &Map) -> Vec<(Option<String>, CanId)> {
    let polls = map.messages.iter().filter_map(|message| match &message.origin {
        Origin::Poll(poll) => Some(poll),
        Origin::Frame { .. } | Origin::Table(_) => None,
    });
    polls.flat_map(|poll| [poll.request_id, poll.response_id].map(|id| (poll.bus.clone(), id))).collect()
}

#[cfg(test)]
mod tests {
    use super::super::from_text;
    use super::*;
    use crate::observation::{Batch, Bus, FrameFlags};
    use crate::time::Steady;
    use CanId::{Extended, Standard};

    fn ids(polls: &[&str]) -> DiagnosticIds {
        let polls: Vec<String> = polls
            .iter()
            .enumerate()
            .map(|(n, poll)| {
                format!("[[poll]]\nname = 'P{n}'\nservice = 0x22\nidentifier = {n}\nperiod_s = 1\n{poll}\n")
            })
            .collect();
        DiagnosticIds::of(&from_text("map.toml", &polls.concat(), None).map.unwrap())
    }

    /// ISO 15765-4's identifiers as the comments of Wireshark's packet-obd-ii.c have them.
    #[test]
    fn a_standard_poll_takes_in_every_answer_of_its_width() {
        let ids_11 = ids(&["request_id = 0x7DF\nresponse_id = 0x7E8"]);
        let held: Vec<u16> = (0..=0x7FF).filter(|id| ids_11.holds("can0", Standard(*id))).collect();
        assert_eq!(held, std::iter::once(0x7DF).chain(0x7E0..=0x7EF).collect::<Vec<_>>());
        assert!(!ids_11.holds("can0", Extended(0x18DA_F110)) && !ids_11.holds("can0", Extended(0x7E8)));
        let ids_29 = ids(&["extended = true\nrequest_id = 0x18DA10F1\nresponse_id = 0x18DAF110"]);
        for id in [0x18DB_33F1, 0x18DA_10F1, 0x18DA_F110, 0x18DA_42F1, 0x18DA_F142] {
            assert!(ids_29.holds("can0", Extended(id)), "{id:X}");
        }
        for id in [0x18DA_1042, 0x18DB_33F2, 0x18FE_F100, 0x7E8] {
            assert!(!ids_29.holds("can0", Extended(id)), "{id:X}");
        }
        assert!(!ids_29.holds("can0", Standard(0x7E8)));
        assert!(ids_29.with_standard().holds("can0", Standard(0x7E8)));
    }

    #[test]
    fn others_count_on_their_own_bus() {
        let ids = ids(&[
            "bus = 'can1'\nrequest_id = 0x6F1\nresponse_id = 0x607",
            "bus = 'can1'\nrequest_id = 0x6F1\nresponse_id = 0x608",
            "request_id = 0x700\nresponse_id = 0x70A",
        ]);
        for (bus, id, held) in [
            ("can1", 0x6F1, true),
            ("can1", 0x607, true),
            ("can1", 0x608, true),
            ("can0", 0x6F1, false),
            ("can0", 0x70A, true),
            ("can1", 0x70A, true),
            ("can1", 0x7E8, false),
        ] {
            assert_eq!(ids.holds(bus, Standard(id)), held, "{bus} {id:X}");
        }
        let (mut names, mut batch) = (BusNames::default(), Batch::default());
        names.intern("can0");
        names.intern("can1");
        for bus in [0, 1] {
            batch.push(Steady(0), Bus(bus), 0x607, FrameFlags(0), &[0]);
        }
        assert_eq!(batch.frames.iter().map(|frame| ids.holds_frame(&names, frame)).collect::<Vec<_>>(), [false, true]);
        assert!(!DiagnosticIds::default().holds("can0", Standard(0x7DF)));
    }
}
