//! The decoder: frames, replies and rows of one map to values.
//!
//! Allocates when it is made and when buses are named, never per frame.

use super::counts::{Counts, MessageCounts, SignalCounts};
use super::ids::Ids;
use super::plan::{Outcome, Plain, Plan};
use super::tap::Tap;
use crate::map::layout::Window;
use crate::map::{Map, Message, Multiplex, Origin, PollRequest};
use crate::observation::{BusNames, Frame, Reply, Row};

/// Decodes one map's messages and counts what it drops.
#[derive(Clone, Debug)]
pub struct Decoder {
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
    values: Vec<f64>,
    counts: Counts,
}

/// A decoded message.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Decoded<'a> {
    /// Index of the message in the map.
    pub message: usize,
    /// One value a signal in the signals' order, in the signals' units; NaN = null: not available, out of range, not
    /// finite, not in this frame, or past the payload's end.
    pub values: &'a [f64],
    /// The roles that the message feeds.
    pub taps: &'a [Tap],
}

/// How one message is read.
#[derive(Clone, Debug)]
struct Program {
    /// Where its signals lie among the decoder's plain ones, if all have a plain form and none is multiplexed.
    plain: std::ops::Range<usize>,
    /// The payload length that the plain way needs; none suffices where there is no plain way.
    plain_length: usize,
    plans: Vec<(Plan, Multiplex)>,
}

impl Decoder {
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
            values: vec![f64::NAN; map.messages.iter().map(|message| message.signals.len()).max().unwrap_or(0)],
            counts: Counts::of(map),
        }
    }

    /// Finds the messages' buses by name; to be called whenever names grew.
    pub fn set_buses(&mut self, names: &BusNames) {
        if *names != self.bus_names {
            self.bus_names = names.clone();
            self.ids.set_buses(names);
        }
    }

    /// Decodes a frame with its payload; `None` for a frame that no message claims, a remote or an error frame.
    #[inline]
    pub fn frame(&mut self, frame: &Frame, payload: &[u8]) -> Option<Decoded<'_>> {
        if !frame.flags.is_data() {
            return None;
        }
        match self.ids.find(frame) {
            Some(message) => self.bytes(message, payload),
            None => {
                self.counts.unknown_frames += 1;
                None
            }
        }
    }

    /// Decodes a positive reply to a poll of the map; `None` for any other.
    pub fn reply(&mut self, reply: &Reply) -> Option<Decoded<'_>> {
        let bus_name = self.bus_names.name(reply.bus);
        let is_of = |poll: &PollRequest| {
            poll.response_id == reply.from
                && poll.request == reply.request
                && poll.bus.as_deref().is_none_or(|bus| bus == bus_name)
        };
        let (message, poll) = self.polls.iter().find(|(_, poll)| is_of(poll))?;
        let message = *message;
        // A positive reply begins with the service plus 40 (hex) and the identifier (SAE J1979, ISO 14229-1).
        let (service, echoed) = poll.request.split_first()?;
        let (answered, rest) = reply.payload.split_first()?;
        if *answered != service.wrapping_add(0x40) {
            return None;
        }
        let data = rest.strip_prefix(echoed)?;
        self.bytes(message, data)
    }

    /// Decodes a row of a table; `None` for a table that the map does not have.
    pub fn row(&mut self, row: &Row) -> Option<Decoded<'_>> {
        let (message, _) = self.tables.iter().find(|(_, name)| *name == row.table)?;
        let message = *message;
        let program = self.programs.get(message)?;
        let counts = self.counts.messages.get_mut(message)?;
        let values = self.values.get_mut(..program.plans.len())?;
        counts.frames += 1;
        let signals = program.plans.iter().zip(values.iter_mut()).zip(&mut counts.signals);
        for (index, (((plan, _), value), count)) in signals.enumerate() {
            *value = counted(plan.cell(row.values.get(index).copied().unwrap_or(f64::NAN)), count);
        }
        Some(Decoded { message, values, taps: self.taps.get(message).map_or(&[], Vec::as_slice) })
    }

    /// What was seen and dropped so far.
    pub fn counts(&self) -> &Counts {
        &self.counts
    }

    /// Goes on from counts kept earlier with the same map.
    pub fn set_counts(&mut self, counts: Counts) {
        self.counts = counts.shaped_like(&self.counts);
    }

    #[inline]
    fn bytes(&mut self, message: usize, payload: &[u8]) -> Option<Decoded<'_>> {
        let program = self.programs.get(message)?;
        let counts = self.counts.messages.get_mut(message)?;
        let values = self.values.get_mut(..program.plans.len())?;
        counts.frames += 1;
        match self.plain.get(program.plain.clone()) {
            Some(plain) if payload.len() >= program.plain_length => {
                decode_plain(program, plain, payload, values, counts)
            }
            _ => program.decode_any(payload, values, counts),
        }
        Some(Decoded { message, values, taps: self.taps.get(message).map_or(&[], Vec::as_slice) })
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
