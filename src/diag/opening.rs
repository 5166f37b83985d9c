//! What is asked once in a run, before any poll: which quantities the ECUs know, and the vehicle number where that is wanted.
//!
//! Takes what came of its questions and tells which polls ask for what their ECU does not know. Sends nothing, and never asks
//! for the vehicle number by itself: it is personal, so the configuration must want it.

use std::collections::{BTreeMap, BTreeSet};

use super::j1979::{VEHICLE_NUMBER, supported};
use super::request::Request;
use super::schedule::{Ending, Poll};
use super::service::Service;
use super::target::Target;
use crate::observation::CanId;

/// Tries at a question that nobody answers.
const TRIES: u8 = 2;
/// Quantities that one bitmap speaks of; the last of them is the next bitmap.
const STEP: u8 = 0x20;

/// A poll for a quantity that its ECU does not say it knows.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Lacking {
    /// The poll's place among the polls.
    pub index: usize,
    /// Who says that it knows the quantity, if anyone.
    pub elsewhere: Vec<CanId>,
}

/// The questions that open a run. The default asks nothing.
#[derive(Clone, Debug, Default)]
pub struct Opening {
    /// One for each width of identifier that the polls use.
    widths: Vec<Width>,
    /// Whether the vehicle number is still to be asked of a width, by place in `widths`.
    vehicle_number: Vec<usize>,
    tries: u8,
    lacking: Vec<Lacking>,
}

/// What is known of the ECUs behind one width of identifiers.
#[derive(Clone, Debug)]
struct Width {
    /// All of them.
    target: Target,
    /// Polls for current data: place, quantity, target.
    polls: Vec<(usize, u8, Target)>,
    /// The bitmap to ask for next; `None` when all is known that can be.
    next: Option<u8>,
    /// What each ECU says that it knows.
    known: BTreeMap<CanId, BTreeSet<u8>>,
}

impl Opening {
    /// The questions for these polls.
    ///
    /// The bitmaps of SAE J1979 are asked for where a poll asks for current data by the identifiers of ISO 15765-4, as far as
    /// the polls' quantities need them.
    pub fn new(polls: &[Poll], vehicle_number: bool) -> Self {
        let all = [Target::FUNCTIONAL, Target::FUNCTIONAL_29];
        let mut widths: Vec<Width> = all.map(|target| Width::new(target, polls)).into();
        widths.retain(|width| !width.polls.is_empty());
        if vehicle_number && widths.is_empty() {
            let used = polls.first().and_then(|poll| all.into_iter().find(|target| target.is_as_wide_as(&poll.target)));
            let target = used.unwrap_or(Target::FUNCTIONAL);
            widths.push(Width { target, polls: Vec::new(), next: None, known: BTreeMap::new() });
        }
        let vehicle_number = if vehicle_number { (0..widths.len()).rev().collect() } else { Vec::new() };
        Self { widths, vehicle_number, tries: 0, lacking: Vec::new() }
    }

    /// The same, by one width of identifiers alone: all that an adapter can ask.
    pub fn of_width(polls: &[Poll], vehicle_number: bool, wide: bool) -> Self {
        let all = if wide { Target::FUNCTIONAL_29 } else { Target::FUNCTIONAL };
        let width = Width::new(all, polls);
        let asked = vehicle_number || width.next.is_some();
        let widths = if asked { vec![width] } else { Vec::new() };
        Self {
            widths,
            vehicle_number: if vehicle_number { vec![0] } else { Vec::new() },
            tries: 0,
            lacking: Vec::new(),
        }
    }

    /// The question that is due, if any; how it ended is to be told with [`Self::ended`].
    pub fn next(&self) -> Option<(Request, Target)> {
        if let Some((width, base)) = self.widths.iter().find_map(|width| Some((width, width.next?))) {
            return Some((Request::current_data(base), width.target));
        }
        let place = *self.vehicle_number.last()?;
        Some((VEHICLE_NUMBER, self.widths.get(place)?.target))
    }

    /// A positive answer to the question that is due: the bytes after the echo.
    pub fn answered(&mut self, from: CanId, data: &[u8]) {
        if let Some((width, base)) = self.widths.iter_mut().find_map(|width| width.next.map(|base| (width, base)))
            && let Some(quantities) = supported(base, data)
        {
            width.known.entry(from).or_default().extend(quantities);
        }
    }

