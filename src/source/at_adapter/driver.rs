//! The driver of one AT adapter: bytes and moments in; bytes to send, observations and what went wrong out.
//!
//! Finds the prompt, makes the settings, then asks by the schedule (`asking`) or listens in silence (`monitor`). Opens no
//! port and reads no clock, and has no way to send anything but what [`super::dialogue`] makes of a [`Command`].
//!
//! What can't be told from here: an adapter shows no error frames, so 'listened for 2 s' is 2 s after the settings without an
//! error of the bus that it names. An ECU that asks for time gets as long as the adapter can wait, 1.02 s after each line: it
//! is asked once more with that wait, and a plea repeated within it keeps the reply open; one that needs longer is not read.

mod asking;
mod monitor;
mod out;
mod setup;
mod waiting;

use std::path::PathBuf;

use self::asking::{After, Requests};
use self::monitor::Monitor;
pub use self::out::Out;
use self::setup::{Judged, Setup};
use super::command::{Command, Fixed, Protocol};
use super::dialogue::{Dialogue, Event};
use super::reply::{self, AdapterError, Line};
use crate::diag::gate::Closed;
use crate::diag::schedule::{Poll, PollReport};
use crate::observation::{Bus, Item, Stamped};
use crate::source::live::Car;
use crate::time::{Span, Steady};

/// How often the supply voltage is read, where nothing else is said.
pub const SUPPLY_EVERY: Span = Span::of_seconds(5);
/// Below this an adapter does not run, so that it did not measure it (from memory: interpreters want 4.5 V behind a regulator).
const SUPPLY_LEAST_V: f64 = 6.0;
/// Settings begun and not ended after which the adapter is given up.
const ATTEMPTS_MAX: u8 = 6;
/// At most one doubt about whose turn it is in this time is followed: a chatty line must not keep us from asking.
const DOUBT_EVERY: Span = Span::of_seconds(5);
/// So many resets told by the adapter's name, within [`RESETS_WITHIN`] of the first, and the name is something that it chatters.
const RESETS_MAX: u8 = 3;
/// See [`RESETS_MAX`].
const RESETS_WITHIN: Span = Span::of_seconds(60);

/// How one adapter is to be used.
#[derive(Clone, PartialEq, Debug)]
pub struct Settings {
    /// Its serial port.
    pub port: PathBuf,
    /// The port's rate, bit/s.
    pub serial_rate: u32,
    /// The protocol of its bus: never searched for.
    pub protocol: Protocol,
    /// Listen in silence instead of asking.
    pub listen: bool,
    /// How often the supply voltage is read while asking; see [`SUPPLY_EVERY`].
    pub supply_every: Span,
}

#[derive(Clone, Debug)]
enum Phase {
    /// The settings are unknown: they are made as soon as the turn is ours.
    Unset,
    /// They are being made.
    SettingUp(Setup),
    /// Made.
    Asking,
    /// Listening.
    Monitoring,
}

/// The driver of one adapter.
#[derive(Clone, Debug)]
pub struct Driver {
    bus: Bus,
    protocol: Protocol,
    listen: bool,
    supply_every: Span,
    dialogue: Dialogue,
    phase: Phase,
    requests: Requests,
    monitor: Option<Monitor>,
    run: Option<u64>,
    attempts: u8,
    identity: Option<String>,
    /// Whether the adapter's name tells a reset; not if it says it all the time.
    name_tells: bool,
    /// The first of the resets told by the name, and how many there were since.
    resets: Option<(Steady, u8)>,
    /// Searches that nobody asked for, in this run.
    searches: u8,
    supply_read: Option<Steady>,
    /// How often the adapter did not know the question for the supply.
    supply_refused: u8,
    doubted: Option<Steady>,
    leaving: Leaving,
}

/// How far letting go of the bus is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Leaving {
    No,
    Asked,
    Done,
}

