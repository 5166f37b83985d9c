//! A bus that is asked as well as heard: one [`Session`] a run, its outcomes as observations and counts.
//!
//! Between the session, which knows no clock, and the drivers of interfaces that may transmit. Opens nothing; gives out
//! nothing but [`TransmitFrame`]s, and those only while the session's gate and the car's permission allow.
//!
//! A driver gives every frame that has come to [`Asking::frame`] before it calls [`Asking::next`]; sends what that gives at
//! once or drops it, never later; and never gives frames of its own.

use std::collections::BTreeMap;

use super::live::Outlet;
use crate::diag::gate::{BusEvent, Gate};
use crate::diag::j1979;
use crate::diag::target::{self, Heard, Rules, Target};
use crate::diag::{Opening, Outcome, Poll, Request, Session, TransmitFrame};
use crate::map::{Map, Origin, PollRequest};
use crate::observation::{Batch, Bus, CanId, Frame, Item, Stamped};
use crate::time::{Span, Steady};

/// The requests of one bus.
#[derive(Clone, Debug)]
pub struct Asking {
    bus: Bus,
    polls: Vec<Poll>,
    gateway: bool,
    vehicle_number: bool,
    session: Session,
    run: u64,
    up: bool,
    /// What went wrong in earlier runs, by name.
    earlier: BTreeMap<&'static str, u64>,
}

impl Asking {
    /// Asks these polls on a bus; `gateway`: the bus shows no frame until it is asked.
    pub fn new(bus: Bus, polls: Vec<Poll>, gateway: bool) -> Self {
        // Replaced when it is known which run it is for; nothing is asked before.
        let session = Session::new(bus, Vec::new(), Gate::new(gateway));
        Self { bus, polls, gateway, vehicle_number: false, session, run: 0, up: false, earlier: BTreeMap::new() }
            .opened()
    }

    /// The same, and asks for the vehicle number once a run: personal data, only where the configuration wants it.
    pub fn with_vehicle_number(self) -> Self {
        Self { vehicle_number: true, ..self }.opened()
    }

    /// The interface is up: listening begins.
    pub fn up(&mut self, now: Steady) {
        self.up = true;
        self.session.gate().up(now);
    }

    /// The interface is down or gone.
    pub fn down(&mut self) {
        self.up = false;
        self.session.gate().down();
    }

    /// Takes a frame that was received, with its payload; what came of requests goes to `out`.
    pub fn frame(&mut self, outlet: &Outlet, frame: &Frame, payload: &[u8], out: &mut Batch) {
        self.follow(outlet);
        let outcomes = self.session.frame(frame.at, frame, payload);
        hand_on(outlet, frame.at, outcomes, out);
    }

    /// Takes what an interface without error frames reports about its bus.
    pub fn note(&mut self, now: Steady, event: BusEvent) {
        self.session.gate().note(now, event);
    }

    /// The frame to send now, if any: report with [`Self::left`] when the interface has taken it.
    pub fn next(&mut self, outlet: &Outlet, out: &mut Batch) -> Option<TransmitFrame> {
        self.follow(outlet);
        let now = outlet.now();
        let frame = self.session.next(now, outlet.car().permission);
        let outcomes = self.session.tick(now);
        hand_on(outlet, now, outcomes, out);
        frame
    }

    /// The frame given last has left.
    pub fn left(&mut self, now: Steady) {
        self.session.left(now);
    }

    /// Whether a request is open, so that frames should be taken without delay.
    pub fn is_open(&self) -> bool {
        self.session.is_open()
    }

    /// Puts how the polls fare in this run into the source's state, and what went wrong since it started.
    pub fn report(&self, outlet: &Outlet) {
        let report = self.session.report(outlet.now());
        let mut faults = self.earlier.clone();
        add(&mut faults, &report.faults);
        outlet.update(|state| {
            state.polls = report.polls;
            state.closed = report.closed;
            for (name, count) in faults {
                state.counts.insert(format!("requests: {name}"), count);
            }
        });
    }

    /// In another run, what an interface remembers for a run is forgotten: gate, identifiers heard, polls barred.
    fn follow(&mut self, outlet: &Outlet) {
        let run = outlet.car().run;
        if run == self.run {
            return;
        }
        self.run = run;
        let now = outlet.now();
        add(&mut self.earlier, &self.session.report(now).faults);
        *self = self.clone().opened();
        if self.up {
            self.session.gate().up(now);
        }
    }

