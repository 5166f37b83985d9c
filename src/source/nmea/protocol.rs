//! The sentences of a satellite receiver put together to fixes: RMC and GGA of one moment, with VTG and GSA beside them.
//!
//! Bytes in chunks of any size in, events out. Checksums and fields are the `nmea` crate's work; what is a fix, what is
//! stale, and when a fix is whole is decided here. A fix is given when RMC and GGA of its moment are there, or when the
//! line has rested ([`REST`]). Opens no port, reads no clock.

use chrono::NaiveTime;
use nmea::sentences::gsa::GsaMode2;
use nmea::sentences::rmc::RmcStatusOfFix;
use nmea::sentences::{FaaMode, FixType, GgaData, GsaData, RmcData, VtgData};
use nmea::{ParseResult, parse_str};

use crate::observation::Fix;
use crate::quantity::MPS_PER_KNOT;
use crate::source::fix::{Fresh, Freshness, sound};
use crate::source::lines::{Lines, Step};
use crate::time::{Span, Steady, WallClock};

/// The longest line taken; the standard's limit is 82 characters, receivers go past it.
const LINE_MAX: usize = 120;
/// How long a fix waits for the other sentence of its moment.
pub const REST: Span = Span::of_millis(150);
/// How long satellites and dilution of a GSA count.
const GSA_AGE: Span = Span::of_seconds(5);

/// What the line gave.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Event {
    /// A fix, or that there is none (mode 1).
    Fix(Fix),
    /// What the satellites' clock says now: a valid RMC with its date has arrived.
    Clock(WallClock),
    /// A fix with the moment of the one before: frozen. It is not given.
    Stale,
    /// The receiver's clock went backwards.
    ClockBackwards,
    /// A value that can't be; the rest of the fix stands.
    Odd,
    /// A sentence of a kind that is not read.
    Other,
    /// A line that can't be read.
    Unreadable(Unreadable),
}

/// Why a line can't be read.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, thiserror::Error)]
pub enum Unreadable {
    /// It does not begin like a sentence, or is no text.
    #[error("not a sentence")]
    NoSentence,
    /// The checksum is missing or wrong.
    #[error("wrong checksum")]
    Checksum,
    /// A field can't be read.
    #[error("a field that can't be read")]
    Field,
    /// Longer than any sentence.
    #[error("overlong line")]
    Overlong,
}

/// The sentences of one moment so far.
#[derive(Clone, Debug, Default)]
struct Epoch {
    time: Option<NaiveTime>,
    since: Steady,
    rmc: Option<RmcData>,
    gga: Option<Gga>,
    vtg: Option<VtgData>,
    given: bool,
}

/// What is kept of a GGA.
#[derive(Clone, Copy, Debug)]
struct Gga {
    valid: bool,
    latitude: Option<f64>,
    longitude: Option<f64>,
    altitude: Option<f32>,
    satellites: Option<u32>,
    hdop: Option<f32>,
}

/// Reads a receiver's bytes.
#[derive(Clone, Debug)]
pub struct Reader {
    lines: Lines,
    epoch: Epoch,
    gsa: Option<(Steady, GsaData)>,
    freshness: Freshness,
    last_time: Option<NaiveTime>,
}

impl Default for Reader {
    fn default() -> Self {
        let lines = Lines::new(LINE_MAX, |byte| matches!(byte, b'\r' | b'\n'));
        let (epoch, freshness) = (Epoch::default(), Freshness::default());
        Self { lines, epoch, gsa: None, freshness, last_time: None }
    }
}

impl Reader {
    /// Takes a chunk; what every line that ends in it gives is given to `each`.
    pub fn push(&mut self, now: Steady, mut chunk: &[u8], mut each: impl FnMut(Event)) {
        loop {
            let read = match self.lines.take(&mut chunk) {
                Step::Incomplete => return,
                Step::Line { text: [], .. } => continue,
                Step::Overlong { .. } => Err(Unreadable::Overlong),
                Step::Line { text, .. } => sentence(text),
            };
            match read {
                Ok(Some(sentence)) => self.take(now, sentence, &mut each),
                Ok(None) => each(Event::Other),
                Err(unreadable) => each(Event::Unreadable(unreadable)),
            }
        }
    }

    /// Lets time pass: a fix that waited long enough for its other sentence is given.
    pub fn tick(&mut self, now: Steady, mut each: impl FnMut(Event)) {
        if now - self.epoch.since >= REST {
            self.give(now, &mut each);
        }
    }

    /// Forgets everything: the port was opened anew.
    pub fn reset(&mut self) {
        *self = Self::default();
    }

    fn take(&mut self, now: Steady, sentence: ParseResult, each: &mut impl FnMut(Event)) {
        match sentence {
            ParseResult::RMC(rmc) => {
                self.begin(now, rmc.fix_time, self.epoch.rmc.is_some(), each);
                self.clock(&rmc, each);
                self.epoch.rmc = Some(rmc);
            }
            ParseResult::GGA(gga) => {
                self.begin(now, gga.fix_time, self.epoch.gga.is_some(), each);
                self.epoch.gga = Some(Gga::of(&gga));
            }
            // They have no time: they belong to the moment that is open, or was last.
            ParseResult::VTG(vtg) => self.epoch.vtg = Some(vtg),
            ParseResult::GSA(gsa) => self.gsa = Some((now, gsa)),
            _ => return each(Event::Other),
        }
        if self.epoch.rmc.is_some() && self.epoch.gga.is_some() {
            self.give(now, each);
        }
    }