    /// The question that was due has ended; `None`: it may not be asked at all.
    pub fn ended(&mut self, ending: Option<Ending>) {
        self.tries += 1;
        if ending == Some(Ending::Silent) && self.tries < TRIES {
            return;
        }
        self.tries = 0;
        match self.widths.iter_mut().find(|width| width.next.is_some()) {
            Some(width) => {
                width.step(ending == Some(Ending::Answered));
                if width.next.is_none() {
                    self.lacking.extend(width.lacking());
                }
            }
            None => {
                self.vehicle_number.pop();
            }
        }
    }

    /// Polls for what their ECU does not know, each told once.
    pub fn lacking(&mut self) -> Vec<Lacking> {
        std::mem::take(&mut self.lacking)
    }
}

impl Width {
    fn new(target: Target, polls: &[Poll]) -> Self {
        let wanted = polls.iter().enumerate().filter_map(|(index, poll)| {
            let of_the_standard = poll.target.is_as_wide_as(&target) && poll.target.is_of_the_standard();
            match poll.request.bytes()[..] {
                [service, quantity] if of_the_standard && service == Service::CurrentData.byte() => {
                    // A bitmap is no quantity: who polls for one wants to see it.
                    (quantity % STEP != 0).then_some((index, quantity, poll.target))
                }
                _ => None,
            }
        });
        let polls: Vec<_> = wanted.collect();
        Self { target, next: (!polls.is_empty()).then_some(0), polls, known: BTreeMap::new() }
    }

    /// Goes on to the next bitmap, if there is one and it is needed.
    fn step(&mut self, answered: bool) {
        let needed = self.polls.iter().map(|(_, quantity, _)| bitmap_of(*quantity)).max();
        let next = self.next.and_then(|base| base.checked_add(STEP));
        let is_said_to_be = |base: &u8| answered && self.known.values().any(|known| known.contains(base));
        self.next = next.filter(|base| Some(*base) <= needed).filter(is_said_to_be);
    }

    /// The polls whose ECU said what it knows, and not this.
    fn lacking(&self) -> Vec<Lacking> {
        let of = |(index, quantity, target): &(usize, u8, Target)| {
            let knows = |known: &BTreeSet<u8>| known.contains(quantity);
            let elsewhere: Vec<CanId> =
                self.known.iter().filter(|(_, known)| knows(known)).map(|(from, _)| *from).collect();
            let lacks = match target.only_answer() {
                // Who was asked alone may not have heard the question to all.
                Some(from) if !target.is_functional() => self.known.get(&from).is_some_and(|known| !knows(known)),
                Some(from) => !self.known.is_empty() && !elsewhere.contains(&from),
                None => !self.known.is_empty() && elsewhere.is_empty(),
            };
            lacks.then_some(Lacking { index: *index, elsewhere })
        };
        self.polls.iter().filter_map(of).collect()
    }
}

/// The bitmap that speaks of a quantity.
fn bitmap_of(quantity: u8) -> u8 {
    quantity.saturating_sub(1) / STEP * STEP
}

#[cfg(test)]
mod tests {
    use super::super::refusal::NegativeCode;
    use super::super::target::{Heard, Rules};
    use super::*;
    use crate::time::Span;
    use CanId::Standard;

    fn poll(request: Request, asked: u16, answers: Option<u16>) -> Poll {
        let rules = Rules { other_identifiers: true, heard: &Heard::default() };
        let target = Target::new(Standard(asked), answers.map(Standard), &rules).unwrap();
        Poll { name: request.to_string(), request, target, period: Span::of_seconds(1), priority: 0 }
    }

    fn current(quantity: u8, answers: u16) -> Poll {
        poll(Request::current_data(quantity), 0x7DF, Some(answers))
    }

