//! The engine: everything integrated up to one moment, moved on from sample to sample and from row to row.
//!
//! It is handed samples in time order, each no sooner than what follows it is known or said to be open; the queue of
//! samples and the moment up to which all is known are its caller's.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::books::{Book, Books, Known, PhaseSums, certain};
use super::distance::Distance;
use super::gap::{GapOf, GapSide, Gaps};
use super::pack::Pack;
use super::phase::{Inflow, Mode, SUSTAINED, inflow};
use super::row::{Phase, Sums, TraceRow};
use super::trace::{GRID, Shown};
use super::track::{AGE_MIN, Event, Link, Piece, Rhythm};
use crate::map::checked::Sent;
use crate::schema::role::{Role, RoleSlot};
use crate::time::RunTime;

/// What a track is for.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
enum Job {
    /// To be shown.
    Shown,
    /// One of a pack's integrated signals.
    Pack { pack: u8, bit: u16 },
    /// The speed.
    Speed,
    /// The plug; whether its silence means anything.
    Plug { cyclic: bool },
}

const SPEED_BIT: u16 = 1 << 14;
const PLUG_BIT: u16 = 1 << 15;

/// A row whose phase is not decided yet: as standing, and the sums if it turns out to be charging.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Undecided {
    row: TraceRow,
    if_charging: Sums,
}

/// Everything integrated up to one moment.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Engine {
    /// The moment, us: every sample up to it is taken in.
    pub at: i64,
    /// The next row's moment, us.
    pub grid: i64,
    /// Rows that are certain.
    pub rows: VecDeque<TraceRow>,
    /// Integrated signals whose stretch after `at` is open, or begins or ends a gap, and the plug when it spoke.
    attention: u16,
    /// An integrated track whose stretch was open when last looked at; at first none.
    waits_for: u8,
    jobs: Vec<Job>,
    pieces: Vec<Piece>,
    /// The integrated signals of packs, by bit.
    bits: Vec<u8>,
    packs: Vec<Pack>,
    distance: Distance,
    plug: Option<u8>,
    /// The plug's last word fell silent before the car moved off: it counts no more.
    plug_void: bool,
    known: Known,
    shown: Shown,
    /// Time is counted up to here, us.
    clock: i64,
    books: Books,
    phase: Phase,
    mode: Mode,
    /// Where the phase hangs on the current: whether it flows in, and since when, us.
    flowing_in: bool,
    since: i64,
    /// While it is not decided whether the car charges: the books if it does. `books` are as if it stands.
    if_charging: Option<Box<Books>>,
    undecided: VecDeque<Undecided>,
}

impl Engine {
    /// At the run's start. `slots` are the tracks; two more, of the position, follow them.
    pub fn new(slots: &[RoleSlot], sent: &[Sent]) -> Self {
        let track =
            |role, pack| slots.iter().position(|slot| *slot == RoleSlot { role, pack }).map(|place| place as u8);
        let packs: Vec<Pack> = (0..RoleSlot::PACKS_MAX)
            .map(|number| Pack {
                number,
                voltage: track(Role::PackVoltage, number),
                current: track(Role::PackCurrent, number),
                power: track(Role::PackPower, number),
                ..Pack::default()
            })
            .filter(|pack| pack.voltage.or(pack.flow()).is_some())
            .collect();
        let distance = Distance { speed: track(Role::Speed, 0), ..Distance::default() };
        let plug = track(Role::Plug, 0);
        let known = Known {
            energy: !packs.is_empty() && packs.iter().all(Pack::measures_energy),
            charge: !packs.is_empty() && packs.iter().all(|pack| pack.current.is_some()),
            distance: distance.speed.is_some(),
        };
        let mut jobs = vec![Job::Shown; slots.len() + 2];
        let mut bits = Vec::new();
        for (index, pack) in packs.iter().enumerate() {
            for need in pack.needs() {
                jobs[usize::from(need)] = Job::Pack { pack: index as u8, bit: 1 << bits.len() };
                bits.push(need);
            }
        }
        if let Some(speed) = distance.speed {
            jobs[usize::from(speed)] = Job::Speed;
        }
        if let Some(plug) = plug {
            jobs[usize::from(plug)] = Job::Plug { cyclic: sent.get(usize::from(plug)) == Some(&Sent::Cyclic) };
        }
        let position = [slots.len() as u8, slots.len() as u8 + 1];
        let pieces = vec![Piece::NONE; jobs.len()];
        let mut engine = Self {
            at: 0,
            grid: 0,
            rows: VecDeque::new(),
            attention: 0,
            waits_for: u8::MAX,
            jobs,
            pieces,
            bits,
            packs,
            distance,
            plug,
            plug_void: false,
            known,
            shown: Shown::new(slots, position),
            clock: 0,
            books: Books::default(),
            phase: Phase::Stand,
            mode: Mode::Fixed(Phase::Stand),
            flowing_in: false,
            since: 0,
            if_charging: None,
            undecided: VecDeque::new(),
        };
        engine.choose_mode();
        engine
    }

