//! Requests by the schedule: which command next for the poll that is due, and what its reply came to.
//!
//! Holds the gate of this adapter's bus: no request is given out while it is closed or the car may not be asked. Sends
//! nothing itself, and never asks twice at once.

use super::super::super::asking::unsupported;
use super::super::command::{Command, Fixed, Protocol};
use super::super::messages::{LineFault, Message, Shown, assemble};
use super::super::reply::{AdapterError, Line};
use super::Out;
use super::waiting::Waiting;
use crate::diag::gate::{Closed, Gate};
use crate::diag::permission::Permission;
use crate::diag::reply::{Answer, answer};
use crate::diag::schedule::{Ending, Poll, PollReport, Schedule};
use crate::diag::target::text;
use crate::diag::{Opening, Request, Target};
use crate::observation::{Bus, CanId, Item, Reply, Stamped};
use crate::time::Steady;

/// How often one request is sent again because the adapter did not carry it out.
const RETRIES: u8 = 2;
/// How often a setting before a request is given before a refusal is believed.
const TRIES: u8 = 4;
/// Replies in a row without identifiers after which the adapter is believed not to show them.
const WITHOUT_MAX: u8 = 3;

/// What is to be done after a reply.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum After {
    /// Nothing.
    Nothing,
    /// It is not certain whose turn it is.
    Doubt,
    /// The adapter seems to have lost its settings.
    SetUp,
}

/// What the adapter receives.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Filter {
    Unknown,
    All,
    Only(CanId),
}

/// The poll that is being asked.
#[derive(Clone, Copy, Debug)]
struct Open {
    /// The poll's place in the schedule; `None`: a question of the opening.
    index: Option<usize>,
    request: Request,
    target: Target,
    picked: Steady,
    /// How often a command for it, and the request itself, was not carried out.
    failed: u8,
    retried: u8,
    pleaded: bool,
}

/// The requests of one adapter.
#[derive(Clone, Debug)]
pub(super) struct Requests {
    bus: Bus,
    protocol: Protocol,
    polls: Vec<Poll>,
    /// Whether a run opens with questions of its own, and the vehicle number among them.
    opens: Option<bool>,
    opening: Opening,
    schedule: Schedule,
    pub gate: Gate,
    open: Option<Open>,
    header: Option<CanId>,
    filter: Filter,
    filter_refused: bool,
    shown: Shown,
    /// Whether the adapter is still to be told to show no identifiers.
    hide: bool,
    /// Whether it took the setting to show identifiers without showing them.
    liar: bool,
    /// Whether an identifier was seen since it was set up, and replies in a row without.
    identified: bool,
    without: u8,
    waiting: Waiting,
}

impl Requests {
    pub fn new(bus: Bus, protocol: Protocol, polls: Vec<Poll>) -> Self {
        Self {
            bus,
            protocol,
            opens: None,
            opening: Opening::default(),
            schedule: Schedule::new(polls.clone()),
            polls,
            gate: Gate::new(true),
            open: None,
            header: None,
            filter: Filter::Unknown,
            filter_refused: false,
            shown: with_identifiers(protocol),
            hide: false,
            liar: false,
            identified: false,
            without: 0,
            waiting: Waiting::default(),
        }
    }

    /// Asks what opens a run before any poll: which quantities the ECUs know, and the vehicle number where that is wanted.
    pub fn open_with(&mut self, vehicle_number: bool) {
        self.opens = Some(vehicle_number);
        self.open_run();
    }

    fn open_run(&mut self) {
        let wide = self.protocol.is_29_bits();
        let opens = self.opens.map(|vehicle_number| Opening::of_width(&self.polls, vehicle_number, wide));
        self.opening = opens.unwrap_or_default();
    }

    /// The port was opened anew: perhaps another adapter hangs there.
    pub fn opened(&mut self, now: Steady) {
        self.abandon(now);
        self.gate.down();
        (self.liar, self.filter_refused) = (false, false);
    }

