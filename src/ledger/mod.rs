//! The running integrals: energy out, energy in, charge, distance, time, time unobserved.
//!
//! Does no input or output; never fills a gap (reduce does). `docs/ledger.md` is the method in a page.
//!
//! Samples come in time order and wait in one queue. What lies between two samples of a signal is known when the second
//! is there, or when it has stayed away for too long; the engine takes a sample from the queue when every integrated
//! signal is known up to it and no sample of its moment can still come. So the figures depend on the samples and their
//! stamps alone: not on batches, not on when rows are drained, not on the order within one microsecond.

mod books;
mod distance;
mod engine;
mod gap;
mod pack;
mod phase;
mod row;
mod sum;
mod trace;
mod track;

#[cfg(test)]
mod tests;

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

pub use books::PhaseSums;
pub use gap::{Gap, GapOf, GapSide};
pub use row::{Phase, Sums, TraceRow};
pub use sum::Sum;

use engine::Engine;
use gap::Gaps;
use track::{Arrival, Event, Link, Rhythm};

use crate::map::{Map, Sent};
use crate::schema::role::RoleSlot;
use crate::time::RunTime;

/// A value beyond this, in base units, measures nothing of a car; it is ignored like one that is not finite, so that no
/// product overflows.
const VALUE_MAX: f64 = 1e15;
/// Run time beyond this (100 days, us) counts as this, so that a mad stamp asks for no endless row of rows.
const TIME_MAX: i64 = 100 * 86_400 * 1_000_000;
/// More rows than this between two samples are made when they are drained, not kept.
const ROWS_KEPT: i64 = 600;

/// A role that the ledger is fed with.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct LedgerRole {
    /// Which.
    pub slot: RoleSlot,
    /// Whether its silence means anything.
    pub sent: Sent,
}

/// The rows of a long silence: the engine as it was at its start, and the last row's moment, us.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Silence {
    engine: Box<Engine>,
    until: i64,
}

/// Rows on their way out.
#[derive(Clone, Debug, Serialize, Deserialize)]
enum Outgoing {
    Rows(VecDeque<TraceRow>),
    Silence(Silence),
}

/// What was seen of a role.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct RoleSeen {
    /// Which.
    pub slot: RoleSlot,
    /// Samples taken.
    pub samples: u64,
    /// The first sample's moment.
    pub first: Option<RunTime>,
    /// The last sample's moment.
    pub last: Option<RunTime>,
    /// The median period over the last 64 intervals, s.
    pub period_s: Option<f64>,
    /// Silences longer than the allowed age.
    pub gaps: u64,
}

/// What was seen of the roles.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Observed {
    /// Each role, in the order given to [`Ledger::new`].
    pub roles: Vec<RoleSeen>,
    /// Values that were not finite, or absurdly large, and were ignored.
    pub ignored: u64,
    /// Gaps beyond the 10,000 that are listed.
    pub gaps_unlisted: u64,
}

/// The running integrals of one run.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Ledger {
    /// The roles' slots; a slot's place is its track. Two more tracks hold the position.
    slots: Vec<RoleSlot>,
    rhythms: Vec<Rhythm>,
    /// The latest moment said, us.
    now: i64,
    ended: bool,
    ignored: u64,
    /// Samples that wait.
    queue: VecDeque<Event>,
    /// How many have left it.
    taken: u64,
    engine: Engine,
    gaps: Gaps,
    /// Rows before those in `engine.rows`.
    outgoing: VecDeque<Outgoing>,
}

impl Ledger {
    /// At a run's start, for the roles of a map in their order: a role's index is the map's.
    pub fn for_map(map: &Map) -> Self {
        let roles: Vec<LedgerRole> =
            map.roles.iter().map(|role| LedgerRole { slot: role.slot, sent: role.sent }).collect();
        Self::new(&roles)
    }