    /// Whether a track is integrated, so that its next sample is waited for.
    pub fn integrates(&self, track: usize) -> bool {
        matches!(self.jobs.get(track), Some(Job::Pack { .. } | Job::Speed))
    }

    /// Everything unobserved at the run's start.
    pub fn begin_gaps(&self, gaps: &mut Gaps) {
        for pack in self.packs.iter().filter(|pack| pack.needs().next().is_some()) {
            gaps.begin(GapOf::Pack(pack.number), RunTime(0), GapSide::default());
        }
        if self.distance.speed.is_some() {
            gaps.begin(GapOf::Speed, RunTime(0), GapSide::default());
        }
    }

    /// Takes in a sample, no earlier than `at`.
    #[inline]
    pub fn take(&mut self, event: &Event) {
        let track = usize::from(event.track);
        let Some(job) = self.jobs.get(track).copied() else { return };
        match job {
            Job::Shown => {}
            Job::Pack { pack, bit } => {
                self.pack_to(usize::from(pack), event.at);
                self.attention |= bit;
            }
            Job::Speed => {
                self.distance_to(event.at);
                self.attention |= SPEED_BIT;
            }
            Job::Plug { .. } => self.attention |= PLUG_BIT,
        }
        self.at = event.at;
        let Some(piece) = self.pieces.get_mut(track) else { return };
        piece.start(event);
        if piece.observed() {
            self.calm(track, job);
        } else if !matches!(job, Job::Shown | Job::Plug { .. }) {
            self.waits_for = track as u8;
        }
    }

    /// A sample already taken in is followed by a linear stretch to this one.
    #[inline]
    pub fn join(&mut self, track: usize, end: i64, end_value: f64) {
        let (Some(piece), Some(job)) = (self.pieces.get_mut(track), self.jobs.get(track).copied()) else { return };
        piece.join(end, end_value);
        self.calm(track, job);
    }

    /// A sample already taken in is followed by a gap; it was fresh until `expires`.
    pub fn part(&mut self, track: usize, expires: i64) {
        if let Some(piece) = self.pieces.get_mut(track) {
            piece.part(expires);
        }
    }

    /// Drops the call for attention where the stretch ahead is observed and so was the one before: the usual case.
    #[inline]
    fn calm(&mut self, track: usize, job: Job) {
        let Some(piece) = self.pieces.get(track) else { return };
        match job {
            Job::Pack { pack, bit } => {
                if piece.observed() && self.packs.get(usize::from(pack)).is_some_and(|pack| pack.observed) {
                    self.attention &= !bit;
                }
            }
            Job::Speed => {
                let moves = self.distance.moves_in(piece);
                let settled = self.distance.observed && moves == self.distance.moving && !(moves && self.plugged());
                if piece.observed() && settled {
                    self.attention &= !SPEED_BIT;
                }
            }
            Job::Shown | Job::Plug { .. } => {}
        }
    }

    /// Whether something must be settled before time goes on.
    #[inline]
    pub fn attention(&self) -> bool {
        self.attention != 0
    }

    /// Whether it is known at a glance that the engine can't go on yet: the usual answer to a new sample.
    #[inline]
    pub fn waits(&self, now: i64) -> bool {
        let piece = self.pieces.get(usize::from(self.waits_for));
        self.attention != 0 && piece.is_some_and(|piece| piece.link == Link::Open && now - piece.at <= AGE_MIN)
    }

    /// Settles what `at` begins or ends; false where a stretch is still open. `now`: no sample before it is missing, us;
    /// `last`: none comes any more.
    pub fn settle(&mut self, rhythms: &mut [Rhythm], now: i64, last: bool, gaps: &mut Gaps) -> bool {
        let mut rest = self.attention & !PLUG_BIT;
        while rest != 0 {
            let bit = rest.trailing_zeros() as usize;
            rest &= rest - 1;
            let track = if 1 << bit == SPEED_BIT { self.distance.speed } else { self.bits.get(bit).copied() };
            let Some(track) = track.map(usize::from) else { continue };
            let (Some(piece), Some(rhythm)) = (self.pieces.get_mut(track), rhythms.get_mut(track)) else { continue };
            if piece.link != Link::Open {
                continue;
            }
            self.waits_for = track as u8;
            if !last && now - piece.at <= AGE_MIN {
                return false;
            }
            let expires = piece.at.saturating_add(rhythm.age());
            if !last && now <= expires {
                return false;
            }
            piece.part(expires);
        }
        self.turn(rhythms, gaps);
        self.attention = 0;
        true
    }