    /// A new run begins: errors of the bus and what was asked in vain are forgotten.
    pub fn new_run(&mut self, out: &mut Out) {
        self.open = None;
        self.schedule = Schedule::new(self.polls.clone());
        self.open_run();
        self.gate = Gate::new(true);
        self.waiting.new_run();
        self.bar(out);
    }

    /// All settings are made: listening time begins.
    pub fn set_up(&mut self, now: Steady, headers: bool, adaptive: bool, out: &mut Out) {
        self.shown = if headers && !self.liar { with_identifiers(self.protocol) } else { Shown::DataOnly };
        (self.header, self.filter, self.identified, self.without) = (None, Filter::Unknown, false, 0);
        self.hide = self.shown == Shown::DataOnly;
        self.waiting.set_up(adaptive);
        self.gate.up(now);
        self.bar(out);
    }

    /// The settings are lost: nothing is asked until they are made again.
    pub fn lost(&mut self, now: Steady) {
        self.abandon(now);
        self.gate.down();
    }

    /// The request under way will get no reply.
    fn abandon(&mut self, now: Steady) {
        if let Some(open) = self.open.take() {
            match open.index {
                Some(index) => self.schedule.ended(index, open.picked, now, Ending::Silent),
                None => self.opening.ended(Some(Ending::Silent)),
            }
        }
    }

    /// The request under way has ended.
    fn ended(&mut self, open: &Open, now: Steady, ending: Ending, out: &mut Out) {
        self.open = None;
        match open.index {
            Some(index) => self.schedule.ended(index, open.picked, now, ending),
            None => self.opening.ended(Some(ending)),
        }
        for lacking in self.opening.lacking() {
            self.schedule.unsupported(lacking.index);
            let poll = self.schedule.poll(lacking.index).map(|poll| poll.name.clone()).unwrap_or_default();
            out.trouble_once(unsupported(&poll, &lacking.elsewhere));
        }
    }

    pub fn is_open(&self) -> bool {
        self.open.is_some()
    }

    pub fn report(&self, now: Steady) -> (Vec<PollReport>, Option<Closed>) {
        (self.schedule.report(now), self.gate.check(now).err())
    }

    /// Never asks what this adapter can't ask or whose answer it can't attribute, and says so.
    fn bar(&mut self, out: &mut Out) {
        if self.shown == Shown::DataOnly {
            // Every ECU may answer, and it would not be known which did.
            self.opening = Opening::default();
        }
        for (index, poll) in self.polls.iter().enumerate() {
            let target = &poll.target;
            let wide = matches!(target.asked(), CanId::Extended(_));
            let why = if target.extension().is_some() {
                "an adapter can't send its address byte"
            } else if wide != self.protocol.is_29_bits() {
                "its identifier has another width than the adapter's protocol"
            } else if self.shown == Shown::DataOnly && !is_attributable(target, self.filter_refused) {
                "several ECUs may answer, and this adapter does not show which; name one request and response id"
            } else {
                continue;
            };
            self.schedule.bar(index);
            out.trouble_once(format!("poll {} is not asked: {why}", poll.name));
        }
    }

    /// The next command, if anything is to be asked now.
    pub fn next(&mut self, now: Steady, permission: Permission) -> Option<Command> {
        if self.gate.check(now).is_err() || matches!(permission, Permission::Denied(_)) {
            self.abandon(now);
            return None;
        }
        if self.hide {
            return Some(Command::fixed(Fixed::HeadersOff));
        }
        if self.open.is_none() {
            let (index, request, target) = match self.opening.next() {
                Some((request, target)) => (None, request, target),
                None => {
                    let index = self.schedule.pick(now, permission)?;
                    let poll = self.schedule.poll(index)?;
                    (Some(index), poll.request, poll.target)
                }
            };
            self.open = Some(Open { index, request, target, picked: now, failed: 0, retried: 0, pleaded: false });
        }
        let open = self.open?;
        if self.header != Some(open.target.asked()) {
            return Some(Command::header(&open.target));
        }
        let filter = open.target.only_answer().map_or(Filter::All, Filter::Only);
        if self.filter != filter && !self.filter_refused {
            let all = Command::fixed(Fixed::ReceiveAll);
            return Some(Command::receive_from(&open.target).unwrap_or(all));
        }
        let settings = open.index.and_then(|index| self.waiting.command(index));
        Some(settings.unwrap_or(Command::request(open.request)))
    }

