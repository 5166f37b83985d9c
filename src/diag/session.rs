//! Requests and replies on one bus: schedule, gate, transport and matching in one.
//!
//! Frames and moments in; frames that may be sent and outcomes out. Opens no socket, reads no clock, and has no other way to
//! give a frame than [`TransmitFrame`]. One request is open at a time; replies of several ECUs to it may interleave. Frames
//! of our own that an interface shows us must not be given to [`Session::frame`].

use std::collections::{BTreeMap, VecDeque};

use super::gate::{BusEvent, Closed, Gate};
use super::isotp::{Action, Reception, TIMEOUT, Timer, TransferFault};
use super::opening::Opening;
use super::permission::Permission;
use super::refusal::NegativeCode;
use super::reply::{Answer, answer};
use super::request::{Refused, Request};
use super::schedule::{Ending, Poll, PollReport, Schedule};
use super::target::{Heard, Target, text};
use super::transmit::TransmitFrame;
use crate::observation::{Bus, CanId, Frame, FrameFlags, Reply};
use crate::time::{Span, Steady};

/// How long an ECU has to answer or to begin to: P2 (50 ms, ISO 15765-4) and what gateways add (common practice, no source).
pub const REPLY_WINDOW: Span = Span::of_millis(250);
/// How long it has after it pleaded for time: P2* (5000 ms, ISO 15765-4).
pub const PENDING_WINDOW: Span = Span::of_millis(5_000);
/// Pleas for time that are honoured for one request.
pub const PLEAS_MAX: u8 = 10;
/// The longest that one request stays open, whatever comes.
pub const OPEN_MAX: Span = Span::of_seconds(30);
/// ECUs whose replies to one request are put together side by side (ISO 15765-4 allows 8).
const ANSWERING_MAX: usize = 16;

/// What came of a request.
#[derive(Clone, PartialEq, Debug)]
pub enum Outcome {
    /// A positive reply.
    Reply(Reply),
    /// A negative response.
    Negative {
        /// What was asked.
        request: Request,
        /// Who refused.
        from: CanId,
        /// Why.
        code: NegativeCode,
    },
    /// No reply in time; `fault` where the request did not even leave.
    NoReply {
        /// What was asked.
        request: Request,
        /// Whom.
        asked: CanId,
        /// What kept it.
        fault: Option<TransferFault>,
    },
    /// A transfer went wrong.
    Fault {
        /// Whose.
        from: CanId,
        /// What went wrong.
        fault: TransferFault,
    },
    /// A whole message that answers nothing asked, such as a late reply.
    Stray {
        /// Who sent it.
        from: CanId,
        /// The message, service first.
        message: Vec<u8>,
    },
    /// A poll whose ECU says that it does not know the quantity: asked once, then rarely.
    Unsupported {
        /// Its name.
        poll: String,
        /// Who says that it knows it, if anyone.
        elsewhere: Vec<CanId>,
    },
    /// A poll that will not be asked in this run.
    Barred {
        /// Its name.
        poll: String,
        /// Why.
        why: Refused,
    },
}

/// How a session fares, for the run's record and for people.
#[derive(Clone, PartialEq, Debug)]
pub struct SessionReport {
    /// Why nothing is sent, if so.
    pub closed: Option<Closed>,
    /// Every poll.
    pub polls: Vec<PollReport>,
    /// What went wrong, by name.
    pub faults: BTreeMap<&'static str, u64>,
}

/// Requests and replies on one bus, for one run.
#[derive(Clone, Debug)]
pub struct Session {
    bus: Bus,
    opening: Opening,
    schedule: Schedule,
    gate: Gate,
    heard: Heard,
    open: Option<Open>,
    /// Flow control to be sent, with the identifier that it answers.
    flows: VecDeque<(CanId, TransmitFrame)>,
    /// A frame given out that has not left yet.
    leaving: Option<Leaving>,
    outcomes: Vec<Outcome>,
    faults: BTreeMap<&'static str, u64>,
}

#[derive(Clone, Debug)]
struct Open {
    /// The poll's place in the schedule; `None`: a question of the opening.
    index: Option<usize>,
    request: Request,
    target: Target,
    begun: Steady,
    /// Until when an answer may begin.
    until: Steady,
    pleas: u8,
    receptions: BTreeMap<CanId, Reception>,
    /// The best that came so far.
    ending: Ending,
}

#[derive(Clone, Copy, Debug)]
struct Leaving {
    since: Steady,
    /// The identifier that the flow control answers; `None`: the request itself.
    answers: Option<CanId>,
}