    /// At `at`, with every stretch ahead known: gaps begin and end, the phase may change.
    fn turn(&mut self, rhythms: &mut [Rhythm], gaps: &mut Gaps) {
        self.all_to(self.at);
        self.ask_expiries(rhythms, self.at);
        for index in 0..self.packs.len() {
            let pack = self.packs[index];
            let mut needs = pack.needs().peekable();
            let observed = needs.peek().is_some() && needs.all(|track| self.pieces[usize::from(track)].observed());
            if observed != pack.observed {
                self.packs[index].observed = observed;
                self.note_gap(GapOf::Pack(pack.number), observed, pack, gaps);
            }
        }
        let Some(piece) = self.distance.speed.and_then(|track| self.pieces.get(usize::from(track))) else {
            return self.choose_mode();
        };
        self.distance.moving = self.distance.moves_in(piece);
        let observed = piece.observed();
        if observed != self.distance.observed {
            self.distance.observed = observed;
            self.note_gap(GapOf::Speed, observed, self.packs.first().copied().unwrap_or_default(), gaps);
        }
        self.choose_mode();
    }

    fn note_gap(&self, what: GapOf, observed: bool, pack: Pack, gaps: &mut Gaps) {
        let side = self.side(&pack);
        if observed {
            gaps.end(what, RunTime(self.at), Some(side));
        } else {
            gaps.begin(what, RunTime(self.at), side);
        }
    }

    /// What is known at `at`.
    fn side(&self, pack: &Pack) -> GapSide {
        let row =
            self.shown.row(&self.pieces, std::slice::from_ref(pack), self.at, self.phase, self.books.sums(self.known));
        let mut side = GapSide::default();
        for info in crate::schema::role::ROLES {
            if let (Some(field), Some(value)) = (side.field(info.role), row.roles.get(info.role as usize)) {
                *field = Some(*value).filter(|value| value.is_finite());
            }
        }
        side
    }

    /// What the plug says: `None` where it never spoke.
    fn plug(&self) -> Option<bool> {
        let piece = self.pieces.get(usize::from(self.plug?))?;
        (!piece.value.is_nan()).then_some(piece.value != 0.0 && !self.plug_void)
    }

    fn plugged(&self) -> bool {
        self.plug.is_some() && self.plug() == Some(true)
    }

    /// What the phase depends on from `at` on, where everything is integrated up to.
    fn choose_mode(&mut self) {
        let moving = self.distance.speed.is_none() || self.distance.moving;
        if self.attention & PLUG_BIT != 0 {
            self.plug_void = false;
        }
        if let Some(plug) = self.plug.map(usize::from).filter(|_| self.distance.moving)
            && let (Some(Job::Plug { cyclic: true }), Some(piece)) = (self.jobs.get(plug), self.pieces.get(plug))
            && !piece.fresh(self.at)
        {
            self.plug_void = true;
        }
        let mode = Mode::of(self.plug(), moving, self.packs.iter().any(|pack| pack.flow().is_some()));
        if mode == self.mode {
            return;
        }
        self.decide(mode == Mode::Fixed(Phase::Charge));
        (self.mode, self.phase, self.flowing_in) = (mode, mode.phase(), false);
    }

    /// Integrates one pack up to `to`, us.
    #[inline]
    fn pack_to(&mut self, index: usize, to: i64) {
        if let (Mode::Fixed(_), Some(pack)) = (self.mode, self.packs.get_mut(index)) {
            let moved = pack.integrate(&self.pieces, to);
            self.books.of(self.phase).add(&moved);
        } else {
            self.all_to(to);
        }
    }

    /// Integrates the distance up to `to`, us.
    #[inline]
    fn distance_to(&mut self, to: i64) {
        if let Mode::Fixed(_) = self.mode {
            let twice = self.distance.integrate(&self.pieces, to);
            self.books.of(self.phase).add_distance(twice);
        } else {
            self.all_to(to);
        }
    }