    /// With the session of a new run, its interface down.
    fn opened(self) -> Self {
        let session = Session::new(self.bus, self.polls.clone(), Gate::new(self.gateway));
        let session = session.opening(Opening::new(&self.polls, self.vehicle_number));
        Self { session, ..self }
    }
}

fn add(sums: &mut BTreeMap<&'static str, u64>, counts: &BTreeMap<&'static str, u64>) {
    for (name, count) in counts {
        let sum = sums.entry(name).or_default();
        *sum = sum.saturating_add(*count);
    }
}

/// Replies as observations, everything else as counts and troubles. What the session itself counts is not counted again.
fn hand_on(outlet: &Outlet, at: Steady, outcomes: Vec<Outcome>, out: &mut Batch) {
    for outcome in outcomes {
        match outcome {
            Outcome::Reply(reply) => out.rest.push(Stamped { at, item: Item::Reply(reply) }),
            Outcome::Negative { request, code, .. } => outlet.count(&format!("request {request} refused: {code}"), 1),
            Outcome::NoReply { request, fault: None, .. } => {
                outlet.count(&format!("request {request} not answered"), 1)
            }
            Outcome::NoReply { request, fault: Some(fault), .. } => {
                outlet.count(&format!("request {request} not sent: {}", fault.name()), 1);
            }
            Outcome::Fault { .. } | Outcome::Stray { .. } => {}
            Outcome::Unsupported { poll, elsewhere } => outlet.trouble(unsupported(&poll, &elsewhere)),
            Outcome::Barred { poll, why } => outlet.trouble(format!("poll {poll} is not asked in this run: {why}")),
        }
    }
}

/// What is said of a poll whose ECU does not say that it knows the quantity; `elsewhere`: who does.
pub(super) fn unsupported(poll: &str, elsewhere: &[CanId]) -> String {
    let who: Vec<String> = elsewhere.iter().copied().map(target::text).collect();
    match who[..] {
        [] => format!("poll {poll}: no ECU says that it knows it, so it is asked once in five minutes"),
        _ => {
            format!("poll {poll}: its ECU does not say that it knows it, {} does; mend response_id", who.join(" and "))
        }
    }
}

/// What the configuration opens beyond what may always be asked.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Allowed {
    /// The identifiers 600 to 7FF.
    pub other_identifiers: bool,
    /// The vehicle number, which is personal.
    pub vehicle_number: bool,
}

/// What the map asks on a bus, as far as it may be asked, and the name of what may not be with the reason.
///
/// A poll that names no bus is asked on the only bus that asks (`only`). Polls whose signals play a role go first.
pub fn polls(map: &Map, bus: &str, only: bool, other_identifiers: bool) -> (Vec<Poll>, Vec<String>) {
    polls_allowed(map, bus, only, Allowed { other_identifiers, vehicle_number: false })
}

/// The same, with all that a configuration can open.
pub fn polls_allowed(map: &Map, bus: &str, only: bool, allowed: Allowed) -> (Vec<Poll>, Vec<String>) {
    let (mut polls, mut refused) = (Vec::new(), Vec::new());
    for (index, message) in map.messages.iter().enumerate() {
        let Origin::Poll(poll) = &message.origin else { continue };
        let asked = match poll.bus.as_deref() {
            Some(named) if named != bus => continue,
            None if !only => Err("it names no bus, and several are asked; add its bus to the map".to_owned()),
            _ => {
                let has_role = map.roles.iter().any(|role| role.message == index);
                one(&message.name, poll, allowed, u8::from(!has_role))
            }
        };
        match asked {
            Ok(poll) => polls.push(poll),
            Err(why) => refused.push(format!("poll {} can't be asked: {why}", message.name)),
        }
    }
    (polls, refused)
}

fn one(name: &str, poll: &PollRequest, allowed: Allowed, priority: u8) -> Result<Poll, String> {
    let heard = Heard::default();
    let rules = Rules { other_identifiers: allowed.other_identifiers, heard: &heard };
    let request = Request::from_bytes(&poll.request).map_err(|why| why.to_string())?;
    if j1979::asks_for_vehicle_number(&request) && !allowed.vehicle_number {
        return Err("the vehicle number is personal; vehicle_number = true in the configuration allows it".to_owned());
    }
    let target = Target::new(poll.request_id, Some(poll.response_id), &rules);
    let target = match poll.extension {
        None => target,
        Some(extension) => target.and_then(|target| target.extended(extension)),
    };
    let target = target.map_err(|why| why.to_string())?;
    Ok(Poll { name: name.to_owned(), request, target, period: Span::from_seconds(poll.period_s), priority })
}

#[cfg(test)]
mod tests;
