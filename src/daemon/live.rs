//! The loop of a drive: what the sources hand on is put in order and recorded, what is known of the car goes back to them.
//!
//! Reads the clock to pace, to sync and to anchor, never to stamp an observation.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::anchors::Anchors;
use super::status::{Status, StatusSocket};
use super::supervise::Supervised;
use super::{Config, told};
use crate::diag::permission::{CarState, Permission};
use crate::document::Fault;
use crate::ledger::Phase;
use crate::observation::{Batch, BusNames, Item, Stamped};
use crate::quantity::Volt;
use crate::schema::Role;
use crate::source::live::{Car, Live, Shared};
use crate::source::merge::WINDOW;
use crate::source::{Clock, Merge};
use crate::store::run_file::LiveSource;
use crate::store::session::Session;
use crate::time::{Span, Steady};

/// How long observations gather before they are recorded.
const LOOK_EVERY: Span = Span::of_millis(50);
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
    session: Session,
    shared: Arc<Shared>,
    sources: Supervised,
    status: Option<StatusSocket>,
    names: BusNames,
    merge: Merge,
    anchors: Anchors,
    synced: Steady,
    told: Steady,
    supply: Option<(Steady, f64)>,
    permission: Permission,
    ended: usize,
    /// The run that `at_begin` belongs to, and how the sources fared when it began.
    begun: u64,
    at_begin: Vec<(String, LiveSource)>,
    latest: Vec<(String, LiveSource)>,
}

impl<'a> Drive<'a> {
    /// Starts the sources. `names` holds every bus by the number that its source was given.
    ///
    /// # Errors
    /// If a thread or the status socket can't be had.
    pub fn begin(
        config: &'a Config,
        session: Session,
        sources: Vec<(String, Box<dyn Live>)>,
        names: BusNames,
        clock: Arc<dyn Clock>,
    ) -> Result<Self, Fault> {
        let status = config.status_socket.as_deref().map(StatusSocket::open).transpose()?;
        let shared = Arc::new(Shared::new(clock));
        let now = shared.clock.now();
        Ok(Self {
            config,
            session,
            sources: Supervised::start(sources, &shared)?,
            shared,
            status,
            names,
            merge: Merge::live(),
            anchors: Anchors::default(),
            synced: now,
            told: Steady(i64::MIN),
            supply: None,
            permission: Permission::judge(&config.polling.rules, &CarState::default()),
            ended: 0,
            begun: 0,
            at_begin: Vec::new(),
            latest: Vec::new(),
        })
    }

    /// Records until told to stop; hands back the session, nothing of what was observed still on its way.
    ///
    /// # Errors
    /// If what was observed can't be kept.
    pub fn record(mut self, stop: &AtomicBool) -> Result<Session, Fault> {
        let (mut arrived, mut ready) = (Batch::default(), Batch::default());
        while !stop.load(Ordering::Relaxed) {
            let now = self.shared.clock.now();
            self.gather(now, &mut arrived);
            let limit = now - WINDOW;
            self.merge.ready_before(limit, &mut ready);
            self.keep(&mut ready)?;
            self.session.tick(limit)?;
            self.look_at_the_car(now);
            self.sync(now)?;
            self.tell(now);
            self.shared.clock.wait(LOOK_EVERY);
        }
        self.sources.stop();
        self.gather(self.shared.clock.now(), &mut arrived);
        self.merge.finish(&mut ready);
        self.keep(&mut ready)?;
        self.told = Steady(i64::MIN);
        self.tell(self.shared.clock.now());
        Ok(self.session)
    }

    /// Takes what has arrived into the merge.
    fn gather(&mut self, now: Steady, arrived: &mut Batch) {
        let anchor = self.anchors.look(now, self.shared.clock.wall());
        self.shared.queue.take(arrived);
        arrived.rest.extend(anchor);
        self.merge.push(arrived, &self.names);
        let late = self.merge.take_late();
        if late > 0 {
            let text = format!("{late} observations came more than {} ms late", WINDOW.0 / 1_000);
            tracing::warn!("{text}");
            arrived.rest.push(Stamped { at: now, item: Item::Trouble(text) });
            self.merge.push(arrived, &self.names);
        }
    }

    fn keep(&mut self, ready: &mut Batch) -> Result<(), Fault> {
        if ready.is_empty() {
            return Ok(());
        }
        for stamped in &ready.rest {
            if let Item::Supply(volt) = stamped.item {
                self.supply = Some((stamped.at, volt));
            }
        }
        self.session.take(ready, &self.names)?;
        ready.clear();
        Ok(())
    }

    /// What is known of the car, and what follows for those who may ask it.
    fn look_at_the_car(&mut self, now: Steady) {
        let latest = self.session.recorder().and_then(|recorder| recorder.latest());
        let awake_for = if self.config.gateway.is_some() { AWAKE_BEHIND_GATEWAY } else { AWAKE_FOR };
        let of_the_map = latest.map(|row| row.roles[Role::SupplyVoltage as usize]).filter(|volt| volt.is_finite());
        let measured = self.supply.filter(|(at, _)| now - *at <= SUPPLY_AGE).map(|(_, volt)| volt);
        let car = CarState {
            awake: self.session.active().is_some_and(|active| now - active <= awake_for + WINDOW),
            charging: latest.is_some_and(|row| row.phase == Phase::Charge),
            supply: measured.or(of_the_map).map(Volt),
        };
        let permission = Permission::judge(&self.config.polling.rules, &car);
        if permission != self.permission {
            tracing::info!("{}", told::polling(permission));
            self.permission = permission;
        }
        self.shared.set_car(Car { permission, run: self.session.begun() });
    }

    fn sync(&mut self, now: Steady) -> Result<(), Fault> {
        if now - self.synced >= self.config.sync_every {
            self.synced = now;
            self.session.sync()?;
        }
        Ok(())
    }

    /// Renews what `run.json` and the status socket say, and tells of runs that have ended.
    fn tell(&mut self, now: Steady) {
        let ended = self.session.finished();
        ended[self.ended..].iter().for_each(|run| tracing::info!("{} is complete", run.path.display()));
        self.ended = ended.len();
        if now - self.told < TELL_EVERY {
            return;
        }
        self.told = now;
        if self.begun != self.session.begun() {
            self.begun = self.session.begun();
            self.at_begin = std::mem::take(&mut self.latest);
        }
        self.latest = self.sources.states().map(|(name, state)| (name.to_owned(), told::live_source(&state))).collect();
        self.session.made_from(told::sources(&self.latest, &self.at_begin), Vec::new());
        if let Some(socket) = &self.status {
            socket.set(&self.status_of(now));
        }
    }

    fn status_of(&self, now: Steady) -> Status {
        let quiet = self.session.active().map_or(Span(0), |active| now - active);
        Status {
            program: concat!("drawdown ", env!("CARGO_PKG_VERSION")).into(),
            vehicle: self.config.vehicle.clone(),
            utc: self.shared.clock.wall().iso(),
            run: self.session.recorder().map(|recorder| told::run(recorder, quiet)),
            polling: told::polling(self.permission),
            outside_runs: self.session.outside(),
            sources: self.latest.clone(),
        }
    }
}
