//! The loop of a drive: what the sources hand on is put in order and recorded, what is known of the car goes back to them.
//!
//! Reads the clock to pace and to anchor, never to stamp an observation. What goes wrong with keeping is the keeper's.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::anchors::Anchors;
use super::beside::{self, Beside, Rates};
use super::desk::Desk;
use super::keep::Keeper;
use super::notify::Notify;
use super::sources::Named;
use super::status::{Status, StatusSocket};
use super::supervise::Supervised;
use super::{Config, told};
use crate::diag::permission::{CarState, Permission};
use crate::document::Fault;
use crate::ledger::Phase;
use crate::map::Map;
use crate::observation::{Batch, BusNames, Item, Stamped};
use crate::quantity::Volt;
use crate::schema::Role;
use crate::source::live::{Car, Shared};
use crate::source::merge::WINDOW;
use crate::source::queue::{Dropped, Wanted};
use crate::source::{Clock, Merge};
use crate::store::run_file::LiveSource;
use crate::time::{Span, Steady};

/// How long observations gather before they are recorded: a multiple of the ticks at which sources wake, and begun at one, so
/// that the computer wakes once for both.
const LOOK_EVERY: Span = Span::of_millis(50);
/// What is waited at least between two looks.
const LOOK_LEAST: Span = Span::of_millis(10);
/// Frames recorded at a time: a stall's backlog comes in pieces, so that memory stays bounded and those who watch are told
/// between them that the loop turns.
const PIECE_FRAMES: usize = 1 << 16;
/// How often what is told of the sources is renewed.
const TELL_EVERY: Span = Span::of_seconds(1);
/// Without an unsolicited frame for this long the bus counts as asleep for requests (common practice, no source).
const AWAKE_FOR: Span = Span::of_seconds(5);
/// The same behind a gateway, where the supply voltage is read every few seconds.
const AWAKE_BEHIND_GATEWAY: Span = Span::of_seconds(15);
/// A reading of the supply voltage counts for this long.
const SUPPLY_AGE: Span = Span::of_seconds(60);

/// A drive being recorded from live sources.
pub struct Drive<'a> {
    config: &'a Config,
    keeper: Keeper,
    notify: Notify,
    shared: Arc<Shared>,
    sources: Supervised,
    status: Option<StatusSocket>,
    beside: Option<Beside>,
    rates: Rates,
    names: BusNames,
    merge: Merge,
    anchors: Anchors,
    told: Steady,
    supply: Option<(Steady, f64)>,
    permission: Permission,
    /// What the queue had no room for when that was last said.
    dropped: Dropped,
    /// The run that `at_begin` belongs to, and how the sources fared when it began.
    begun: u64,
    at_begin: Vec<(String, LiveSource)>,
    latest: Vec<(String, LiveSource)>,
}

impl<'a> Drive<'a> {
    /// Starts the sources, given with every bus by the number that its source was given.
    ///
    /// # Errors
    /// If a thread can't be had, or another daemon answers on the status socket.
    pub fn begin(
        config: &'a Config,
        map: &Map,
        keeper: Keeper,
        (sources, names): (Named, BusNames),
        clock: Arc<dyn Clock>,
        notify: Notify,
    ) -> Result<Self, Fault> {
        let status = config.status_socket.as_deref().map(StatusSocket::open).transpose()?.flatten();
        let shared = Arc::new(Shared::new(clock));
        shared.queue.want(Wanted::of(map));
        let now = shared.clock.now();
        notify.ready();
        Ok(Self {
            config,
            keeper,
            notify,
            sources: Supervised::start(sources, &shared)?,
            shared,
            status,
            beside: None,
            rates: Rates::default(),
            names,
            merge: Merge::live(),
            anchors: Anchors::default(),
            told: now - TELL_EVERY,
            supply: None,
            permission: Permission::judge(&config.polling.rules, &CarState::default()),
            dropped: Dropped::default(),
            begun: 0,
            at_begin: Vec::new(),
            latest: Vec::new(),
        })
    }