impl Driver {
    /// A driver that has not met its adapter yet.
    pub fn new(settings: &Settings, bus: Bus, polls: Vec<Poll>) -> Self {
        let polls = if settings.listen { Vec::new() } else { polls };
        Self {
            bus,
            protocol: settings.protocol,
            listen: settings.listen,
            supply_every: settings.supply_every,
            dialogue: Dialogue::default(),
            phase: Phase::Unset,
            requests: Requests::new(bus, settings.protocol, polls),
            monitor: None,
            run: None,
            attempts: 0,
            identity: None,
            name_tells: true,
            resets: None,
            searches: 0,
            supply_read: None,
            supply_refused: 0,
            doubted: None,
            leaving: Leaving::No,
        }
    }

    /// The same driver, which asks what opens a run before any poll: what the ECUs know, and the vehicle number if wanted.
    pub fn opening(mut self, vehicle_number: bool) -> Self {
        if !self.listen {
            self.requests.open_with(vehicle_number);
        }
        self
    }

    /// The port was opened, anew or for the first time. What the run knows of its bus stays known.
    pub fn opened(&mut self, now: Steady) {
        self.dialogue.opened();
        self.requests.opened(now);
        (self.phase, self.monitor, self.leaving) = (Phase::Unset, None, Leaving::No);
        (self.attempts, self.supply_refused, self.doubted, self.identity) = (0, 0, None, None);
        (self.name_tells, self.resets) = (true, None);
    }

    /// Takes bytes from the adapter.
    pub fn receive(&mut self, now: Steady, bytes: &[u8], out: &mut Out) {
        let mut events = Vec::new();
        self.dialogue.receive(now, bytes, |event| events.push(event));
        for event in events {
            self.event(now, event, out);
        }
        if self.dialogue.is_searching_unasked() {
            self.searched(now, out);
            // Its next character stops the search.
            self.dialogue.resync();
        }
    }

    /// Lets time pass, with what is known of the car; the turn may be used.
    pub fn tick(&mut self, now: Steady, car: Car, out: &mut Out) {
        // What was heard before it was known which run this is, belongs to it.
        if self.run.is_some_and(|run| run != car.run) {
            self.begin_run(now, out);
        }
        self.run = Some(car.run);
        let mut events = Vec::new();
        let nudge = self.dialogue.tick(now, |event| events.push(event));
        out.send.extend(nudge.unwrap_or_default());
        for event in events {
            self.event(now, event, out);
        }
        if !self.listen && self.dialogue.had_bus_error() && self.requests.gate.check(now) != Err(Closed::AdapterError) {
            self.end_requests("an error of the bus", out);
        }
        self.watch_monitoring(now);
        if self.dialogue.is_ready() && out.failed.is_none() {
            self.use_turn(now, car, out);
        }
    }

    /// Begins to let go of the bus: monitoring is stopped, what runs is waited for.
    pub fn let_go(&mut self) {
        if self.leaving == Leaving::No {
            // An adapter that was never set up holds nothing.
            let untouched = matches!(self.phase, Phase::Unset) && self.identity.is_none();
            self.leaving = if untouched { Leaving::Done } else { Leaving::Asked };
            self.stop_monitoring();
        }
    }

    /// Whether it has let go of the bus.
    pub fn has_let_go(&self) -> bool {
        self.leaving == Leaving::Done
    }

    /// How the polls fare, and why nothing may be asked now.
    pub fn report(&self, now: Steady) -> (Vec<PollReport>, Option<Closed>) {
        if self.listen { (Vec::new(), None) } else { self.requests.report(now) }
    }

    fn begin_run(&mut self, now: Steady, out: &mut Out) {
        self.searches = 0;
        out.said.clear();
        self.dialogue.new_run();
        let was_ended = self.requests.gate.check(now).is_err_and(Closed::is_for_the_run);
        self.requests.new_run(out);
        if was_ended && !self.listen {
            // What ended it may be gone: the settings are made and proven anew.
            (self.phase, self.attempts) = (Phase::Unset, 0);
        } else if matches!(self.phase, Phase::Asking) {
            self.requests.gate.up(now);
        }
    }

