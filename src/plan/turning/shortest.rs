//! The shortest way to an end (Dijkstra, Numerische Mathematik 1, 1959), and the way that given acts make.
//!
//! Judges nothing.

use super::{Act, Ends, Here, Rules, Sequence, along, first_place, next_place};
use crate::course::{Course, Direction};
use crate::plan::outlook::Trip;

/// Somewhere on the way: a place, a direction, whether it was just turned there, and whether it was turned at all.
#[derive(Clone, Copy, PartialEq)]
struct Node {
    place: usize,
    direction: Direction,
    acted: bool,
    turned: bool,
}

/// How it was reached.
#[derive(Clone, Copy)]
struct Reached {
    trip: Trip,
    from: Option<usize>,
    left: bool,
}

fn number(node: Node) -> usize {
    let bits = [node.direction == Direction::Out, node.acted, node.turned];
    bits.iter().fold(node.place, |number, bit| 2 * number + usize::from(*bit))
}

fn node(number: usize) -> Node {
    let direction = if number & 4 != 0 { Direction::Out } else { Direction::Back };
    Node { place: number / 8, direction, acted: number & 2 != 0, turned: number & 1 != 0 }
}

/// The shortest way from here to where `ends` says.
pub fn find(course: &Course, here: Here, rules: &Rules, ends: Ends<'_>) -> Option<Sequence> {
    let mut reached: Vec<Option<Reached>> = vec![None; 8 * course.places.len()];
    let place = first_place(course, here)?;
    let to = course.places[place].at;
    if !course.is_open(here.at, to, here.direction) {
        return None;
    }
    let trip = along(Trip::default(), here.at, to, here.direction);
    let start = Node { place, direction: here.direction, acted: false, turned: false };
    reached[number(start)] = Some(Reached { trip, from: None, left: false });
    // Few are open at a time: no heap is needed to find the nearest.
    let mut open = vec![number(start)];
    loop {
        let length = |at: usize| reached[at].map_or(f64::INFINITY, |one| one.trip.length());
        let nearest = (0..open.len()).min_by(|a, b| length(open[*a]).total_cmp(&length(open[*b])))?;
        let at = open.swap_remove(nearest);
        let Some(one) = reached[at] else { continue };
        reached[at] = Some(Reached { left: true, ..one });
        let here = node(at);
        let passing = !here.turned && rules.is_passing(here.place, here.direction);
        if !here.acted && !passing && ends(here.place, here.direction) {
            return Some(sequence(&reached, at, one.trip));
        }
        let mut reach = |node: Node, trip: Trip| {
            let known = &mut reached[number(node)];
            if trip.length().is_finite() && known.is_none_or(|known| !known.left && trip.length() < known.trip.length())
            {
                if known.is_none() {
                    open.push(number(node));
                }
                *known = Some(Reached { trip, from: Some(at), left: false });
            }
        };
        let place = &course.places[here.place];
        let suits = place.trailer || !rules.trailer;
        if let Some(turn) = place.turn(here.direction).filter(|_| suits && !here.acted && !passing) {
            let trip = Trip { extra: one.trip.extra + turn.length.0, ..one.trip };
            reach(Node { direction: here.direction.turned(), acted: true, turned: true, ..here }, trip);
        }
        if let Some(next) = next_place(course, here.place, here.direction) {
            let to = course.places[next].at;
            if course.is_open(place.at, to, here.direction) {
                reach(Node { place: next, acted: false, ..here }, along(one.trip, place.at, to, here.direction));
            }
        }
    }
}

fn sequence(reached: &[Option<Reached>], end: usize, trip: Trip) -> Sequence {
    let last = node(end);
    let mut acts = vec![(last.place, Act::Arrive)];
    let mut at = Some(end);
    while let Some(number) = at {
        if node(number).acted {
            acts.push((node(number).place, Act::Turn));
        }
        at = reached[number].and_then(|one| one.from);
    }
    acts.reverse();
    Sequence { acts, arriving: last.direction, trip }
}

/// Where on the way of given acts the car turns (or drives round) and could go on instead: the place, the direction in which it
/// comes there, and what it has driven by then.
pub fn missable(course: &Course, here: Here, acts: &[(usize, Act)]) -> Vec<(usize, Direction, Trip)> {
    let mut found = Vec::new();
    let (mut at, mut direction, mut trip) = (here.at, here.direction, Trip::default());
    for (place, act) in acts {
        let Some(to) = course.places.get(*place) else { return found };
        trip = along(trip, at, to.at, direction);
        at = to.at;
        let next = next_place(course, *place, direction).and_then(|next| course.places.get(next));
        let open = next.is_some_and(|next| course.is_open(to.at, next.at, direction));
        if open && *act != Act::Arrive {
            found.push((*place, direction, trip));
        }
        match act {
            Act::Turn => {
                trip.extra += to.turn(direction).map_or(0.0, |turn| turn.length.0);
                direction = direction.turned();
            }
            Act::Round => trip.extra += course.finish.as_ref().map_or(0.0, |finish| finish.length.0),
            Act::Arrive => {}
        }
    }
    found
}

/// What given acts drive from here; `None` where they cannot be done in their order.
pub fn follow(course: &Course, here: Here, rules: &Rules, acts: &[(usize, Act)]) -> Option<Sequence> {
    let mut place = first_place(course, here)?;
    let mut direction = here.direction;
    if !course.is_open(here.at, course.places[place].at, direction) {
        return None;
    }
    let mut trip = along(Trip::default(), here.at, course.places[place].at, direction);
    let mut turned = None;
    for (number, (to, act)) in acts.iter().enumerate() {
        while place != *to {
            let next = next_place(course, place, direction)?;
            let (from, at) = (course.places[place].at, course.places[next].at);
            if !course.is_open(from, at, direction) {
                return None;
            }
            trip = along(trip, from, at, direction);
            (place, turned) = (next, None);
        }
        if number == 0 && rules.is_passing(place, direction) || turned == Some(place) {
            return None;
        }
        let here = &course.places[place];
        match act {
            Act::Turn => {
                let turn = here.turn(direction).filter(|_| here.trailer || !rules.trailer)?;
                trip.extra += turn.length.0;
                direction = direction.turned();
                turned = Some(place);
            }
            Act::Round => trip.extra += course.finish.as_ref().filter(|finish| finish.place == here.name)?.length.0,
            Act::Arrive => {
                let last = number + 1 == acts.len();
                return (last && super::is_charger(course, rules, place, direction)).then(|| Sequence {
                    acts: acts.to_vec(),
                    arriving: direction,
                    trip,
                });
            }
        }
    }
    None
}