    /// With those who watch.
    pub fn with(mut self, beside: Option<Beside>) -> Self {
        if let (Some(status), Some(beside)) = (&self.status, &beside) {
            status.attend(Desk::new(beside.hub(), &self.shared.clock));
        }
        self.beside = beside;
        self
    }

    /// Records until told to stop; hands back what keeps, nothing of what was observed still on its way. Nothing that goes
    /// wrong meanwhile ends it.
    pub fn record(mut self, stop: &AtomicBool) -> Keeper {
        let (mut arrived, mut ready) = (Batch::default(), Batch::default());
        while !stop.load(Ordering::Relaxed) && !self.is_rehearsed() {
            let now = self.shared.clock.now();
            let (mut limit, mut more) = (None, false);
            // While nothing can be kept, what comes stays in the queue, which is bounded and counts.
            if self.keeper.waits().is_none() {
                let left = self.gather(now, &mut arrived);
                // What is left in the queue came after what was taken, and no earlier than a live observation may come.
                let before = left.unwrap_or(now).min(now) - WINDOW;
                self.merge.ready_before(before, &mut ready);
                self.keep(&mut ready);
                (limit, more) = (Some(before), left.is_some());
            }
            self.keeper.turn(limit);
            let awake = self.look_at_the_car(now);
            self.tell(now);
            self.look_beside(now, awake);
            self.notify.alive(now);
            if !more {
                self.shared.clock.wait(to_next_look(self.shared.clock.now()));
            }
        }
        self.notify.stopping();
        self.sources.stop();
        while let Some(latest) = self.gather(self.shared.clock.now(), &mut arrived) {
            self.merge.ready_before(latest - WINDOW, &mut ready);
            self.keep(&mut ready);
        }
        self.merge.finish(&mut ready);
        self.keep(&mut ready);
        self.told = Steady(i64::MIN);
        self.tell(self.shared.clock.now());
        self.keeper
    }

    /// Whether an invented car has come to its end, and its run with it.
    fn is_rehearsed(&self) -> bool {
        self.shared.is_over() && self.keeper.session().recorder().is_none()
    }

    /// Takes what has arrived into the merge, a piece of it if it is much: then the latest stamp of the piece.
    fn gather(&mut self, now: Steady, arrived: &mut Batch) -> Option<Steady> {
        let anchor = self.anchors.look(now, self.shared.clock.wall());
        let left = self.shared.queue.take_at_most(PIECE_FRAMES, arrived);
        if let (Some(beside), Some(anchor)) = (&mut self.beside, &anchor) {
            beside.noted_own_clock(anchor);
        }
        arrived.rest.extend(anchor);
        self.merge.push(arrived, &self.names);
        self.say_dropped();
        let late = self.merge.take_late();
        if late > 0 {
            let text = format!("{late} observations came more than {} ms late", WINDOW.0 / 1_000);
            tracing::warn!("{text}");
            arrived.rest.push(Stamped { at: now, item: Item::Trouble(text) });
            self.merge.push(arrived, &self.names);
        }
        left
    }

    /// What the queue had no room for is said in the run.
    fn say_dropped(&mut self) {
        let (_, dropped) = self.shared.queue.report();
        if dropped != self.dropped {
            let text = told::dropped(&self.dropped, &dropped);
            self.dropped = dropped;
            self.keeper.trouble(text);
        }
    }

    fn keep(&mut self, ready: &mut Batch) {
        for stamped in &ready.rest {
            if let Item::Supply(volt) = stamped.item {
                self.supply = Some((stamped.at, volt));
            }
        }
        if let Some(beside) = &mut self.beside {
            beside.will_keep(ready);
        }
        self.keeper.take(ready, &self.names);
        if let Some(beside) = &mut self.beside {
            beside.kept(self.shared.clock.now(), &self.keeper);
        }
    }

