//! The far end of an AT adapter's line, played: an interpreter of the common command set with a small car behind it.
//!
//! Written from the command set as data sheets describe it (common practice, from memory), and from ISO 15765-2 for what the
//! ECUs answer; not from the driver, of which it uses nothing. Pure: bytes and microseconds in, bytes out, so that it serves
//! on a pseudo-terminal and in simulated time alike. It records all that it was sent and judges it by a list of its own.

use std::collections::VecDeque;

mod car;
mod judge;

pub use car::{Ecu, Faults};
use judge::is_listed;

/// A line that was sent to it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Sent {
    pub at_us: i64,
    pub text: String,
    /// Whether any of it came while the adapter had the turn.
    pub out_of_turn: bool,
}

/// What it does when.
#[derive(Clone, PartialEq, Eq, Debug)]
enum Due {
    Text(String),
    Prompt,
}

/// What it is busy with.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Busy {
    No,
    Setting,
    Request,
    Monitor,
}

#[derive(Clone, Debug)]
struct Setting {
    echo: bool,
    linefeeds: bool,
    spaces: bool,
    headers: bool,
    framing: bool,
    adaptive: bool,
    silent: bool,
    wait_us: i64,
    header: Option<u32>,
    filter: Option<u32>,
    priority: u32,
}

const BANNER: &str = "interpreter v1.5";
const ST_UNIT_US: i64 = 4_000;

impl Setting {
    fn from_reset() -> Self {
        Self {
            echo: true,
            linefeeds: false,
            spaces: true,
            headers: false,
            framing: true,
            adaptive: true,
            silent: false,
            wait_us: 0x32 * ST_UNIT_US,
            header: None,
            filter: None,
            priority: 0x18,
        }
    }
}

/// The adapter and its car.
pub struct Adapter {
    pub faults: Faults,
    pub ecus: Vec<Ecu>,
    /// The number of the protocol that the car speaks.
    pub speaks: char,
    /// The supply voltage as it says it.
    pub supply: &'static str,
    /// The frames that monitoring shows, and how often.
    pub traffic: Vec<(u32, Vec<u8>)>,
    pub traffic_every_us: i64,
    /// All lines that were sent to it.
    pub sent: Vec<Sent>,
    /// What must never happen.
    pub violations: Vec<String>,
    /// Requests that it put on the bus, and frames that it showed while monitoring.
    pub requests: u32,
    pub shown: u32,
    set: Setting,
    /// Kept through resets, as ATSP does; 0: it searches.
    protocol: char,
    /// What a search found.
    found: Option<char>,
    line: String,
    raw: String,
    raw_out_of_turn: bool,
    last: String,
    busy: Busy,
    due: VecDeque<(i64, Due)>,
    next_frame_us: i64,
    since_full: u32,
    chatter_us: i64,
    prompts: u32,
    bytes: u32,
    /// The bytes between two clocks' looks.
    early: VecDeque<u8>,
}

impl Adapter {
    pub fn new(speaks: char, ecus: Vec<Ecu>) -> Self {
        Self {
            faults: Faults::default(),
            ecus,
            speaks,
            supply: "13.4V",
            traffic: Vec::new(),
            traffic_every_us: 1_000,
            sent: Vec::new(),
            violations: Vec::new(),
            requests: 0,
            shown: 0,
            set: Setting::from_reset(),
            protocol: '0',
            found: None,
            line: String::new(),
            raw: String::new(),
            raw_out_of_turn: false,
            last: String::new(),
            busy: Busy::No,
            due: VecDeque::new(),
            next_frame_us: 0,
            since_full: 0,
            chatter_us: 0,
            prompts: 0,
            bytes: 0,
            early: VecDeque::new(),
        }
    }

    /// A car of three ECUs on 11 bits: a speed, a state of charge at 22 0101, a vehicle number; two answer functional requests.
    pub fn with_a_car() -> Self {
        let number: &[u8] = &[&[0x01], &b"XX0DEMO0000000001"[..]].concat();
        let codes: Vec<u8> = (0..40).collect();
        let drive = Ecu::new(0x7E0, 0x7E8, &[(&[0x01, 0x0D], &[0x3C]), (&[0x01, 0x00], &[0xBE, 0x3F, 0xA8, 0x13])]);
        let pack = Ecu::new(
            0x7E4,
            0x7EC,
            &[
                (&[0x22, 0x01, 0x01], &codes),
                (&[0x09, 0x02], number),
                (&[0x01, 0x5B], &[0xC8]),
                (&[0x01, 0x00], &[0x00, 0x00, 0x00, 0x21]),
            ],
        );
        Self::new('6', vec![drive, pack, Ecu::new(0x7E2, 0x7EA, &[(&[0x22, 0xF1, 0x90], b"abc")])])
    }