    fn send(&mut self, now: Steady, command: Command, out: &mut Out) -> bool {
        match self.dialogue.send(now, command) {
            Ok(bytes) => {
                out.send.extend(bytes);
                true
            }
            Err(_) => false,
        }
    }

    fn use_turn(&mut self, now: Steady, car: Car, out: &mut Out) {
        if self.leaving != Leaving::No {
            if self.leaving == Leaving::Asked {
                self.send(now, Command::fixed(Fixed::CloseProtocol), out);
            }
            return;
        }
        if matches!(self.phase, Phase::Unset) {
            self.attempts += 1;
            if self.attempts > ATTEMPTS_MAX {
                out.failed = Some("the adapter never takes all settings; unplug it and plug it in again".into());
                return;
            }
            self.phase = Phase::SettingUp(Setup::whole(self.protocol, self.listen, self.attempts - 1));
        }
        if let Phase::SettingUp(setup) = &self.phase {
            match setup.next() {
                Some(command) => {
                    let sent = self.send(now, command, out);
                    match command.as_fixed() {
                        Some(Fixed::MonitorAll) if sent => self.monitoring(now),
                        _ if !sent => self.unset(now),
                        _ => {}
                    }
                    return;
                }
                None => self.set_up(now, out),
            }
        }
        if !self.requests.is_open() && self.supply_is_due(now) {
            self.supply_read = Some(now);
            self.send(now, Command::fixed(Fixed::SupplyVoltage), out);
        } else if let Some(command) = self.requests.next(now, car.permission) {
            self.send(now, command, out);
        }
    }

    fn supply_is_due(&self, now: Steady) -> bool {
        self.supply_refused < 2 && self.supply_read.is_none_or(|read| now - read >= self.supply_every)
    }

    /// All settings are made.
    fn set_up(&mut self, now: Steady, out: &mut Out) {
        let Phase::SettingUp(setup) = std::mem::replace(&mut self.phase, Phase::Asking) else { return };
        self.attempts = 0;
        self.requests.set_up(now, setup.headers, setup.adaptive, out);
    }

    fn monitoring(&mut self, now: Steady) {
        self.attempts = 0;
        self.phase = Phase::Monitoring;
        match &mut self.monitor {
            Some(monitor) => monitor.again(now),
            None => self.monitor = Some(Monitor::new(self.bus, self.protocol, now)),
        }
    }

    /// Interrupts monitoring where its prompt is lost, or for the supply voltage.
    fn watch_monitoring(&mut self, now: Steady) {
        let Some(monitor) = self.monitor.as_ref().filter(|_| matches!(self.phase, Phase::Monitoring)) else { return };
        if !monitor.is_explained() && monitor.wants_supply(now) || monitor.is_stuck(now) {
            self.stop_monitoring();
        }
    }

    fn stop_monitoring(&mut self) {
        if let (Some(monitor), Phase::Monitoring) = (&mut self.monitor, &self.phase) {
            monitor.stopped();
            self.dialogue.stop_monitoring();
        }
    }

    fn event(&mut self, now: Steady, event: Event, out: &mut Out) {
        match event {
            Event::Finished { command, asked, lines } => self.finished(now, command, asked, lines, out),
            Event::Monitored(line) => self.monitored(now, &line, out),
            Event::Unasked(line) => self.unasked(now, &line, out),
            Event::PromptLost { command, asked, lines } => self.prompt_lost(now, command, asked, lines, out),
            Event::Ready => self.ready(now),
            Event::Gone => {
                let what =
                    "no AT adapter answers; check that it is plugged in and has power, the port, and serial_rate";
                out.failed = Some(what.into());
            }
            Event::SettingsLost => {
                out.count("settings lost", 1);
                self.unset(now);
            }
            Event::TooMuch => out.count("overlong lines or replies", 1),
        }
    }

    fn prompt_lost(&mut self, now: Steady, command: Command, asked: Steady, lines: Vec<(Steady, Line)>, out: &mut Out) {
        out.count("prompt lost", 1);
        if command.as_fixed() == Some(Fixed::CloseProtocol) {
            self.leaving = Leaving::Done;
        }
        if matches!(self.phase, Phase::Asking) && !lines.is_empty() {
            // It answered, so it has its settings: only the prompt is lost.
            self.finished(now, command, asked, lines, out);
        } else {
            self.unset(now);
        }
    }