    /// At a run's start. A slot given twice counts where it stands first; roles past the 250th are ignored.
    pub fn new(roles: &[LedgerRole]) -> Self {
        let (slots, mut sent): (Vec<RoleSlot>, Vec<Sent>) =
            roles.iter().take(250).map(|role| (role.slot, role.sent)).unzip();
        sent.extend([Sent::Cyclic; 2]);
        let engine = Engine::new(&slots, &sent);
        let mut gaps = Gaps::default();
        engine.begin_gaps(&mut gaps);
        let rhythms =
            sent.iter().enumerate().map(|(track, sent)| Rhythm::new(*sent, engine.integrates(track))).collect();
        Self {
            slots,
            rhythms,
            now: 0,
            ended: false,
            ignored: 0,
            queue: VecDeque::new(),
            taken: 0,
            engine,
            gaps,
            outgoing: VecDeque::new(),
        }
    }

    /// A sample of a role, by its index in [`Self::new`]'s slice, in base units.
    ///
    /// `at` never decreases over all calls; if it does, the latest moment said counts. A value that is not finite, and
    /// one of an unknown role, is ignored. Of two samples of a role with one stamp the later call counts.
    #[inline]
    pub fn sample(&mut self, role: usize, at: RunTime, value: f64) {
        if role >= self.slots.len() || self.ended {
            return;
        }
        if value.abs() <= VALUE_MAX {
            self.put(role, at.0, value);
            self.run();
        } else {
            self.ignored += 1;
        }
    }

    /// A fix, in degrees.
    pub fn position(&mut self, at: RunTime, latitude_deg: f64, longitude_deg: f64) {
        if latitude_deg.abs() <= VALUE_MAX && longitude_deg.abs() <= VALUE_MAX && !self.ended {
            self.put(self.slots.len(), at.0, latitude_deg);
            self.put(self.slots.len() + 1, at.0, longitude_deg);
            self.run();
        }
    }

    /// Run time has reached `at`: no later call says an earlier moment.
    ///
    /// Need not be called. It changes no figure, but lets a silence become certain, and its rows come out, while it lasts.
    pub fn reach(&mut self, at: RunTime) {
        if !self.ended {
            self.advance(at.0);
            self.run();
        }
    }

    /// The run ends; the last row of the trace stands here. Later calls but reading ones do nothing.
    pub fn finish(&mut self, end: RunTime) {
        if self.ended {
            return;
        }
        self.advance(end.0);
        self.ended = true;
        self.run();
        // Signals still open at the last sample are unobserved from there on.
        self.engine.settle(&mut self.rhythms, self.now, true, &mut self.gaps);
        self.engine.ask_expiries(&mut self.rhythms, self.now);
        self.engine.finish(self.now);
        self.gaps.end_all(RunTime(self.now));
    }

    /// Hands over the rows that are certain, in time order. Call it often: rows wait in memory.
    pub fn drain_trace(&mut self, mut each: impl FnMut(&TraceRow)) {
        for outgoing in self.outgoing.drain(..) {
            match outgoing {
                Outgoing::Rows(rows) => rows.iter().for_each(&mut each),
                Outgoing::Silence(Silence { mut engine, until }) => {
                    while engine.grid <= until {
                        engine.step();
                        engine.rows.drain(..).for_each(|row| each(&row));
                    }
                }
            }
        }
        self.engine.rows.drain(..).for_each(|row| each(&row));
    }

    /// The sums as far as they are certain; after [`Self::finish`], the whole run's.
    pub fn sums(&self) -> Sums {
        self.engine.sums()
    }

    /// The sums of drive, stand and charge, by [`Phase`] as index.
    pub fn by_phase(&self) -> [PhaseSums; 3] {
        self.engine.by_phase()
    }

    /// The gaps that have ended, in the order in which they did; after [`Self::finish`], all.
    pub fn gaps(&self) -> &[Gap] {
        &self.gaps.list
    }