    /// Integrates everything up to `to`, us. Where the phase hangs on the current, the stretch is cut where it turns.
    fn all_to(&mut self, to: i64) {
        let from = self.clock;
        let (start, end) = match self.mode {
            Mode::Fixed(_) => return self.integrate_all(to),
            _ if to <= from => return,
            _ => match inflow(&self.packs, &self.pieces, from, to) {
                Inflow::Between(start, end) => (start, end),
                Inflow::Unseen if self.flowing_in => (from, to),
                Inflow::Unseen => (to, to),
            },
        };
        self.stretch(false, start);
        self.stretch(true, end);
        self.stretch(false, to);
    }

    /// Integrates everything up to `to`, us, a stretch in which current flows in throughout or nowhere.
    fn stretch(&mut self, flows_in: bool, to: i64) {
        if to <= self.clock {
            return;
        }
        if flows_in != self.flowing_in {
            self.flowing_in = flows_in;
            self.since = self.clock;
            match (self.mode, flows_in) {
                (Mode::Sustained, true) => self.if_charging = Some(Box::new(self.books)),
                (Mode::AtOnce, true) => self.phase = Phase::Charge,
                (_, _) => {
                    self.decide(false);
                    self.phase = self.mode.phase();
                }
            }
        }
        self.integrate_all(to);
        if self.if_charging.is_some() && to - self.since >= SUSTAINED {
            self.decide(true);
            self.phase = Phase::Charge;
        }
    }

    /// It is decided whether the car has been charging since the current turned; the rows that waited for it go out.
    fn decide(&mut self, charging: bool) {
        let Some(books) = self.if_charging.take() else { return };
        if charging {
            self.books = *books;
        }
        self.rows.extend(self.undecided.drain(..).map(|Undecided { row, if_charging }| {
            if charging { TraceRow { phase: Phase::Charge, sums: if_charging, ..row } } else { row }
        }));
    }

    fn integrate_all(&mut self, to: i64) {
        for index in 0..self.packs.len() {
            let moved = self.packs[index].integrate(&self.pieces, to);
            self.book(|book| book.add(&moved));
        }
        let twice = self.distance.integrate(&self.pieces, to);
        let time = to - self.clock;
        let unseen = self.packs.iter().any(|pack| !pack.observed && pack.needs().next().is_some());
        self.clock = to;
        self.book(|book| {
            book.add_distance(twice);
            book.time += time;
            book.unobserved += if unseen { time } else { 0 };
        });
    }

    fn book(&mut self, enter: impl Fn(&mut Book)) {
        enter(self.books.of(self.phase));
        if let Some(books) = &mut self.if_charging {
            enter(books.of(Phase::Charge));
        }
    }

    /// Asks how long samples without a successor stay fresh, where a row at `at`, us, may find them stale.
    pub fn ask_expiries(&mut self, rhythms: &mut [Rhythm], at: i64) {
        for (piece, rhythm) in self.pieces.iter_mut().zip(rhythms) {
            if at - piece.at > AGE_MIN {
                piece.settle_expiry(rhythm);
            }
        }
    }

    /// Moves on to the next row's moment and makes the row. [`Self::ask_expiries`] comes first.
    pub fn step(&mut self) {
        self.row_at(self.grid);
        self.grid = self.grid.saturating_add(GRID);
    }

    /// Makes the row of a moment, us, up to which everything is known.
    fn row_at(&mut self, at: i64) {
        self.at = at;
        self.all_to(at);
        let row = self.shown.row(&self.pieces, &self.packs, at, self.phase, self.books.sums(self.known));
        match &self.if_charging {
            None => self.rows.push_back(row),
            Some(books) => self.undecided.push_back(Undecided { row, if_charging: books.sums(self.known) }),
        }
    }

    /// The run ends at `end`, us: what is undecided was not charging, and the last row is made.
    pub fn finish(&mut self, end: i64) {
        if end % GRID != 0 {
            self.row_at(end);
        }
        self.decide(false);
    }

    /// The sums as far as they are certain.
    pub fn sums(&self) -> Sums {
        let sums = self.books.sums(self.known);
        self.if_charging.as_ref().map_or(sums, |books| certain(sums, books.sums(self.known)))
    }

    /// Each phase's sums as far as they are certain.
    pub fn by_phase(&self) -> [PhaseSums; 3] {
        let sums = self.books.by_phase(self.known);
        match &self.if_charging {
            None => sums,
            Some(books) => {
                let other = books.by_phase(self.known);
                std::array::from_fn(|index| sums[index].certain(other[index]))
            }
        }
    }
}