    /// Takes the reply to a command that [`Self::next`] gave.
    pub fn finished(
        &mut self,
        now: Steady,
        command: Command,
        asked: Steady,
        lines: &[(Steady, Line)],
        out: &mut Out,
    ) -> After {
        if command.as_fixed() == Some(Fixed::HeadersOff) {
            // Refused or not: no identifiers come.
            self.hide = false;
            return After::Nothing;
        }
        let taken = lines.last().is_some_and(|(_, line)| *line == Line::Done);
        let Some(open) = self.open else { return After::Nothing };
        if command.as_request() == Some(&open.request) {
            return self.replied(now, open, asked, lines, out);
        }
        if command.as_request().is_some() {
            return After::Nothing;
        }
        if taken {
            self.took(command, open);
            return After::Nothing;
        }
        let failed = open.failed + 1;
        if let Some(open) = &mut self.open {
            open.failed = failed;
        }
        if failed < TRIES {
            return if lines.is_empty() { After::Doubt } else { After::Nothing };
        }
        if let Some(open) = &mut self.open {
            open.failed = 0;
        }
        self.refused(now, command, open, out);
        After::Nothing
    }

    fn took(&mut self, command: Command, open: Open) {
        if command == Command::header(&open.target) {
            self.header = Some(open.target.asked());
        } else if !self.wait_answered(open, command, true) {
            self.filter = open.target.only_answer().map_or(Filter::All, Filter::Only);
        }
        if let Some(open) = &mut self.open {
            open.failed = 0;
        }
    }

    /// Whether a command was about waiting, which questions of the opening leave as it is.
    fn wait_answered(&mut self, open: Open, command: Command, taken: bool) -> bool {
        open.index.is_some_and(|index| self.waiting.answered_setting(index, command, taken))
    }

    fn refused(&mut self, now: Steady, command: Command, open: Open, out: &mut Out) {
        if command == Command::header(&open.target) {
            match open.index {
                Some(index) => {
                    self.schedule.bar(index);
                    self.abandon(now);
                }
                None => (self.open, self.opening) = (None, Opening::default()),
            }
            let asked = text(open.target.asked());
            out.trouble_once(format!("the adapter refuses to ask {asked} ({command}); it is not asked"));
            return;
        }
        out.count_once(format!("setting refused: {command}"));
        if !self.wait_answered(open, command, false) {
            self.filter_refused = true;
            self.bar(out);
            if self.shown == Shown::DataOnly && !is_attributable(&open.target, true) {
                self.abandon(now);
            }
        }
    }

    fn replied(&mut self, now: Steady, open: Open, asked: Steady, lines: &[(Steady, Line)], out: &mut Out) -> After {
        let error = |wanted| lines.iter().any(|(_, line)| *line == Line::Error(wanted));
        let data: Vec<(Steady, &str)> = lines
            .iter()
            .filter_map(|(at, line)| if let Line::Data(data) = line { Some((*at, &**data)) } else { None })
            .collect();
        let interrupted = lines.is_empty() || error(AdapterError::Stopped);
        if interrupted || data.is_empty() && error(AdapterError::NotUnderstood) {
            return self.again(now, open, if interrupted { After::Doubt } else { After::Nothing });
        }
        let words = lines.iter().filter(|(_, line)| matches!(line, Line::Words(_) | Line::Done)).count();
        out.count("words amid a reply", words as u64);
        let (messages, faults) = assemble(data.iter().map(|(_, line)| *line), self.shown);
        for fault in &faults {
            out.count(&format!("reply: {fault}"), 1);
        }
        let headless = faults.contains(&LineFault::NoIdentifier) || data.iter().any(|(_, line)| line.contains(':'));
        let after = self.identifiers(messages.is_empty() && headless, !messages.is_empty(), out);
        let mut best = Best { ending: Ending::Silent, pending: false, other: false };
        for message in &messages {
            let at = data.get(message.line).map_or(now, |(at, _)| *at);
            self.message(at, &open, message, &mut best, out);
        }
        let Some(index) = open.index else {
            self.ended(&open, now, best.ending, out);
            return after;
        };
        match best.ending {
            Ending::Silent if best.pending && !open.pleaded => {
                self.waiting.pleaded(index);
                if let Some(open) = &mut self.open {
                    open.pleaded = true;
                }
                return after;
            }
            Ending::Silent => {
                out.count(&format!("request {} not answered", open.request), 1);
                self.waiting.silent(index);
            }
            _ => self.waiting.answered(index, asked, data.iter().map(|(at, _)| *at)),
        }
        self.ended(&open, now, best.ending, out);
        // A reply to another question may mean that all replies come one behind.
        if after == After::Nothing && best.other && best.ending == Ending::Silent { After::Doubt } else { after }
    }