    /// Power or port anew: all but what it keeps is forgotten.
    pub fn power_on(&mut self) {
        self.set = Setting::from_reset();
        self.found = None;
        (self.line, self.raw, self.busy) = (String::new(), String::new(), Busy::No);
        self.raw_out_of_turn = false;
        self.due.clear();
        self.early.clear();
    }

    /// Every line that was sent, that is no nudge out of turn and on the list; what else happened that must not.
    pub fn faults_found(&self) -> Vec<String> {
        let mut found = self.violations.clone();
        for sent in &self.sent {
            if !is_listed(&sent.text) {
                found.push(format!("not on the list: {:?}", sent.text));
            }
            if sent.out_of_turn && sent.text != "ATI" {
                found.push(format!("out of turn: {:?}", sent.text));
            }
        }
        found
    }

    /// How often a line was sent.
    pub fn count(&self, text: &str) -> usize {
        self.sent.iter().filter(|sent| sent.text == text).count()
    }

    /// Takes bytes that came at a moment.
    pub fn receive(&mut self, now_us: i64, bytes: &[u8]) {
        for byte in bytes {
            self.byte(now_us, *byte);
        }
    }

    fn byte(&mut self, now: i64, byte: u8) {
        let char = char::from(byte);
        self.raw_out_of_turn |= self.busy != Busy::No;
        if byte == b'\r' {
            let text = std::mem::take(&mut self.raw);
            self.sent.push(Sent { at_us: now, text, out_of_turn: std::mem::take(&mut self.raw_out_of_turn) });
        } else {
            self.raw.push(char);
        }
        match self.busy {
            Busy::Setting => return self.early.push_back(byte),
            // The character that interrupts is lost with what it interrupts.
            Busy::Request | Busy::Monitor => {
                self.due.clear();
                self.say(now, "STOPPED");
                self.end(now);
                self.busy = Busy::Setting;
                return;
            }
            Busy::No => {}
        }
        self.typed(now, byte);
    }

    fn typed(&mut self, now: i64, byte: u8) {
        if self.set.echo || self.faults.stubborn {
            self.due.push_back((now, Due::Text(char::from(byte).to_string())));
        }
        if byte != b'\r' {
            self.line.push(char::from(byte));
            return;
        }
        let typed = std::mem::take(&mut self.line);
        let tight: String = typed.chars().filter(|char| !char.is_whitespace()).collect::<String>().to_uppercase();
        // A lone end of line repeats the last command.
        let command = if tight.is_empty() { self.last.clone() } else { tight };
        self.last.clone_from(&command);
        self.busy = Busy::Setting;
        match command.strip_prefix("AT") {
            Some(setting) => self.setting(now + self.faults.command_us, setting),
            None => self.request(now, &command),
        }
    }