    /// Opens the moment of a sentence, giving the one before if it waits; a kind that comes again opens a new one.
    fn begin(&mut self, now: Steady, time: Option<NaiveTime>, again: bool, each: &mut impl FnMut(Event)) {
        if again || time != self.epoch.time || self.epoch.time.is_none() && self.epoch.given {
            self.give(now, each);
            self.epoch = Epoch { time, since: now, ..Epoch::default() };
        }
    }

    fn clock(&mut self, rmc: &RmcData, each: &mut impl FnMut(Event)) {
        let (Some(date), Some(time)) = (rmc.fix_date, rmc.fix_time) else { return };
        if !is_valid(rmc) {
            return;
        }
        let at = WallClock(date.and_time(time).and_utc().timestamp_micros());
        match self.freshness.judge(at) {
            // Said with the fix.
            Fresh::Repeated => return,
            Fresh::Backwards => each(Event::ClockBackwards),
            Fresh::New => {}
        }
        each(Event::Clock(at));
    }

    fn give(&mut self, now: Steady, each: &mut impl FnMut(Event)) {
        if self.epoch.given || self.epoch.rmc.is_none() && self.epoch.gga.is_none() {
            return;
        }
        self.epoch.given = true;
        let fix = self.fix(now);
        // A receiver without a clock of its own gives no time while it has no fix.
        let repeated = self.epoch.time.is_some() && self.epoch.time == self.last_time;
        self.last_time = self.epoch.time;
        if repeated && fix.mode >= 2 {
            return each(Event::Stale);
        }
        let (fix, odd) = sound(fix);
        if odd {
            each(Event::Odd);
        }
        each(Event::Fix(fix));
    }

    /// The fix of the open moment. Both sentences must call it valid, where both are there.
    fn fix(&self, now: Steady) -> Fix {
        let Epoch { rmc, gga, vtg, .. } = &self.epoch;
        let gsa = self.gsa.as_ref().filter(|(at, _)| now - *at <= GSA_AGE).map(|(_, gsa)| gsa);
        let valid = rmc.as_ref().is_none_or(is_valid) && gga.is_none_or(|gga| gga.valid);
        let altitude_m = gga.and_then(|gga| gga.altitude).map(decimal);
        let solid = match gsa.map(|gsa| gsa.mode2) {
            Some(GsaMode2::Fix3D) => 3,
            Some(GsaMode2::Fix2D) => 2,
            // Stale or none: a height makes it three-dimensional.
            Some(GsaMode2::NoFix) | None => 2 + u8::from(altitude_m.is_some()),
        };
        let knots = rmc.and_then(|rmc| rmc.speed_over_ground).or(vtg.and_then(|vtg| vtg.speed_over_ground));
        let track = rmc.and_then(|rmc| rmc.true_course).or(vtg.and_then(|vtg| vtg.true_course));
        Fix {
            latitude_deg: rmc.and_then(|rmc| rmc.lat).or(gga.and_then(|gga| gga.latitude)),
            longitude_deg: rmc.and_then(|rmc| rmc.lon).or(gga.and_then(|gga| gga.longitude)),
            altitude_m,
            speed_mps: knots.map(|knots| decimal(knots) * MPS_PER_KNOT),
            track_deg: track.map(decimal),
            mode: if valid { solid } else { 1 },
            satellites: gga.and_then(|gga| gga.satellites).map(|count| count.min(255) as u8),
            hdop: gga.and_then(|gga| gga.hdop).or(gsa.and_then(|gsa| gsa.hdop)).map(decimal),
        }
    }
}

impl Gga {
    fn of(gga: &GgaData) -> Self {
        // Dead reckoning, manual input and simulation are no satellite fixes.
        let valid = gga.fix_type.is_some_and(FixType::is_valid);
        Self {
            valid,
            latitude: gga.latitude,
            longitude: gga.longitude,
            altitude: gga.altitude,
            satellites: gga.fix_satellites,
            hdop: gga.hdop,
        }
    }
}

fn is_valid(rmc: &RmcData) -> bool {
    use FaaMode as M;
    let reckoned = matches!(rmc.faa_mode, Some(M::Estimated | M::Manual | M::Simulator | M::DataNotValid | M::Unsafe));
    rmc.status_of_fix != RmcStatusOfFix::Invalid && !reckoned
}

/// The decimal that was on the line: the crate reads such fields in single precision, and 10.17 should not become 10.1700001.
fn decimal(value: f32) -> f64 {
    value.to_string().parse().unwrap_or(f64::from(value))
}

/// Reads a line; `None` for a sentence of another kind.
fn sentence(line: &[u8]) -> Result<Option<ParseResult>, Unreadable> {
    let text = std::str::from_utf8(line).ok().filter(|text| text.is_ascii()).ok_or(Unreadable::NoSentence)?.trim();
    // A line may be torn at its start: the sentence begins at the last dollar sign.
    let text = text.rfind('$').and_then(|at| text.get(at..)).ok_or(Unreadable::NoSentence)?;
    let sum = |text: &str| {
        let (body, given) = text.get(1..)?.split_once('*')?;
        let given = u8::from_str_radix(given.get(..2)?, 16).ok()?;
        Some(body.bytes().fold(0, |sum, byte| sum ^ byte) == given)
    };
    if sum(text) != Some(true) {
        return Err(Unreadable::Checksum);
    }
    if !matches!(text.get(3..7), Some("RMC," | "GGA," | "VTG," | "GSA,")) {
        return Ok(None);
    }
    match parse_str(text) {
        Ok(parsed) => Ok(Some(parsed)),
        Err(_) => Err(Unreadable::Field),
    }
}

#[cfg(test)]
mod tests;