    /// The adapter did not carry the request out: once more, unless that was tried enough.
    fn again(&mut self, now: Steady, open: Open, after: After) -> After {
        if open.retried >= RETRIES {
            self.abandon(now);
        } else if let Some(open) = &mut self.open {
            open.retried += 1;
        }
        after
    }

    /// Whether identifiers are where they were asked for.
    fn identifiers(&mut self, headless: bool, sound: bool, out: &mut Out) -> After {
        if self.shown == Shown::DataOnly {
            return After::Nothing;
        }
        if sound {
            (self.identified, self.without) = (true, 0);
        } else if headless {
            self.without += 1;
        }
        if self.without < WITHOUT_MAX {
            return After::Nothing;
        }
        self.without = 0;
        if self.identified {
            // They were there: it must have been reset unnoticed.
            out.count("settings lost unnoticed", 1);
            return After::SetUp;
        }
        out.trouble_once(
            "the adapter took the setting to show identifiers and does not; replies are read without them".to_owned(),
        );
        self.shown = Shown::DataOnly;
        (self.hide, self.liar) = (true, true);
        self.bar(out);
        After::Nothing
    }

    fn message(&mut self, at: Steady, open: &Open, message: &Message, best: &mut Best, out: &mut Out) {
        let from = match message.from {
            Some(from) if open.target.is_answered_by(from) => from,
            Some(_) => return out.count("reply of an identifier that was not asked", 1),
            None => match open.target.only_answer() {
                Some(only) => only,
                None => return out.count("reply whose sender the adapter does not show", 1),
            },
        };
        match answer(&open.request, &message.bytes) {
            Answer::Positive(data) => {
                best.ending = Ending::Answered;
                if open.index.is_none() {
                    self.opening.answered(from, data);
                }
                let reply =
                    Reply { bus: self.bus, from, request: open.request.bytes(), payload: message.bytes.clone() };
                out.batch.rest.push(Stamped { at, item: Item::Reply(reply) });
            }
            Answer::Negative(code) => {
                if best.ending == Ending::Silent {
                    best.ending = Ending::Refused(code);
                }
                out.count(&format!("request {} refused: {code}", open.request), 1);
            }
            Answer::Pending => {
                best.pending = true;
                out.count(&format!("request {}: the ECU asks for time", open.request), 1);
            }
            Answer::Other => {
                best.other = true;
                out.count("message that answers nothing asked", 1);
            }
        }
    }
}

/// The best that came of a request.
struct Best {
    ending: Ending,
    pending: bool,
    other: bool,
}

fn with_identifiers(protocol: Protocol) -> Shown {
    if protocol.is_29_bits() { Shown::Identifier29 } else { Shown::Identifier11 }
}

/// Whether a reply without identifier is certain to be the target's.
fn is_attributable(target: &Target, filter_refused: bool) -> bool {
    target.only_answer().is_some() && !(target.is_functional() && filter_refused)
}
