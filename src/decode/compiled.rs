//! A map compiled to tables that never change while they are read, so that any number of threads can read them at once.
//!
//! Keeps no count and no value: who reads brings both.

use super::counts::{Counts, MessageCounts, SignalCounts};
use super::ids::Ids;
use super::plan::{Outcome, Plain, Plan};
use super::tap::Tap;
use crate::map::layout::Window;
use crate::map::{Map, Message, Multiplex, Origin, PollRequest};
use crate::observation::{BusNames, Frame, Reply, Row};

/// One map's messages, ready to be read.
#[derive(Clone, Debug)]
pub(super) struct Compiled {
    ids: Ids,
    bus_names: BusNames,
    programs: Vec<Program>,
    /// The plain signals of all messages, end to end.
    plain: Vec<Plain>,
    /// The message of each poll and its request.
    polls: Vec<(usize, PollRequest)>,
    /// The message of each table and its name.
    tables: Vec<(usize, String)>,
    taps: Vec<Vec<Tap>>,
    /// The most signals of a message.
    pub widest: usize,
}

/// How one message is read.
#[derive(Clone, Debug)]
struct Program {
    /// Where its signals lie among the plain ones, if all have a plain form and none is multiplexed.
    plain: std::ops::Range<usize>,
    /// The payload length that the plain way needs; none suffices where there is no plain way.
    plain_length: usize,
    plans: Vec<(Plan, Multiplex)>,
}

impl Compiled {
    /// Compiles a map. Until buses are named, only messages that name no bus are found.
    pub fn new(map: &Map) -> Self {
        let mut polls = Vec::new();
        let mut tables = Vec::new();
        for (index, message) in map.messages.iter().enumerate() {
            match &message.origin {
                Origin::Frame { .. } => {}
                Origin::Poll(request) => polls.push((index, request.clone())),
                Origin::Table(_) => tables.push((index, message.name.clone())),
            }
        }
        let mut plain = Vec::new();
        let programs = map.messages.iter().map(|message| Program::new(message, &mut plain)).collect();
        let taps_of = |message: usize| {
            let of_message = map.roles.iter().enumerate().filter(|(_, binding)| binding.message == message);
            of_message.map(|(role, binding)| Tap::new(role, binding)).collect()
        };
        Self {
            ids: Ids::new(map),
            bus_names: BusNames::default(),
            programs,
            plain,
            polls,
            tables,
            taps: (0..map.messages.len()).map(taps_of).collect(),
            widest: map.messages.iter().map(|message| message.signals.len()).max().unwrap_or(0),
        }
    }

    /// The buses whose messages are found.
    pub fn bus_names(&self) -> &BusNames {
        &self.bus_names
    }

    /// Finds the messages' buses by name.
    pub fn set_buses(&mut self, names: &BusNames) {
        self.bus_names = names.clone();
        self.ids.set_buses(names);
    }

    /// The roles that a message feeds.
    #[inline]
    pub fn taps(&self, message: usize) -> &[Tap] {
        self.taps.get(message).map_or(&[], Vec::as_slice)
    }

    /// How many signals a message has.
    #[inline]
    pub fn width(&self, message: usize) -> usize {
        self.programs.get(message).map_or(0, |program| program.plans.len())
    }

    /// The message that claims a frame; none claims a remote or an error frame.
    #[inline]
    pub fn find(&self, frame: &Frame, counts: &mut Counts) -> Option<usize> {
        if !frame.flags.is_data() {
            return None;
        }
        let message = self.ids.find(frame);
        counts.unknown_frames += u64::from(message.is_none());
        message
    }

    /// The message that a positive reply to a poll of the map answers, and what it holds; `None` for any other.
    pub fn find_reply<'r>(&self, reply: &'r Reply) -> Option<(usize, &'r [u8])> {
        let bus_name = self.bus_names.name(reply.bus);
        let is_of = |poll: &PollRequest| {
            poll.response_id == reply.from
                && poll.request == reply.request
                && poll.bus.as_deref().is_none_or(|bus| bus == bus_name)
        };
        let (message, poll) = self.polls.iter().find(|(_, poll)| is_of(poll))?;
        // A positive reply begins with the service plus 40 (hex) and the identifier (SAE J1979, ISO 14229-1).
        let (service, echoed) = poll.request.split_first()?;
        let (answered, rest) = reply.payload.split_first()?;
        if *answered != service.wrapping_add(0x40) {
            return None;
        }
        Some((*message, rest.strip_prefix(echoed)?))
    }

    /// Reads a message's payload into as many values as it has signals.
    #[inline]
    pub fn bytes(&self, message: usize, payload: &[u8], values: &mut [f64], counts: &mut Counts) -> Option<()> {
        let program = self.programs.get(message)?;
        let counts = counts.messages.get_mut(message)?;
        counts.frames += 1;
        match self.plain.get(program.plain.clone()) {
            Some(plain) if payload.len() >= program.plain_length => {
                decode_plain(program, plain, payload, values, counts)
            }
            _ => program.decode_any(payload, values, counts),
        }
        Some(())
    }

    /// The message of a row of a table; `None` for a table that the map does not have.
    pub fn find_row(&self, row: &Row) -> Option<usize> {
        self.tables.iter().find(|(_, name)| *name == row.table).map(|(message, _)| *message)
    }

    /// Reads a row into as many values as its message has signals.
    pub fn row(&self, message: usize, row: &Row, values: &mut [f64], counts: &mut Counts) -> Option<()> {
        let program = self.programs.get(message)?;
        let counts = counts.messages.get_mut(message)?;
        counts.frames += 1;
        let signals = program.plans.iter().zip(values).zip(&mut counts.signals);
        for (index, (((plan, _), value), count)) in signals.enumerate() {
            *value = counted(plan.cell(row.values.get(index).copied().unwrap_or(f64::NAN)), count);
        }
        Some(())
    }
}