    /// The settings are unknown from now on.
    fn unset(&mut self, now: Steady) {
        self.phase = Phase::Unset;
        self.requests.lost(now);
    }

    /// The turn is ours again, after a doubt, a lost prompt or monitoring.
    fn ready(&mut self, now: Steady) {
        match &self.phase {
            Phase::Asking | Phase::Unset => {}
            Phase::SettingUp(_) => self.unset(now),
            Phase::Monitoring => {
                let monitor = self.monitor.as_mut().filter(|monitor| monitor.is_explained());
                self.phase = match monitor {
                    Some(monitor) => {
                        let supply = monitor.takes_supply(now) && self.supply_refused < 2;
                        Phase::SettingUp(Setup::monitoring_again(self.protocol, supply))
                    }
                    None => Phase::Unset,
                };
            }
        }
    }

    /// It is not certain whose turn it is: the prompt is looked for.
    fn doubt(&mut self, now: Steady, out: &mut Out) {
        if self.doubted.is_none_or(|last| now - last >= DOUBT_EVERY) {
            self.doubted = Some(now);
            out.count("prompt doubted and looked for", 1);
            self.dialogue.resync();
        }
    }

    fn finished(&mut self, now: Steady, command: Command, asked: Steady, lines: Vec<(Steady, Line)>, out: &mut Out) {
        for (_, line) in &lines {
            if let Line::Error(error) = line {
                self.adapter_error(*error, out);
            }
        }
        match command.as_fixed() {
            Some(Fixed::SupplyVoltage) => self.supply(now, &lines, out),
            Some(Fixed::CloseProtocol) => self.leaving = Leaving::Done,
            _ => {}
        }
        let searched = [Line::Searching, Line::Error(AdapterError::UnableToConnect)];
        if command.as_request().is_some() && lines.iter().any(|(_, line)| searched.contains(line)) {
            return self.searched(now, out);
        }
        // A banner amid a reply: it was reset.
        if command.as_request().is_some() && lines.iter().any(|(_, line)| self.tells_reset(now, line, out)) {
            return self.unset(now);
        }
        match &self.phase {
            Phase::SettingUp(_) => self.judge(now, &lines, out),
            Phase::Asking => match self.requests.finished(now, command, asked, &lines, out) {
                After::Nothing => {}
                After::Doubt => self.doubt(now, out),
                After::SetUp => self.unset(now),
            },
            Phase::Unset | Phase::Monitoring => {}
        }
    }

    fn judge(&mut self, now: Steady, lines: &[(Steady, Line)], out: &mut Out) {
        let Phase::SettingUp(setup) = &mut self.phase else { return };
        let lines: Vec<Line> = lines.iter().map(|(_, line)| line.clone()).collect();
        let judged = setup.answer(&lines);
        if let Some(identity) = setup.identity.take() {
            // One name for each time that the port is opened, whatever it says later.
            match &self.identity {
                Some(known) if *known == identity => {}
                Some(_) => out.count("adapter calls itself otherwise", 1),
                None => {
                    out.count_once(format!("adapter: {identity}"));
                    self.identity = Some(identity);
                }
            }
        }
        match judged {
            Judged::Taken | Judged::Again => {}
            Judged::DoneWithout(command) => out.count_once(format!("setting refused: {command}")),
            Judged::Impossible(why) => out.failed = Some(why),
            Judged::OtherProtocol(number) => {
                let wanted = Command::protocol(self.protocol);
                let what = format!("the adapter took {wanted} and says that it uses protocol {number}");
                if self.listen { out.trouble_once(what) } else { self.end_requests(&what, out) }
            }
            Judged::Doubtful => {
                self.unset(now);
                self.dialogue.resync();
            }
        }
    }