impl Session {
    /// A session that sends nothing until its interface is up, was listened to and permission is given.
    pub fn new(bus: Bus, polls: Vec<Poll>, gate: Gate) -> Self {
        Self {
            bus,
            opening: Opening::default(),
            schedule: Schedule::new(polls),
            gate,
            heard: Heard::default(),
            open: None,
            flows: VecDeque::new(),
            leaving: None,
            outcomes: Vec::new(),
            faults: BTreeMap::new(),
        }
    }

    /// The same session, which asks what opens a run before any poll; the opening must be of the same polls.
    pub fn opening(self, opening: Opening) -> Self {
        Self { opening, ..self }
    }

    /// The gate, to be told that the interface came up or went down.
    pub fn gate(&mut self) -> &mut Gate {
        &mut self.gate
    }

    /// The frame to send now, if any. Report with [`Self::left`] when the interface has taken it; until then there is no other.
    pub fn next(&mut self, now: Steady, permission: Permission) -> Option<TransmitFrame> {
        self.pass(now);
        if self.gate.check(now).is_err() || matches!(permission, Permission::Denied(_)) {
            self.flows.clear();
            return None;
        }
        if self.leaving.is_some() {
            return None;
        }
        while let Some((answers, frame)) = self.flows.pop_front() {
            // Another sender may have been heard since it was put here.
            if self.heard.contains(frame.id()) {
                self.count("flow control identifier in use by another");
                continue;
            }
            self.leaving = Some(Leaving { since: now, answers: Some(answers) });
            return Some(frame);
        }
        while self.open.is_none() {
            let (index, name, request, target) = match self.opening.next() {
                Some((request, target)) => (None, String::new(), request, target),
                None => {
                    let index = self.schedule.pick(now, permission)?;
                    let poll = self.schedule.poll(index)?;
                    (Some(index), poll.name.clone(), poll.request, poll.target)
                }
            };
            match self.ask(&request, &target) {
                Ok(frame) => {
                    self.leaving = Some(Leaving { since: now, answers: None });
                    self.open = Some(Open::new(index, request, target, now));
                    return Some(frame);
                }
                Err(why) => self.bar(index, name, why),
            }
        }
        None
    }

    fn bar(&mut self, index: Option<usize>, poll: String, why: Refused) {
        match index {
            Some(index) => {
                self.schedule.bar(index);
                self.outcomes.push(Outcome::Barred { poll, why });
            }
            // The polls of the same identifier are barred by name.
            None => self.opening.ended(None),
        }
    }

    /// The frame given last has left.
    pub fn left(&mut self, now: Steady) {
        let (Some(leaving), Some(open)) = (self.leaving.take(), &mut self.open) else { return };
        match leaving.answers {
            None => open.until = now + REPLY_WINDOW,
            Some(answers) => {
                if let Some(reception) = open.receptions.get_mut(&answers) {
                    reception.flow_control_left(now);
                }
            }
        }
    }

    /// Takes a frame that was received on this bus, with its payload; gives what came of requests so far.
    pub fn frame(&mut self, now: Steady, frame: &Frame, payload: &[u8]) -> Vec<Outcome> {
        self.gate.note(now, BusEvent::of(frame, payload));
        self.pass(now);
        if !frame.flags.has(FrameFlags::ERROR) {
            let id = frame.can_id();
            // An answer too: where one answers, no other is asked.
            self.heard.note(id);
            match &self.open {
                Some(open) if frame.flags.is_data() && open.target.is_answered_by(id) => self.receive(now, id, payload),
                _ => self.overhear(id),
            }
        }
        std::mem::take(&mut self.outcomes)
    }

    /// Lets time pass; gives what came of requests so far.
    pub fn tick(&mut self, now: Steady) -> Vec<Outcome> {
        self.pass(now);
        std::mem::take(&mut self.outcomes)
    }

    /// Whether a request is open.
    pub fn is_open(&self) -> bool {
        self.open.is_some()
    }

    /// How it fares.
    pub fn report(&self, now: Steady) -> SessionReport {
        SessionReport {
            closed: self.gate.check(now).err(),
            polls: self.schedule.report(now),
            faults: self.faults.clone(),
        }
    }

    fn ask(&self, request: &Request, target: &Target) -> Result<TransmitFrame, Refused> {
        if self.heard.contains(target.asked()) {
            return Err(Refused::Heard(text(target.asked())));
        }
        TransmitFrame::request(request, target)
    }

    /// Notes a frame that is no answer to the open request.
    fn overhear(&mut self, id: CanId) {
        if self.schedule.polls().any(|poll| poll.target.is_answered_by(id)) {
            self.count("answer to no open request");
        }
    }