    fn eol(&self) -> &'static str {
        if self.set.linefeeds || self.faults.stubborn { "\r\n" } else { "\r" }
    }

    fn say(&mut self, at: i64, line: &str) {
        let text = format!("{line}{}", self.eol());
        self.due.push_back((at, Due::Text(text)));
    }

    fn end(&mut self, at: i64) {
        let eol = self.eol().to_owned();
        self.due.push_back((at, Due::Text(eol)));
        self.due.push_back((at, Due::Prompt));
    }

    fn answer(&mut self, at: i64, line: &str) {
        self.say(at, line);
        self.end(at);
    }

    fn setting(&mut self, at: i64, text: &str) {
        let whole = format!("AT{text}");
        if self.faults.refuses.contains(&&*whole) {
            return self.answer(at, "?");
        }
        let hex = |digits: &str| u32::from_str_radix(digits, 16).ok();
        match text {
            "Z" | "WS" => {
                self.set = Setting::from_reset();
                self.found = None;
                return self.answer(at + 500_000, BANNER);
            }
            "I" => return self.answer(at, BANNER),
            "RV" => return self.answer(at, self.supply),
            "DPN" => {
                let number = self.faults.claims_protocol.unwrap_or(self.found.unwrap_or(self.protocol));
                let automatic = if self.protocol == '0' { "A" } else { "" };
                return self.answer(at, &format!("{automatic}{number}"));
            }
            "MA" => return self.monitor(at),
            "D" => self.set = Setting { echo: self.set.echo, ..Setting::from_reset() },
            "E0" | "E1" => self.set.echo = text == "E1",
            "L0" | "L1" => self.set.linefeeds = text == "L1",
            "S0" | "S1" => self.set.spaces = text == "S1",
            "H0" | "H1" => self.set.headers = text == "H1" && !self.faults.hides_headers,
            "CAF0" | "CAF1" => self.set.framing = text == "CAF1",
            "CSM0" | "CSM1" => self.set.silent = text == "CSM1",
            "AT0" | "AT1" | "AT2" => self.set.adaptive = text != "AT0",
            "CFC1" | "AL" | "PC" => {}
            "AR" => self.set.filter = None,
            _ => {
                let parameter = |name: &str| text.strip_prefix(name).and_then(hex);
                if let Some(number) = text.strip_prefix("SP").filter(|number| number.len() == 1) {
                    (self.protocol, self.found) = (number.chars().next().unwrap_or('0'), None);
                } else if let Some(id) = parameter("CRA") {
                    self.set.filter = Some(id);
                } else if let Some(wait) = parameter("ST") {
                    self.set.wait_us = i64::from(wait) * ST_UNIT_US;
                } else if let Some(priority) = parameter("CP") {
                    self.set.priority = priority;
                } else if let Some(header) = parameter("SH") {
                    self.set.header = Some(header);
                } else {
                    return self.answer(at, "?");
                }
            }
        }
        self.answer(at, "OK");
    }

    fn is_wide(&self) -> bool {
        matches!(self.speaks, '7' | '9')
    }

    fn request(&mut self, now: i64, text: &str) {
        let digits: Option<Vec<u32>> = text.chars().map(|char| char.to_digit(16)).collect();
        let Some(digits) = digits.filter(|digits| !digits.is_empty() && digits.len() % 2 == 0) else {
            return self.answer(now, "?");
        };
        let request: Vec<u8> = digits.chunks(2).map(|pair| (pair[0] << 4 | pair[1]) as u8).collect();
        self.busy = Busy::Request;
        self.requests += 1;
        if let Some((_, words)) = self.faults.resets_at.filter(|(at, _)| *at == self.requests) {
            self.set = Setting::from_reset();
            return self.answer(now + 300_000, words);
        }
        if !self.set.framing {
            self.violations.push(format!("a request without framing: {text}"));
        }
        if self.faults.searches_at == Some(self.requests) {
            (self.protocol, self.found) = ('0', None);
        }
        let mut at = now + 5_000;
        if self.protocol == '0' && self.found.is_none() {
            self.violations.push("a search for the protocol".into());
            self.due.push_back((at, Due::Text("SEARCHING...".into())));
            at += 6_000_000;
            self.found = Some(self.speaks);
            self.due.push_back((at, Due::Text(self.eol().to_owned())));
        }
        let error = self.faults.error_at.filter(|(number, _)| *number == self.requests).map(|(_, error)| error);
        let every =
            self.faults.error_every.filter(|(every, _)| self.requests.is_multiple_of(*every)).map(|(_, error)| error);
        if let Some(error) = error.or(every) {
            return self.answer(at + 20_000, error);
        }
        if self.found.unwrap_or(self.protocol) != self.speaks {
            self.violations.push(format!("a request at a wrong bit rate: {text}"));
            return self.answer(at + 50_000, "CAN ERROR");
        }
        self.replies(at, &request);
    }

    fn replies(&mut self, now: i64, request: &[u8]) {
        let functional = if self.is_wide() { 0x18DB_33F1 } else { 0x7DF };
        let header = match self.set.header {
            Some(header) if self.is_wide() => self.set.priority << 24 | header & 0xFF_FFFF,
            Some(header) => header,
            None => functional,
        };
        let mut lines: Vec<(i64, String)> = Vec::new();
        for ecu in &self.ecus {
            if ecu.asked != header && header != functional || self.set.filter.is_some_and(|only| only != ecu.answers) {
                continue;
            }
            for (nth, message) in ecu.messages(request, header == functional).into_iter().flatten().enumerate() {
                let at = now + ecu.delay_us + nth as i64 * 800_000;
                lines.extend(
                    self.written(ecu.answers, &message)
                        .into_iter()
                        .enumerate()
                        .map(|(n, l)| (at + n as i64 * 1_000, l)),
                );
            }
        }
        lines.sort_by_key(|(at, _)| *at);
        // It waits anew after every line; when it adapts, the wait for more shrinks.
        let (mut until, mut any) = (now + self.set.wait_us, false);
        for (at, line) in lines {
            if at > until {
                break;
            }
            self.say(at, &line);
            any = true;
            until = at + if self.set.adaptive { self.set.wait_us.min(30_000) } else { self.set.wait_us };
            if line.contains("7F") && line.contains("78") {
                until = at + self.set.wait_us;
            }
        }
        if any { self.end(until) } else { self.answer(until, "NO DATA") }
    }

    /// A message as lines: frames with identifiers, or without them a length and numbered parts.
    fn written(&self, from: u32, message: &[u8]) -> Vec<String> {
        let gap = if self.set.spaces { " " } else { "" };
        let bytes = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(gap);
        let id = if self.is_wide() { bytes(&from.to_be_bytes()) } else { format!("{from:03X}") };
        let with_id = |frame: &[u8]| format!("{id}{gap}{}", bytes(frame));
        if message.len() <= 7 {
            let mut frame = vec![message.len() as u8];
            frame.extend(message);
            frame.resize(8, 0xAA);
            return vec![if self.set.headers { with_id(&frame) } else { bytes(message) }];
        }
        let (first, rest) = message.split_at(6);
        let mut parts = vec![first.to_vec()];
        parts.extend(rest.chunks(7).map(|part| part.to_vec()));
        let length = message.len();
        let mut lines = if self.set.headers { Vec::new() } else { vec![format!("{length:03X}")] };
        for (number, part) in parts.iter().enumerate() {
            let mut frame = match number {
                0 => vec![0x10 | (length >> 8) as u8, length as u8],
                _ => vec![0x20 | (number & 0x0F) as u8],
            };
            let data = part.clone();
            frame.extend(&data);
            frame.resize(8, 0xAA);
            let shown = &frame[if number == 0 { 2 } else { 1 }..];
            lines.push(if self.set.headers {
                with_id(&frame)
            } else {
                format!("{:X}:{gap}{}", number & 0x0F, bytes(shown))
            });
        }
        lines
    }

    fn monitor(&mut self, at: i64) {
        if !self.set.silent {
            self.violations.push("monitoring that acknowledges".into());
        }
        self.busy = Busy::Monitor;
        self.next_frame_us = at;
        self.since_full = 0;
    }

    fn monitored(&mut self, now: i64) {
        while self.busy == Busy::Monitor && !self.traffic.is_empty() && self.next_frame_us <= now {
            let at = self.next_frame_us;
            self.next_frame_us += self.traffic_every_us;
            let (id, data) = self.traffic[self.shown as usize % self.traffic.len()].clone();
            let gap = if self.set.spaces { " " } else { "" };
            let text = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(gap);
            let id = if self.is_wide() { text(&id.to_be_bytes()) } else { format!("{id:03X}") };
            let line = if self.set.headers { format!("{id}{gap}{}", text(&data)) } else { text(&data) };
            self.say(at, &line);
            self.shown += 1;
            self.since_full += 1;
            if let Some((_, prompt)) = self.faults.fills_after.filter(|(after, _)| self.since_full >= *after) {
                self.say(at, "BUFFER FULL");
                self.busy = Busy::No;
                if prompt {
                    self.busy = Busy::Setting;
                    self.end(at);
                }
            }
        }
    }

    /// What it says up to a moment.
    pub fn speak(&mut self, now_us: i64) -> Vec<u8> {
        self.monitored(now_us);
        let mut text = String::new();
        if let Some(every) = self.faults.chatters_every_us
            && now_us - self.chatter_us >= every
        {
            self.chatter_us = now_us;
            text.push_str("good day to you\r");
        }
        while self.due.front().is_some_and(|(at, _)| *at <= now_us) {
            match self.due.pop_front() {
                Some((_, Due::Text(said))) => text.push_str(&said),
                Some((_, Due::Prompt)) => {
                    self.prompts += 1;
                    if self.faults.loses_prompts.is_none_or(|every| !self.prompts.is_multiple_of(every)) {
                        text.push('>');
                    }
                    self.busy = Busy::No;
                    while self.busy == Busy::No
                        && let Some(byte) = self.early.pop_front()
                    {
                        self.typed(now_us, byte);
                    }
                }
                None => {}
            }
        }
        self.spoil(text.into_bytes())
    }

    fn spoil(&mut self, bytes: Vec<u8>) -> Vec<u8> {
        let mut out = Vec::with_capacity(bytes.len());
        for byte in bytes {
            self.bytes += 1;
            let hit = |every: Option<u32>| every.is_some_and(|every| self.bytes.is_multiple_of(every));
            out.push(if hit(self.faults.garbles) { byte ^ 0x15 } else { byte });
            if hit(self.faults.zeros) {
                out.push(0);
            }
        }
        out
    }
}