    fn supply(&mut self, now: Steady, lines: &[(Steady, Line)], out: &mut Out) {
        let read = lines.iter().find_map(|(at, line)| Some((*at, reply::voltage(line)?)));
        match read {
            Some((at, volt)) if volt >= SUPPLY_LEAST_V => {
                self.supply_refused = 0;
                self.supply_read = Some(at);
                out.batch.rest.push(Stamped { at, item: Item::Supply(volt) });
            }
            Some(_) => out.count("supply voltage out of reason", 1),
            None => {
                out.count("supply voltage unreadable", 1);
                if lines.iter().any(|(_, line)| matches!(line, Line::Data(_) | Line::Done)) {
                    self.doubt(now, out);
                } else if lines.iter().any(|(_, line)| *line == Line::Error(AdapterError::NotUnderstood)) {
                    self.supply_refused = self.supply_refused.saturating_add(1);
                    if self.supply_refused >= 2 {
                        out.trouble_once("the adapter does not measure the supply voltage".into());
                    }
                }
            }
        }
    }

    fn monitored(&mut self, now: Steady, line: &Line, out: &mut Out) {
        if let Line::Error(error) = line {
            self.adapter_error(*error, out);
        }
        if self.tells_reset(now, line, out) {
            self.dialogue.stop_monitoring();
            return self.unset(now);
        }
        let Some(monitor) = &mut self.monitor else { return };
        if let monitor::After::Impossible(why) = monitor.line(now, line, out) {
            out.failed = Some(why);
        }
    }

    fn unasked(&mut self, now: Steady, line: &Line, out: &mut Out) {
        out.count("unasked lines", 1);
        if let Line::Error(error) = line {
            self.adapter_error(*error, out);
        }
        if self.tells_reset(now, line, out) {
            self.unset(now);
        } else if matches!(line, Line::Data(_) | Line::Done) || *line == Line::Error(AdapterError::Stopped) {
            self.doubt(now, out);
        }
    }

    /// Whether a line that nobody asked for is the name by which the adapter greets after a reset.
    fn tells_reset(&mut self, now: Steady, line: &Line, out: &mut Out) -> bool {
        let name = self.identity.as_deref().filter(|name| name.len() >= 3 && self.name_tells);
        if !name.is_some_and(|name| matches!(line, Line::Words(words) if words.contains(name))) {
            return false;
        }
        let recent = self.resets.filter(|(first, _)| now - *first <= RESETS_WITHIN);
        let (first, count) = recent.map_or((now, 1), |(first, count)| (first, count + 1));
        self.resets = Some((first, count));
        if count > RESETS_MAX {
            self.name_tells = false;
            out.count_once("the adapter says its name unasked again and again: no longer taken for a reset".into());
            return false;
        }
        out.count("reset of the adapter, unasked", 1);
        true
    }

    fn adapter_error(&mut self, error: AdapterError, out: &mut Out) {
        out.count(&error.to_string(), 1);
        if error.is_of_the_bus() {
            if self.listen {
                out.trouble_once(error.to_string())
            } else {
                self.end_requests(&error.to_string(), out)
            }
            return;
        }
        match error {
            AdapterError::NoData | AdapterError::Stopped | AdapterError::NotUnderstood => {}
            // What follows from it, is told where the request ends.
            AdapterError::UnableToConnect => {}
            _ => out.trouble_once(error.to_string()),
        }
    }

    /// The adapter searched for a protocol though one was given: it does not hold what it took.
    fn searched(&mut self, now: Steady, out: &mut Out) {
        self.searches = self.searches.saturating_add(1);
        let what = "the adapter searched for a protocol, though one was given";
        out.count(what, 1);
        if self.searches > 1 {
            self.end_requests(what, out);
        } else {
            out.trouble_once(format!("{what}; its settings are made again"));
        }
        self.unset(now);
    }

    /// Nothing more is asked in this run.
    fn end_requests(&mut self, why: &str, out: &mut Out) {
        self.requests.gate.adapter_error();
        out.trouble_once(format!("{why}; nothing more is asked in this run"));
    }
}

#[cfg(test)]
mod tests;
