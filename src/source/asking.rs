//! A bus that is asked as well as heard: one [`Session`] a run, its outcomes as observations and counts.
//!
//! Between the session, which knows no clock, and the drivers of interfaces that may transmit. Opens nothing; gives out
//! nothing but [`TransmitFrame`]s, and those only while the session's gate and the car's permission allow.

use super::live::Outlet;
use crate::diag::gate::{BusEvent, Gate};

use crate::diag::target::{Heard, Rules, Target};
use crate::diag::{Outcome, Poll, Request, Session, TransmitFrame};
use crate::map::{Map, Origin, PollRequest};
use crate::observation::{Batch, Bus, Frame, Item, Stamped};
use crate::time::{Span, Steady};

/// The requests of one bus.
#[derive(Clone, Debug)]
pub struct Asking {
    bus: Bus,
    polls: Vec<Poll>,
    gateway: bool,
    session: Session,
    run: u64,
    up_since: Option<Steady>,
}

impl Asking {
    /// Asks these polls on a bus; `gateway`: the bus shows no frame until it is asked.
    pub fn new(bus: Bus, polls: Vec<Poll>, gateway: bool) -> Self {
        let session = Session::new(bus, polls.clone(), Gate::new(gateway));
        Self { bus, polls, gateway, session, run: 0, up_since: None }
    }

    /// The interface is up: listening begins.
    pub fn up(&mut self, now: Steady) {
        self.up_since = Some(now);
        self.session.gate().up(now);
    }

    /// The interface is down or gone.
    pub fn down(&mut self) {
        self.up_since = None;
        self.session.gate().down();
    }

    /// Takes a frame that was received, with its payload; what came of requests goes to `out`.
    pub fn frame(&mut self, outlet: &Outlet, frame: &Frame, payload: &[u8], out: &mut Batch) {
        let outcomes = self.session.frame(frame.at, frame, payload);
        self.hand_on(outlet, frame.at, outcomes, out);
    }

    /// Takes what an interface without error frames reports about its bus.
    pub fn note(&mut self, now: Steady, event: BusEvent) {
        self.session.gate().note(now, event);
    }

    /// The frame to send now, if any: report with [`Self::left`] when the interface has taken it.
    pub fn next(&mut self, outlet: &Outlet, out: &mut Batch) -> Option<TransmitFrame> {
        let (now, car) = (outlet.now(), outlet.car());
        if car.run != self.run {
            self.begin_run(now, car.run);
        }
        let frame = self.session.next(now, car.permission);
        let outcomes = self.session.tick(now);
        self.hand_on(outlet, now, outcomes, out);
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

    /// Puts how the polls fare into the source's state.
    pub fn report(&self, outlet: &Outlet) {
        let report = self.session.report(outlet.now());
        outlet.update(|state| {
            state.polls = report.polls;
            state.closed = report.closed;
            for (name, count) in report.faults {
                state.counts.insert(format!("requests: {name}"), count);
            }
        });
    }

    /// What an interface remembers for a run is forgotten: gate, identifiers heard, polls barred.
    fn begin_run(&mut self, now: Steady, run: u64) {
        self.run = run;
        self.session = Session::new(self.bus, self.polls.clone(), Gate::new(self.gateway));
        if self.up_since.is_some() {
            self.session.gate().up(now);
        }
    }

    fn hand_on(&self, outlet: &Outlet, at: Steady, outcomes: Vec<Outcome>, out: &mut Batch) {
        for outcome in outcomes {
            match outcome {
                Outcome::Reply(reply) => out.rest.push(Stamped { at, item: Item::Reply(reply) }),
                Outcome::Negative { request, code, .. } => {
                    outlet.count(&format!("request {request} refused: {code}"), 1)
                }
                Outcome::NoReply { request, fault: None, .. } => {
                    outlet.count(&format!("request {request} not answered"), 1)
                }
                Outcome::NoReply { request, fault: Some(fault), .. } => {
                    outlet.count(&format!("request {request} not sent: {fault}"), 1);
                }
                Outcome::Fault { fault, .. } => outlet.count(&format!("transfer: {fault}"), 1),
                Outcome::Stray { .. } => outlet.count("message that answers nothing asked", 1),
                Outcome::Barred { poll, why } => outlet.trouble(format!("{poll} is not asked in this run: {why}")),
            }
        }
    }
}

/// What the map asks on a bus, as far as it may be asked, and the name of what may not be with the reason.
///
/// A poll that names no bus is asked on the only bus that asks (`only`). Polls whose signals play a role go first.
pub fn polls(map: &Map, bus: &str, only: bool, other_identifiers: bool) -> (Vec<Poll>, Vec<String>) {
    let heard = Heard::default();
    let rules = Rules { other_identifiers, heard: &heard };
    let (mut polls, mut refused) = (Vec::new(), Vec::new());
    for (index, message) in map.messages.iter().enumerate() {
        let Origin::Poll(poll) = &message.origin else { continue };
        if !poll.bus.as_deref().map_or(only, |named| named == bus) {
            continue;
        }
        let has_role = map.roles.iter().any(|role| role.message == index);
        match one(&message.name, poll, &rules, u8::from(!has_role)) {
            Ok(poll) => polls.push(poll),
            Err(why) => refused.push(format!("poll {} can't be asked: {why}", message.name)),
        }
    }
    (polls, refused)
}

fn one(name: &str, poll: &PollRequest, rules: &Rules<'_>, priority: u8) -> Result<Poll, crate::diag::Refused> {
    Ok(Poll {
        name: name.to_owned(),
        request: Request::from_bytes(&poll.request)?,
        target: Target::new(poll.request_id, Some(poll.response_id), rules)?,
        period: Span::from_seconds(poll.period_s),
        priority,
    })
}
