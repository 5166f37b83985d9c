//! The settings given to an adapter one after another, and what each answer means: taken, refused and done without, or the end.
//!
//! Judges answers; sends nothing and knows no moment.

use std::collections::VecDeque;

use super::super::command::{self, Command, Fixed, Protocol};
use super::super::reply::Line;

/// How often one setting is given before a refusal is believed: a byte may have been garbled on its way.
const TRIES: u8 = 3;
/// The most of an adapter's own words that is kept.
const IDENTITY_MAX: usize = 48;

/// What became of a setting.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Judged {
    /// Taken, or answered; on to the next.
    Taken,
    /// Give it again.
    Again,
    /// Refused, and done without.
    DoneWithout(Command),
    /// Refused, and there is no doing without: why.
    Impossible(String),
    /// It says that it uses another protocol: its words.
    OtherProtocol(String),
    /// The answer belongs to another question.
    Doubtful,
}

/// Settings under way.
#[derive(Clone, Debug)]
pub(super) struct Setup {
    steps: VecDeque<Command>,
    tries: u8,
    attempt: u8,
    protocol: Protocol,
    listen: bool,
    /// What it calls itself.
    pub identity: Option<String>,
    /// Whether it confirmed to show identifiers.
    pub headers: bool,
    /// Whether it confirmed adapting waits.
    pub adaptive: bool,
}

impl Setup {
    /// All settings from the start. The first attempts reset it fully, later ones more gently: some adapters never come back
    /// from a full reset.
    pub fn whole(protocol: Protocol, listen: bool, attempt: u8) -> Self {
        let list = if listen { command::listening_setup(protocol) } else { command::setup(protocol) };
        let mut steps = VecDeque::from(list);
        let reset = match attempt {
            0 | 1 => Fixed::Reset,
            2 => Fixed::WarmReset,
            _ => Fixed::Defaults,
        };
        if let Some(first) = steps.front_mut() {
            *first = Command::fixed(reset);
        }
        let questions = [Fixed::Identify, Fixed::ProtocolNumber].map(Command::fixed);
        // Listening ends with silence and the start, which stay together.
        let at = if listen { steps.len().saturating_sub(2) } else { steps.len() };
        let end = steps.split_off(at);
        steps.extend(questions);
        steps.extend(end);
        Self { attempt, ..Self::of(steps, protocol, listen) }
    }

    /// Starts monitoring again: silence first; `supply`: asks for the supply voltage before.
    pub fn monitoring_again(protocol: Protocol, supply: bool) -> Self {
        let list = [Fixed::SupplyVoltage, Fixed::SilentMonitoring, Fixed::MonitorAll];
        Self::of(list.into_iter().skip(usize::from(!supply)).map(Command::fixed).collect(), protocol, true)
    }

    fn of(steps: VecDeque<Command>, protocol: Protocol, listen: bool) -> Self {
        Self { steps, tries: 0, attempt: 0, protocol, listen, identity: None, headers: false, adaptive: false }
    }

    /// The setting to give now; `None`: all are given.
    pub fn next(&self) -> Option<Command> {
        self.steps.front().copied()
    }

    /// Takes the answer to the setting given last.
    pub fn answer(&mut self, lines: &[Line]) -> Judged {
        let Some(command) = self.next() else { return Judged::Doubtful };
        self.tries += 1;
        let judged = self.judge(command, lines, self.tries >= TRIES);
        if !matches!(judged, Judged::Again) {
            self.steps.pop_front();
            self.tries = 0;
        }
        judged
    }

    fn judge(&mut self, command: Command, lines: &[Line], last: bool) -> Judged {
        let taken = lines.last() == Some(&Line::Done);
        match command.as_fixed() {
            // Who answers a reset, says who it is; some say nothing.
            Some(Fixed::Reset | Fixed::WarmReset | Fixed::Defaults | Fixed::SupplyVoltage) => Judged::Taken,
            Some(Fixed::Identify) => self.identify(lines, last),
            Some(Fixed::ProtocolNumber) => self.number(lines, last),
            _ if !taken && !last => Judged::Again,
            Some(Fixed::HeadersOn) if taken => {
                self.headers = true;
                Judged::Taken
            }
            Some(Fixed::AdaptiveTiming) if taken => {
                self.adaptive = true;
                Judged::Taken
            }
            _ if taken => Judged::Taken,
            _ => self.refused(command),
        }
    }

    fn refused(&self, command: Command) -> Judged {
        let no =
            |what: &str| Judged::Impossible(format!("the adapter refuses {command} ({what}); use another adapter"));
        match command.as_fixed() {
            None => no("the protocol given"),
            Some(Fixed::FramingOn) => no("framing of requests, without which they would be others"),
            Some(Fixed::FramingOff) => no("frames as they are"),
            Some(Fixed::SilentMonitoring) => no("silent monitoring, without which it would not only listen"),
            Some(Fixed::HeadersOn) if self.listen => no("identifiers, without which frames mean nothing"),
            Some(_) => Judged::DoneWithout(command),
        }
    }