    fn receive(&mut self, now: Steady, from: CanId, payload: &[u8]) {
        let Some(open) = &mut self.open else { return };
        if !open.receptions.contains_key(&from) && open.receptions.len() >= ANSWERING_MAX {
            return self.count("too many answering");
        }
        let new =
            || open.target.extension().map_or_else(Reception::new, |extension| Reception::extended(extension.tester));
        let actions = open.receptions.entry(from).or_insert_with(new).frame(now, payload);
        for action in actions {
            self.act(now, from, action);
        }
    }

    fn act(&mut self, now: Steady, from: CanId, action: Action) {
        match action {
            Action::SendFlowControl(flow) => {
                let target = self.open.as_ref().map(|open| open.target);
                match target.and_then(|target| TransmitFrame::flow_control(flow, &target, from)) {
                    Some(frame) if self.flows.len() < ANSWERING_MAX => self.flows.push_back((from, frame)),
                    _ => self.count("flow control left out"),
                }
            }
            Action::Complete(message) => self.message(now, from, message),
            Action::Fault(fault) => {
                self.count(fault.name());
                self.outcomes.push(Outcome::Fault { from, fault });
            }
        }
    }

    fn message(&mut self, now: Steady, from: CanId, message: Vec<u8>) {
        let Some(open) = &mut self.open else {
            return self.outcomes.push(Outcome::Stray { from, message });
        };
        let request = open.request;
        match answer(&request, &message) {
            Answer::Positive(data) => {
                open.ending = Ending::Answered;
                if open.index.is_none() {
                    self.opening.answered(from, data);
                }
                let reply = Reply { bus: self.bus, from, request: request.bytes(), payload: message };
                self.outcomes.push(Outcome::Reply(reply));
            }
            Answer::Negative(code) => {
                if open.ending == Ending::Silent {
                    open.ending = Ending::Refused(code);
                }
                self.outcomes.push(Outcome::Negative { request, from, code });
            }
            Answer::Pending => {
                open.pleas = open.pleas.saturating_add(1);
                open.until = if open.pleas > PLEAS_MAX { now } else { now + PENDING_WINDOW };
                return self.pass(now);
            }
            Answer::Other => {
                self.count("message that answers nothing asked");
                return self.outcomes.push(Outcome::Stray { from, message });
            }
        }
        if open.target.only_answer().is_some() {
            self.close(now, None);
        }
    }

    /// Ends what waited too long.
    fn pass(&mut self, now: Steady) {
        let Some(open) = &mut self.open else {
            self.leaving = self.leaving.filter(|leaving| now - leaving.since < TIMEOUT);
            return;
        };
        let mut faults = Vec::new();
        for (from, reception) in &mut open.receptions {
            faults.extend(reception.tick(now).into_iter().map(|action| (*from, action)));
        }
        let waiting = open.receptions.values().any(Reception::is_open);
        let over = now - open.begun >= OPEN_MAX || open.until <= now && !waiting;
        for (from, action) in faults {
            self.act(now, from, action);
        }
        match self.leaving {
            Some(leaving) if now - leaving.since >= TIMEOUT => {
                self.leaving = None;
                match leaving.answers {
                    None => self.close(now, Some(TransferFault::Timeout(Timer::As))),
                    Some(_) => self.count(TransferFault::Timeout(Timer::Ar).name()),
                }
            }
            Some(Leaving { answers: None, .. }) => {}
            _ if over => self.close(now, None),
            _ => {}
        }
    }

    fn close(&mut self, now: Steady, fault: Option<TransferFault>) {
        let Some(open) = self.open.take() else { return };
        self.flows.clear();
        match open.index {
            Some(index) => self.schedule.ended(index, open.begun, now, open.ending),
            None => {
                self.opening.ended(Some(open.ending));
                self.note_lacking();
            }
        }
        if let Some(fault) = fault {
            self.count(fault.name());
        }
        if open.ending == Ending::Silent {
            self.outcomes.push(Outcome::NoReply { request: open.request, asked: open.target.asked(), fault });
        }
    }

    /// Asks rarely for what no ECU knows.
    fn note_lacking(&mut self) {
        for lacking in self.opening.lacking() {
            self.schedule.unsupported(lacking.index);
            let poll = self.schedule.poll(lacking.index).map(|poll| poll.name.clone()).unwrap_or_default();
            self.outcomes.push(Outcome::Unsupported { poll, elsewhere: lacking.elsewhere });
        }
    }

    fn count(&mut self, name: &'static str) {
        let count = self.faults.entry(name).or_default();
        *count = count.saturating_add(1);
    }
}

impl Open {
    fn new(index: Option<usize>, request: Request, target: Target, now: Steady) -> Self {
        let receptions = BTreeMap::new();
        Self { index, request, target, begun: now, until: now + TIMEOUT, pleas: 0, receptions, ending: Ending::Silent }
    }
}

#[cfg(test)]
mod tests;
