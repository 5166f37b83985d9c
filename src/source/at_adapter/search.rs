//! Which protocol a car speaks, found by the adapter's own search: a command of its own, for a parked car only.
//!
//! Bytes and moments in, bytes to send out. The search tries wrong bit rates on the bus, so nothing here begins without
//! [`Parked`], and no live source uses it. Opens no port.

use std::collections::VecDeque;

use super::command::{Command, Fixed, Parked, Protocol};
use super::dialogue::{Dialogue, Event};
use super::reply::{self, AdapterError, Line};
use crate::diag::Request;
use crate::time::Steady;

/// What a search came to.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Found {
    /// What the adapter calls itself.
    pub identity: Option<String>,
    /// The supply voltage that it measures, V.
    pub supply_v: Option<f64>,
    /// The protocol, if it is a CAN protocol that this program knows.
    pub protocol: Option<Protocol>,
    /// The adapter's own words for the protocol.
    pub number: Option<String>,
    /// Whether a car answered.
    pub answered: bool,
    /// What it named as errors, in order, each once.
    pub errors: Vec<AdapterError>,
}

/// A search under way.
#[derive(Clone, Debug)]
pub struct Search {
    dialogue: Dialogue,
    steps: VecDeque<Command>,
    found: Found,
    state: State,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum State {
    Going,
    Done,
    Gone,
}

impl Search {
    /// A search with an adapter whose port was just opened.
    pub fn new(parked: Parked) -> Self {
        use Fixed as F;
        let before = [F::Reset, F::EchoOff, F::LinefeedsOff, F::HeadersOn, F::FramingOn, F::Identify, F::SupplyVoltage];
        let steps = before
            .map(Command::fixed)
            .into_iter()
            // Quantity 00 of service 01 is what the standard has for this: it must be answered.
            .chain([Command::search_protocol(parked), Command::request(Request::current_data(0))])
            .chain([Command::fixed(F::ProtocolNumber)])
            .collect();
        Self { dialogue: Dialogue::default(), steps, found: Found::default(), state: State::Going }
    }

    /// Takes bytes from the adapter.
    pub fn receive(&mut self, now: Steady, bytes: &[u8]) {
        let mut events = Vec::new();
        self.dialogue.receive(now, bytes, |event| events.push(event));
        self.events(events);
    }

    /// Lets time pass; gives bytes to send.
    pub fn tick(&mut self, now: Steady) -> Vec<u8> {
        let mut events = Vec::new();
        let mut bytes = self.dialogue.tick(now, |event| events.push(event)).unwrap_or_default();
        self.events(events);
        if self.dialogue.is_ready() && self.state == State::Going {
            match self.steps.pop_front().map(|command| self.dialogue.send(now, command)) {
                Some(Ok(sent)) => bytes.extend(sent),
                // The bus gave an error: the request is left out.
                Some(Err(_)) => {}
                None => self.state = State::Done,
            }
        }
        bytes
    }

    /// What it came to, once it is over; an error if nothing answers.
    pub fn result(&self) -> Option<Result<&Found, &'static str>> {
        match self.state {
            State::Going => None,
            State::Done => Some(Ok(&self.found)),
            State::Gone => Some(Err("no AT adapter answers; check its power, the port and the serial rate")),
        }
    }

    fn events(&mut self, events: Vec<Event>) {
        for event in events {
            match event {
                Event::Finished { command, lines, .. } => {
                    self.finished(command, lines.into_iter().map(|(_, line)| line))
                }
                Event::Gone => self.state = State::Gone,
                _ => {}
            }
        }
    }

    fn finished(&mut self, command: Command, lines: impl Iterator<Item = Line>) {
        for line in lines {
            match (&line, command.as_fixed()) {
                (Line::Error(error), _) if !self.found.errors.contains(error) => self.found.errors.push(*error),
                (Line::Words(words), Some(Fixed::Identify)) => self.found.identity = Some(words.clone()),
                (_, Some(Fixed::SupplyVoltage)) => self.found.supply_v = reply::voltage(&line).or(self.found.supply_v),
                (Line::Data(number), Some(Fixed::ProtocolNumber)) => self.number(number),
                (Line::Data(_), None) if command.as_request().is_some() => self.found.answered = true,
                _ => {}
            }
        }
        if command.as_fixed() == Some(Fixed::ProtocolNumber) {
            // So that the adapter does not search by itself in another car, or in this one when it moves.
            let fixed = self.found.protocol.map(Command::protocol);
            self.steps.extend(fixed.into_iter().chain([Command::fixed(Fixed::CloseProtocol)]));
        }
    }

    fn number(&mut self, number: &str) {
        self.found.number = Some(number.chars().take(8).collect());
        if self.found.answered {
            self.found.protocol = Protocol::from_number(number);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Answers as a script says; gives all that was sent.
    fn run(reply: impl Fn(&str) -> &'static str) -> (Search, Vec<String>) {
        let mut search = Search::new(Parked::by_the_users_word());
        let mut sent = Vec::new();
        for at in (0..60_000_000).step_by(50_000) {
            let bytes = search.tick(Steady(at));
            let text = String::from_utf8(bytes).unwrap();
            if let Some(command) = text.strip_suffix('\r') {
                sent.push(command.to_owned());
                search.receive(Steady(at + 10_000), format!("{}\r\r>", reply(command)).as_bytes());
            }
            if search.result().is_some() {
                break;
            }
        }
        (search, sent)
    }

    fn sound(command: &str) -> &'static str {
        match command {
            "ATZ" | "ATI" => "interpreter v1.5",
            "ATRV" => "13.4V",
            "0100" => "SEARCHING...\r7E8 06 41 00 BE 3F A8 13",
            "ATDPN" => "A6",
            _ => "OK",
        }
    }

    #[test]
    fn finds_a_protocol_and_leaves_the_adapter_on_it() {
        let (search, sent) = run(sound);
        let found = search.result().unwrap().unwrap();
        assert_eq!((found.protocol, found.supply_v, found.answered), (Some(Protocol::Can11At500), Some(13.4), true));
        assert_eq!(sent.join(" "), "ATI ATZ ATE0 ATL0 ATH1 ATCAF1 ATI ATRV ATSP0 0100 ATDPN ATSP6 ATPC");
    }

    #[test]
    fn a_sleeping_car_is_no_find() {
        let (search, sent) = run(|command| match command {
            "0100" => "SEARCHING...\rUNABLE TO CONNECT",
            "ATDPN" => "A0",
            other => sound(other),
        });
        let found = search.result().unwrap().unwrap();
        assert_eq!((found.protocol, &found.errors[..]), (None, &[AdapterError::UnableToConnect][..]));
        assert_eq!(sent.last().map(String::as_str), Some("ATPC"));
    }

    #[test]
    fn nothing_there_is_said() {
        let mut search = Search::new(Parked::by_the_users_word());
        let over = (0..60_000_000).step_by(50_000).find(|at| {
            search.tick(Steady(*at));
            search.result().is_some()
        });
        assert!(over.is_some() && search.result().unwrap().is_err());
    }
}