    /// Every question in turn, answered by a car; what was asked and what is lacking.
    fn run(
        mut opening: Opening,
        mut car: impl FnMut(&str) -> Vec<(u16, [u8; 4])>,
    ) -> (Vec<String>, Vec<(usize, Vec<CanId>)>) {
        let mut asked = Vec::new();
        while let Some((request, target)) = opening.next() {
            assert!(target.is_functional() && asked.len() < 100);
            asked.push(request.to_string());
            let answers = car(&request.to_string());
            for (from, bytes) in &answers {
                opening.answered(Standard(*from), bytes);
            }
            opening.ended(Some(if answers.is_empty() { Ending::Silent } else { Ending::Answered }));
        }
        (asked, opening.lacking().into_iter().map(|lacking| (lacking.index, lacking.elsewhere)).collect())
    }

    /// 01 00 answered BE1FA813 (quantities 0D and 20 among them, by Wireshark's dissector), 01 20 by 40 alone, and so on.
    fn answer(asked: &str) -> [u8; 4] {
        match asked {
            "0100" => [0xBE, 0x1F, 0xA8, 0x13],
            "0120" | "0160" => [0, 0, 0, 1],
            "0140" => [0x04, 0, 0, 1],
            _ => [0; 4],
        }
    }

    #[test]
    fn as_many_bitmaps_as_the_polls_need() {
        let car = |asked: &str| vec![(0x7E8, answer(asked))];
        assert_eq!(run(Opening::new(&[current(0x0D, 0x7E8)], false), car), (vec!["0100".into()], vec![]));
        // 46 is known (bit 6 of the third bitmap), 5B and A6 are not; the chain of bitmaps ends at 80.
        let polls = [current(0x46, 0x7E8), current(0x5B, 0x7E8), current(0xA6, 0x7E8)];
        let (asked, lacking) = run(Opening::new(&polls, true), car);
        assert_eq!(asked, ["0100", "0120", "0140", "0160", "0180", "0902"]);
        assert_eq!(lacking, [(1, vec![]), (2, vec![])]);
    }

    #[test]
    fn who_knows_it_instead_is_told() {
        let all = |asked: &str| vec![(0x7EC, answer(asked))];
        let polls = [
            current(0x0D, 0x7E8),
            current(0x0D, 0x7EC),
            poll(Request::current_data(0x0D), 0x7DF, None),
            poll(Request::current_data(0x0D), 0x7E0, None),
            poll(Request::current_data(0x02), 0x7E4, None),
        ];
        // The third takes any answer, the fourth's ECU was perhaps never asked, the fifth's said that it does not know.
        let (asked, lacking) = run(Opening::new(&polls, false), all);
        assert_eq!((asked.len(), lacking), (1, vec![(0, vec![Standard(0x7EC)]), (4, vec![])]));
    }

    #[test]
    fn silence_proves_nothing_and_ends() {
        let polls = [current(0x0D, 0x7E8), current(0x46, 0x7E8)];
        assert_eq!(
            run(Opening::new(&polls, true), |_| vec![]),
            (["0100", "0100", "0902", "0902"].map(String::from).to_vec(), vec![])
        );
        let mut refused = Opening::new(&polls, false);
        refused.ended(Some(Ending::Refused(NegativeCode(0x12))));
        assert_eq!((refused.next(), refused.lacking()), (None, vec![]));
        let mut barred = Opening::new(&polls, false);
        barred.ended(None);
        assert_eq!(barred.next(), None);
    }

    #[test]
    fn nothing_is_asked_where_nothing_needs_it() {
        let vin = Request::data_by_identifier(&[0xF190]).unwrap();
        for polls in [
            vec![],
            vec![poll(vin, 0x7E0, None)],
            vec![current(0x20, 0x7E8)],
            vec![poll(Request::current_data(0x0D), 0x6F1, Some(0x607))],
        ] {
            assert_eq!(Opening::new(&polls, false).next(), None);
            assert_eq!(Opening::new(&polls, true).next(), Some((VEHICLE_NUMBER, Target::FUNCTIONAL)));
        }
        assert_eq!(Opening::default().next(), None);
        let polls = [current(0x0D, 0x7E8)];
        assert_eq!(Opening::of_width(&polls, false, true).next(), None);
        assert_eq!(Opening::of_width(&polls, true, true).next(), Some((VEHICLE_NUMBER, Target::FUNCTIONAL_29)));
        assert_eq!(Opening::of_width(&polls, true, false).next(), Opening::new(&polls, true).next());
    }
}
