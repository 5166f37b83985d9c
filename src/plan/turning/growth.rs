//! Sequences grown place by place, in the order of their length.
//!
//! What was reached lies in one flat table, by length in grains, place, direction and whether something was just done there; of
//! what comes to the same cell that with the fewest turns stays. Judges nothing.

use std::collections::BTreeMap;

use super::{Act, Here, Rules, Sequence, along, first_place, next_place};
use crate::course::{Course, Direction};
use crate::plan::outlook::Trip;

/// Nothing is there.
const NONE: u32 = u32::MAX;

/// A sequence under way: it stands at a place, about to leave it.
#[derive(Clone, Copy)]
struct Label {
    place: usize,
    direction: Direction,
    trip: Trip,
    turns: u16,
    /// The label before, and what was done at this label's place.
    from: u32,
    act: Option<Act>,
}

/// A sequence that ended.
#[derive(Clone, Copy, Debug)]
pub struct End {
    /// Its label.
    label: u32,
    /// Where, and in which direction.
    pub place: usize,
    /// See `place`.
    pub direction: Direction,
    /// What was driven.
    pub trip: Trip,
    /// Acts, the arrival with them.
    pub acts: usize,
}

/// Sequences that grow.
pub struct Growth<'a> {
    course: &'a Course,
    rules: &'a Rules,
    longest: f64,
    grain: f64,
    labels: Vec<Label>,
    open: Vec<u32>,
    /// Cells of one length.
    width: usize,
}

impl<'a> Growth<'a> {
    /// Every sequence from here that drives at most `longest` metres and ends where `ends` says, told apart by `grain` metres;
    /// the shortest first.
    pub fn grow(
        course: &'a Course,
        here: Here,
        rules: &'a Rules,
        (longest, grain): (f64, f64),
        ends: &dyn Fn(usize, Direction) -> bool,
    ) -> (Self, Vec<End>) {
        let width = 4 * course.places.len();
        let grains = (longest.max(0.0) / grain).floor() as usize + 1;
        let (labels, open) = (Vec::new(), vec![NONE; grains * width]);
        let mut growth = Self { course, rules, longest, grain, labels, open, width };
        let mut found: BTreeMap<(usize, usize, bool), End> = BTreeMap::new();
        growth.start(here);
        let mut cell = 0;
        while cell < growth.open.len() {
            let index = std::mem::replace(&mut growth.open[cell], NONE);
            if index == NONE {
                cell += 1;
                continue;
            }
            let label = growth.labels[index as usize];
            if label.act.is_none() && !growth.is_passing(&label) && ends(label.place, label.direction) {
                let Label { place, direction, trip, turns, .. } = label;
                let end = End { label: index, place, direction, trip, acts: usize::from(turns) + 1 };
                let best = found.entry((cell / width, place, direction == Direction::Out)).or_insert(end);
                if end.acts < best.acts {
                    *best = end;
                }
            }
            // What is reached over no distance at all may lie before this cell, but in the same length.
            let back = growth.leave(index, &label);
            cell = back.min(cell);
        }
        let mut ends: Vec<End> = found.into_values().collect();
        ends.sort_by(|a, b| a.trip.length().total_cmp(&b.trip.length()).then(a.acts.cmp(&b.acts)));
        (growth, ends)
    }

    /// From here to the first place ahead.
    fn start(&mut self, here: Here) {
        let Some(first) = first_place(self.course, here) else { return };
        let to = self.course.places[first].at;
        if self.course.is_open(here.at, to, here.direction) {
            let trip = along(Trip::default(), here.at, to, here.direction);
            self.reach(Label { place: first, direction: here.direction, trip, turns: 0, from: NONE, act: None });
        }
    }

    /// A label that stands somewhere, unless a better one stands there after the same length; its cell.
    fn reach(&mut self, label: Label) -> usize {
        let length = label.trip.length();
        if length.is_nan() || length > self.longest {
            return usize::MAX;
        }
        let grains = (length / self.grain).floor() as usize;
        let out = usize::from(label.direction == Direction::Out);
        let cell = grains * self.width + 4 * label.place + 2 * out + usize::from(label.act.is_some());
        let other = self.open[cell];
        if other != NONE && self.labels[other as usize].turns <= label.turns {
            return usize::MAX;
        }
        self.open[cell] = self.labels.len() as u32;
        self.labels.push(label);
        cell
    }

    fn is_passing(&self, label: &Label) -> bool {
        label.turns == 0 && self.rules.is_passing(label.place, label.direction)
    }

    /// All that can be done at a label's place: turn, drive round, or go on; the first cell that it reaches.
    fn leave(&mut self, index: u32, label: &Label) -> usize {
        let (course, here) = (self.course, &self.course.places[label.place]);
        let mut first = usize::MAX;
        if label.act.is_none() && !self.is_passing(label) {
            let suits = here.trailer || !self.rules.trailer;
            if let Some(turn) = here.turn(label.direction).filter(|_| suits) {
                let trip = Trip { extra: label.trip.extra + turn.length.0, ..label.trip };
                let (direction, turns) = (label.direction.turned(), label.turns + 1);
                let turned = Label { direction, trip, turns, from: index, act: Some(Act::Turn), ..*label };
                first = first.min(self.reach(turned));
            }
        }
        // Round and round is allowed, but not round after a turn at the same place.
        if let Some(finish) = course.finish.as_ref().filter(|finish| finish.place == here.name)
            && label.act != Some(Act::Turn)
            && !self.is_passing(label)
        {
            let trip = Trip { extra: label.trip.extra + finish.length.0, ..label.trip };
            let turns = label.turns + 1;
            // Back at the place: whatever can be done there can be done again.
            first = first.min(self.reach(Label { trip, turns, from: index, act: None, ..*label }));
        }
        if let Some(next) = next_place(course, label.place, label.direction) {
            let to = course.places[next].at;
            if course.is_open(here.at, to, label.direction) {
                let trip = along(label.trip, here.at, to, label.direction);
                first = first.min(self.reach(Label { place: next, trip, from: index, act: None, ..*label }));
            }
        }
        first
    }

    /// The acts that led to an end, and the arrival there.
    pub fn sequence(&self, end: &End) -> Sequence {
        let mut acts = vec![(end.place, Act::Arrive)];
        let mut at = self.labels.get(end.label as usize);
        while let Some(label) = at {
            let before = self.labels.get(label.from as usize);
            match (label.act, before) {
                (Some(act), _) => acts.push((label.place, act)),
                // At the same place without an act: the short way round.
                (None, Some(before)) if before.place == label.place => acts.push((label.place, Act::Round)),
                _ => {}
            }
            at = before;
        }
        acts.reverse();
        Sequence { acts, arriving: end.direction, trip: end.trip }
    }
}