    /// Hands on to those who watch what is known, and takes what they ask for.
    fn look_beside(&mut self, now: Steady, awake: bool) {
        let Some(beside) = &mut self.beside else { return };
        let mut marks = Batch { rest: beside.take_marks(), ..Batch::default() };
        // What lies further back than the merge can put in its place would be told as late.
        marks.rest.iter_mut().for_each(|mark| mark.at = mark.at.max(now - Span(WINDOW.0 / 2)));
        if !marks.is_empty() {
            self.shared.queue.push(&mut marks);
        }
        let world = beside::Now { at: now, kept_until: now, awake, keeper: &self.keeper };
        let (rates, sources) = (&mut self.rates, &self.sources);
        beside.turn(&world, || {
            sources.states().map(|(name, state)| told::source_now(name, &state, now, rates)).collect()
        });
        if let (Some(_), Some(moment)) = (super::invented::speed(self.config), beside.hub().newest()) {
            let advice = moment.picture.advice.as_ref().zip(moment.course.as_ref());
            self.shared.set_order(advice.and_then(|(advice, course)| super::invented::order_of(advice, course)));
        }
    }

    /// What is known of the car, and what follows for those who may ask it; whether it is awake.
    fn look_at_the_car(&mut self, now: Steady) -> bool {
        let latest = self.keeper.session().recorder().and_then(|recorder| recorder.latest());
        let awake_for = if self.config.gateway.is_some() { AWAKE_BEHIND_GATEWAY } else { AWAKE_FOR };
        let of_the_map = latest.map(|row| row.roles[Role::SupplyVoltage as usize]).filter(|volt| volt.is_finite());
        let measured = self.supply.filter(|(at, _)| now - *at <= SUPPLY_AGE).map(|(_, volt)| volt);
        let car = CarState {
            awake: self.keeper.session().active().is_some_and(|active| now - active <= awake_for + WINDOW),
            charging: latest.is_some_and(|row| row.phase == Phase::Charge),
            supply: measured.or(of_the_map).map(Volt),
        };
        let permission = Permission::judge(&self.config.polling.rules, &car);
        if permission != self.permission {
            tracing::info!("{}", told::polling(permission));
            self.permission = permission;
        }
        self.shared.set_car(Car { permission, run: self.keeper.session().begun() });
        car.awake
    }

    /// Renews what `run.json`, the status socket and the service manager say.
    fn tell(&mut self, now: Steady) {
        if now - self.told < TELL_EVERY {
            return;
        }
        self.told = now;
        let begun = self.keeper.session().begun();
        if self.begun != begun {
            self.begun = begun;
            self.at_begin = std::mem::take(&mut self.latest);
        }
        self.latest = self.sources.states().map(|(name, state)| (name.to_owned(), told::live_source(&state))).collect();
        self.keeper.made_from(told::sources(&self.latest, &self.at_begin), Vec::new());
        let status = self.status_of(now);
        self.notify.status(told::in_a_line(&status));
        if let Some(socket) = &self.status {
            socket.set(&status);
        }
    }

    fn status_of(&self, now: Steady) -> Status {
        let session = self.keeper.session();
        let quiet = session.active().map_or(Span(0), |active| now - active);
        let (held, dropped) = self.shared.queue.report();
        Status {
            program: concat!("drawdown ", env!("CARGO_PKG_VERSION")).into(),
            vehicle: self.config.vehicle.clone(),
            utc: self.shared.clock.wall().iso(),
            run: session.recorder().map(|recorder| told::run(recorder, quiet)),
            polling: told::polling(self.permission),
            outside_runs: session.outside(),
            keeping: told::keeping(&self.keeper, held, &dropped),
            sources: self.latest.clone(),
        }
    }
}

/// How long it is to the next look, or to the one after it where that is at once: a clock that stands still must not be spun on.
fn to_next_look(now: Steady) -> Span {
    let left = Span(LOOK_EVERY.0 - now.0.rem_euclid(LOOK_EVERY.0));
    if left < LOOK_LEAST { left + LOOK_EVERY } else { left }
}

#[cfg(test)]
mod tests;