    /// What was seen of the roles.
    pub fn observed(&self) -> Observed {
        let seen = |(slot, rhythm): (&RoleSlot, &Rhythm)| RoleSeen {
            slot: *slot,
            samples: rhythm.samples(),
            first: rhythm.span().map(|(first, _)| RunTime(first)),
            last: rhythm.span().map(|(_, last)| RunTime(last)),
            period_s: rhythm.period_s(),
            gaps: rhythm.gaps(),
        };
        Observed {
            roles: self.slots.iter().zip(&self.rhythms).map(seen).collect(),
            ignored: self.ignored,
            gaps_unlisted: self.gaps.unlisted,
        }
    }

    #[inline]
    fn advance(&mut self, at: i64) {
        self.now = at.min(TIME_MAX).max(self.now);
    }

    /// Queues a sample and tells its predecessor what follows it.
    #[inline]
    fn put(&mut self, track: usize, at: i64, value: f64) {
        self.advance(at);
        let at = self.now;
        let Some(rhythm) = self.rhythms.get_mut(track) else { return };
        let arrival = rhythm.arrive(at);
        let place = rhythm.place;
        // Where the predecessor is still queued, it is told there; else in the engine.
        let queued = place.checked_sub(self.taken).and_then(|place| self.queue.get_mut(place as usize));
        let mut link = Link::Open;
        match (arrival, queued) {
            (Arrival::Again, queued) => {
                if let Some(event) = queued {
                    event.value = value;
                }
                return;
            }
            (Arrival::First, _) => {}
            (Arrival::Held, _) => link = Link::Held,
            (Arrival::Linked, Some(event)) => {
                (event.end, event.end_value, event.link) = (at, value, Link::Linear);
            }
            (Arrival::Linked, None) => self.engine.join(track, at, value),
            (Arrival::Gap(expires), Some(event)) => (event.end, event.link) = (expires, Link::Gap),
            (Arrival::Gap(expires), None) => self.engine.part(track, expires),
        }
        if arrival == Arrival::First && rhythm.held() {
            link = Link::Held;
        }
        rhythm.place = self.taken + self.queue.len() as u64;
        self.queue.push_back(Event { at, value, end: 0, end_value: 0.0, track: track as u16, link });
    }

    /// Moves the engine on as far as everything is known.
    #[inline]
    fn run(&mut self) {
        if !self.ended && self.engine.waits(self.now) {
            return;
        }
        // Samples of the present moment may still come, unless the run has ended.
        let limit = if self.ended { self.now } else { self.now - 1 };
        loop {
            let next = self.queue.front().map_or(i64::MAX, |event| event.at);
            let stop = next.min(self.engine.grid);
            if stop > limit {
                return;
            }
            if stop > self.engine.at
                && self.engine.attention()
                && (!self.ended && self.engine.waits(self.now)
                    || !self.engine.settle(&mut self.rhythms, self.now, self.ended, &mut self.gaps))
            {
                return;
            }
            if next == stop {
                self.take();
            } else {
                self.pass_rows(next.min(limit));
            }
        }
    }

    #[inline]
    fn take(&mut self) {
        let Some(event) = self.queue.pop_front() else { return };
        self.taken += 1;
        self.engine.take(&event);
        if self.gaps.completing()
            && let Some(slot) = self.slots.get(usize::from(event.track))
        {
            self.gaps.complete(*slot, RunTime(event.at), event.value);
        }
    }

    /// Makes the next row; of a long silence, all rows before `until`, us, which are not kept but made again when drained.
    fn pass_rows(&mut self, until: i64) {
        self.engine.ask_expiries(&mut self.rhythms, self.engine.grid);
        let last = (until - 1) / trace::GRID * trace::GRID;
        if (last - self.engine.grid) / trace::GRID < ROWS_KEPT || self.engine.attention() {
            return self.engine.step();
        }
        self.engine.ask_expiries(&mut self.rhythms, i64::MAX);
        if !self.engine.rows.is_empty() {
            self.outgoing.push_back(Outgoing::Rows(std::mem::take(&mut self.engine.rows)));
        }
        self.outgoing.push_back(Outgoing::Silence(Silence { engine: Box::new(self.engine.clone()), until: last }));
        while self.engine.grid <= last {
            self.engine.step();
            self.engine.rows.clear();
        }
    }
}