    fn identify(&mut self, lines: &[Line], last: bool) -> Judged {
        let words = lines.iter().find_map(|line| if let Line::Words(words) = line { Some(words) } else { None });
        match words {
            Some(words) => {
                let plain: String = words.chars().filter(|char| !char.is_control()).take(IDENTITY_MAX).collect();
                self.identity = Some(plain);
                Judged::Taken
            }
            // The answer to the setting before, one behind; but some adapters do say nothing else.
            None if lines == [Line::Done] && self.attempt == 0 => Judged::Doubtful,
            None if last => Judged::DoneWithout(Command::fixed(Fixed::Identify)),
            None => Judged::Again,
        }
    }

    fn number(&self, lines: &[Line], last: bool) -> Judged {
        let data = lines.iter().find_map(|line| if let Line::Data(data) = line { Some(&**data) } else { None });
        match data {
            Some(number) if Protocol::from_number(number) == Some(self.protocol) => Judged::Taken,
            Some(_) if !last => Judged::Again,
            Some(number) => Judged::OtherProtocol(number.chars().take(8).collect()),
            None if last => Judged::DoneWithout(Command::fixed(Fixed::ProtocolNumber)),
            None => Judged::Again,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::reply::read;
    use super::*;

    fn answers(setup: &mut Setup, reply: impl Fn(&str) -> String) -> Vec<(String, Judged)> {
        let mut judged = Vec::new();
        while let Some(command) = setup.next() {
            let lines: Vec<Line> = reply(&command.to_string()).lines().map(read).collect();
            judged.push((command.to_string(), setup.answer(&lines)));
        }
        judged
    }

    fn sound(command: &str) -> String {
        match command {
            "ATZ" | "ATI" => "interpreter v1.5",
            "ATDPN" => "6",
            _ => "OK",
        }
        .to_owned()
    }

    #[test]
    fn a_sound_adapter_takes_everything() {
        let mut setup = Setup::whole(Protocol::Can11At500, false, 0);
        let judged = answers(&mut setup, sound);
        assert!(judged.iter().all(|(_, judged)| *judged == Judged::Taken), "{judged:?}");
        assert_eq!((setup.identity.as_deref(), setup.headers, setup.adaptive), (Some("interpreter v1.5"), true, true));
    }

    #[test]
    fn refusals_are_believed_the_third_time() {
        let refusing = |refused: &'static str| {
            answers(&mut Setup::whole(Protocol::Can11At500, false, 0), |command| {
                if command == refused { "?".to_owned() } else { sound(command) }
            })
            .into_iter()
            .filter(|(command, _)| command == refused)
            .map(|(_, judged)| judged)
            .collect::<Vec<_>>()
        };
        for tolerated in ["ATE0", "ATL0", "ATS0", "ATH1", "ATCFC1", "ATAL", "ATAT1", "ATCP18", "ATI", "ATDPN"] {
            let command = Command::from_text(tolerated).unwrap();
            assert_eq!(
                refusing(tolerated),
                [Judged::Again, Judged::Again, Judged::DoneWithout(command)],
                "{tolerated}"
            );
        }
        for needed in ["ATSP6", "ATCAF1"] {
            assert!(matches!(refusing(needed)[..], [Judged::Again, Judged::Again, Judged::Impossible(_)]), "{needed}");
        }
    }

    #[test]
    fn another_protocol_and_answers_out_of_step_are_noticed() {
        let says = |number: &'static str| {
            let mut setup = Setup::whole(Protocol::Can11At500, false, 3);
            answers(&mut setup, |command| if command == "ATDPN" { number.to_owned() } else { sound(command) })
        };
        assert_eq!(says("A6").last().map(|(_, judged)| judged.clone()), Some(Judged::Taken));
        assert_eq!(says("8").last().map(|(_, judged)| judged.clone()), Some(Judged::OtherProtocol("8".into())));
        assert_eq!(says("A0").last().map(|(_, judged)| judged.clone()), Some(Judged::OtherProtocol("A0".into())));
        assert_eq!(says("6")[0].0, "ATD");
        let mut setup = Setup::whole(Protocol::Can11At500, false, 0);
        let late = answers(&mut setup, |_| "OK".to_owned());
        assert!(late.iter().any(|(command, judged)| command == "ATI" && *judged == Judged::Doubtful));
    }

    #[test]
    fn listening_ends_with_silence_and_the_start() {
        let mut setup = Setup::whole(Protocol::Can29At250, true, 0);
        let commands: Vec<String> =
            std::iter::from_fn(|| setup.steps.pop_front()).map(|step| step.to_string()).collect();
        assert_eq!(commands.join(" "), "ATZ ATE0 ATL0 ATS0 ATH1 ATCAF0 ATSP9 ATAR ATI ATDPN ATCSM1 ATMA");
    }
}