impl Program {
    fn new(message: &Message, all_plain: &mut Vec<Plain>) -> Self {
        let plans: Vec<(Plan, Multiplex)> = message
            .signals
            .iter()
            .map(|signal| (Plan::new(signal, Window::of(signal).unwrap_or(Window::NOWHERE)), signal.multiplex.clone()))
            .collect();
        let is_simple = plans.iter().all(|(_, multiplex)| *multiplex == Multiplex::Always);
        let plain: Option<Vec<Plain>> =
            if is_simple { plans.iter().map(|(plan, _)| plan.plain()).collect() } else { None };
        let plain_length = match &plain {
            Some(_) => plans.iter().map(|(plan, _)| plan.window.end()).max().unwrap_or(0),
            None => usize::MAX,
        };
        let start = all_plain.len();
        all_plain.extend(plain.unwrap_or_default());
        Self { plain: start..all_plain.len(), plain_length, plans }
    }

    fn decode_any(&self, payload: &[u8], values: &mut [f64], counts: &mut MessageCounts) {
        let signals = self.plans.iter().zip(values).zip(&mut counts.signals);
        for (index, (((plan, _), value), count)) in signals.enumerate() {
            *value = f64::NAN;
            if !self.is_present(index, payload) {
                continue;
            }
            match plan.window.read(payload) {
                Some(raw) => *value = counted(plan.value(raw), count),
                None => count.too_short += 1,
            }
        }
    }

    /// What the plain way does not give on, by the general way.
    #[cold]
    fn refused(&self, index: usize, bits: u64, count: &mut SignalCounts) -> f64 {
        self.plans.get(index).map_or(f64::NAN, |(plan, _)| counted(plan.value(bits), count))
    }

    /// Whether a signal's switches select it; ends because a checked map's switches lead to one that is always there.
    fn is_present(&self, index: usize, payload: &[u8]) -> bool {
        match self.plans.get(index) {
            Some((_, Multiplex::Always)) => true,
            Some((_, Multiplex::When { switch, values })) => {
                let raw = self.plans.get(*switch).and_then(|(plan, _)| plan.window.read(payload));
                raw.is_some_and(|raw| values.iter().any(|range| range.contains(&raw)))
                    && self.is_present(*switch, payload)
            }
            None => false,
        }
    }
}

/// The inner loop: every signal from one word.
#[inline]
fn decode_plain(program: &Program, plain: &[Plain], payload: &[u8], values: &mut [f64], counts: &mut MessageCounts) {
    let mut bytes = [0; 8];
    match payload.first_chunk::<8>() {
        Some(first) => bytes = *first,
        None => {
            for (to, from) in bytes.iter_mut().zip(payload) {
                *to = *from;
            }
        }
    }
    let words = [u64::from_le_bytes(bytes), u64::from_be_bytes(bytes)];
    for (index, ((plain, value), count)) in plain.iter().zip(values).zip(&mut counts.signals).enumerate() {
        match plain.read(&words) {
            (_, Some(given)) => {
                *value = given;
                count.available += 1;
            }
            (bits, None) => *value = program.refused(index, bits, count),
        }
    }
}

/// Counts an outcome; the value to give on, NaN for none.
fn counted(outcome: Outcome, counts: &mut SignalCounts) -> f64 {
    match outcome {
        Outcome::Available(value) => {
            counts.available += 1;
            return value;
        }
        Outcome::NotAvailable => counts.not_available += 1,
        Outcome::OutOfRange => counts.out_of_range += 1,
        Outcome::NotFinite => counts.not_finite += 1,
    }
    f64::NAN
}
