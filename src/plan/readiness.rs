//! Go or no-go before pulling away: every check with what was found, and what to do where it is not as it should be.
//!
//! Takes values and returns values. Stops nobody: what is recorded is recorded whatever a check says.

mod full;

use super::picture::Picture;
use super::pilot::Known;
use crate::card::{Card, FullCharge, RunSpan, contradictions};
use crate::format::{self, significant};
use crate::ledger::TraceRow;
use crate::map::Map;
use crate::schema::Role;
use crate::time::{Span, WallClock};

pub use full::{Charged, FullWatch};

/// A check before pulling away.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Check {
    /// What is checked.
    pub name: String,
    /// It is as it should be.
    pub go: bool,
    /// How it is.
    pub found: String,
    /// What to do where it is not as it should be; else empty.
    pub remedy: String,
}

/// What a drive can't be measured without.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Need {
    /// Speed by the wheels.
    Speed,
    /// Power out of the pack, or its voltage and current.
    Power,
    /// Displayed state of charge.
    Soc,
    /// Where the car is.
    Position,
}

impl Need {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Speed, Self::Power, Self::Soc, Self::Position];

    /// For people.
    pub fn name(self) -> &'static str {
        match self {
            Self::Speed => "speed",
            Self::Power => "power of the pack",
            Self::Soc => "state of charge",
            Self::Position => "position",
        }
    }

    /// Whether it is to be had: by the map's roles, the position by a satellite receiver.
    pub fn is_to_be_had(self, map: &Map, receiver: bool) -> bool {
        let has = |role| map.role(role).is_some();
        match self {
            Self::Speed => has(Role::Speed),
            Self::Power => has(Role::PackPower) || has(Role::PackVoltage) && has(Role::PackCurrent),
            Self::Soc => has(Role::Soc),
            Self::Position => receiver,
        }
    }

    /// Whether a row holds a fresh value of it.
    pub fn is_in(self, row: &TraceRow) -> bool {
        let role = |role: Role| row.roles[role as usize].is_finite();
        match self {
            Self::Speed => role(Role::Speed),
            Self::Power => role(Role::PackPower),
            Self::Soc => role(Role::Soc),
            Self::Position => row.latitude_deg.is_finite() && row.longitude_deg.is_finite(),
        }
    }
}

/// Room on the disk.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Room {
    /// Free, bytes.
    pub free: Option<u64>,
    /// Below this raw frames of the oldest runs go, bytes.
    pub floor: u64,
    /// What an hour of recording takes, bytes.
    pub per_hour: f64,
}

/// What the checks look at.
#[derive(Clone, Debug)]
pub struct Facts<'a> {
    /// Now, by the computer's clock.
    pub utc: WallClock,
    /// What that was ahead of satellite time when this was last told.
    pub ahead_of_satellites: Option<Span>,
    /// The run being recorded.
    pub run: Option<&'a str>,
    /// Why nothing is recorded now.
    pub waits: Option<&'a str>,
    /// Sources that can't be read, each with the reason.
    pub in_trouble: &'a [(String, String)],
    /// What of the needs is to be had.
    pub to_be_had: &'a [Need],
    /// The latest row, unless it is stale.
    pub row: Option<&'a TraceRow>,
    /// Room on the disk.
    pub room: Room,
    /// The test card.
    pub card: Option<&'a Card>,
    /// When the run being recorded was so far.
    pub span: Option<RunSpan>,
    /// What is known before the drive.
    pub known: &'a Known,
    /// What is known now.
    pub picture: &'a Picture,
    /// The charge before the drive as it was seen.
    pub charged: Charged,
}

/// Without a better guess a drive takes this long, s: half a working day (common practice, no source).
const DRIVE_S: f64 = 8.0 * 3_600.0;
/// Standing at the start and charging at the end are recorded as well, s.
const AROUND_S: f64 = 3_600.0;
/// No computer's clock that is set stands before this: 2026-01-01T00:00:00Z.
const EARLIEST: WallClock = WallClock(1_767_225_600_000_000);
/// Clocks that differ by less agree.
const AGREE: Span = Span::of_seconds(2);
/// A displayed state of charge that a person read counts for this long.
const READ_FOR: Span = Span::of_seconds(30 * 60);
/// Keys of the card that can only be filled in once the car stands at the charger again.
const AFTERWARDS: [&str; 3] = ["charge.energy_kwh or recharge.energy_kwh", "metered_at", "meter_class"];

/// Every check, in the order in which things are put right.
pub fn checks(facts: &Facts) -> Vec<Check> {
    let mut checks = vec![recording(facts), sources(facts)];
    checks.extend([Need::Speed, Need::Power].map(|need| needed(facts, need)));
    checks.extend([soc(facts), position(facts), disk(facts), clock(facts), card(facts), full(facts), course(facts)]);
    checks.push(known(facts));
    checks
}

/// Whether all is as it should be.
pub fn is_go(checks: &[Check]) -> bool {
    checks.iter().all(|check| check.go)
}

fn go(name: &str, found: impl Into<String>) -> Check {
    Check { name: name.into(), go: true, found: found.into(), remedy: String::new() }
}

fn no(name: &str, found: impl Into<String>, remedy: impl Into<String>) -> Check {
    Check { name: name.into(), go: false, found: found.into(), remedy: remedy.into() }
}

fn recording(facts: &Facts) -> Check {
    const NAME: &str = "recording";
    match (facts.waits, facts.run) {
        (Some(why), _) => {
            no(NAME, format!("nothing is recorded: {why}"), "put that right; recording goes on by itself")
        }
        (None, Some(run)) => go(NAME, run),
        (None, None) => no(NAME, "no run: the bus is silent", "wake the car, and check the adapter and its cable"),
    }
}

fn sources(facts: &Facts) -> Check {
    const NAME: &str = "sources";
    match facts.in_trouble {
        [] => go(NAME, "all are read"),
        [(name, why), rest @ ..] => {
            let more = if rest.is_empty() { String::new() } else { format!(", and {} more can't be read", rest.len()) };
            no(NAME, format!("{name}: {why}{more}"), "plug it in, or take it out of the configuration")
        }
    }
}

fn needed(facts: &Facts, need: Need) -> Check {
    let name = need.name();
    if !facts.to_be_had.contains(&need) {
        let role = if need == Need::Speed { "speed" } else { "pack_power, or pack_voltage and pack_current" };
        return no(name, "the signal map has no such role", format!("give the map's [roles] {role}"));
    }
    if facts.row.is_some_and(|row| need.is_in(row)) {
        return go(name, "fresh");
    }
    no(name, "no fresh value", "switch the car to ready to drive; `drawdown status` shows what each source gives")
}

fn soc(facts: &Facts) -> Check {
    let name = Need::Soc.name();
    match facts.picture.soc {
        Some(soc) if soc.marked.is_none_or(|age| age <= READ_FOR) => {
            let by = if soc.marked.is_some() { ", read by a person" } else { "" };
            go(name, format!("{}{by}", format::percent(100.0 * soc.share)))
        }
        Some(_) => no(name, "read by a person more than half an hour ago", "note it again: drawdown mark soc PERCENT"),
        None if facts.to_be_had.contains(&Need::Soc) && facts.row.is_some_and(|row| Need::Soc.is_in(row)) => {
            go(name, "fresh")
        }
        None => no(name, "not known", "note what the car displays: drawdown mark soc PERCENT"),
    }
}

fn position(facts: &Facts) -> Check {
    let name = Need::Position.name();
    if facts.row.is_some_and(|row| Need::Position.is_in(row)) {
        return go(name, "a fresh fix");
    }
    if !facts.to_be_had.contains(&Need::Position) {
        let remedy = "configure one, or note every turn: drawdown mark turned";
        return no(name, "no satellite receiver is configured", remedy);
    }
    no(name, "no fresh fix", "give the receiver a clear view of the sky, and wait; a first fix may take minutes")
}

/// What a drive takes: usable energy by energy per distance by the target speed where all are known, and the time around it.
fn drive_seconds(known: &Known) -> f64 {
    let parts = known.usable.zip(known.per_metre).zip(known.target);
    let driven = parts.map(|((usable, per_metre), target)| usable.mean / per_metre.mean / target.0);
    driven.filter(|seconds| seconds.is_finite() && *seconds > 0.0).unwrap_or(DRIVE_S) + AROUND_S
}

fn disk(facts: &Facts) -> Check {
    const NAME: &str = "disk";
    let Some(free) = facts.room.free else { return go(NAME, "not looked at yet") };
    let seconds = drive_seconds(facts.known);
    let needs = facts.room.per_hour * seconds / 3_600.0;
    let mb = |bytes: f64| format!("{} MB", format::count((bytes / 1e6).ceil() as u64));
    let hours = significant(seconds / 3_600.0, 2);
    if free as f64 >= facts.room.floor as f64 + needs {
        return go(NAME, format!("{} free; {hours} h of recording take some {}", mb(free as f64), mb(needs)));
    }
    let found = format!(
        "{} free; {hours} h of recording take some {} above the floor of {}",
        mb(free as f64),
        mb(needs),
        mb(facts.room.floor as f64)
    );
    no(NAME, found, "move finished runs elsewhere")
}

fn clock(facts: &Facts) -> Check {
    const NAME: &str = "clock";
    let second = facts.utc.second();
    match facts.ahead_of_satellites {
        Some(ahead) if ahead.0.abs() <= AGREE.0 => go(NAME, format!("{second}, as the satellites say")),
        Some(ahead) => go(NAME, format!("{:+.0} s against satellite time, by which the run is dated", ahead.seconds())),
        None if facts.utc >= EARLIEST => go(NAME, format!("{second}, without satellite time")),
        None => no(NAME, format!("it says {second}"), "set it, or wait for satellite time; no integral depends on it"),
    }
}

fn card(facts: &Facts) -> Check {
    const NAME: &str = "test card";
    let Some(card) = facts.card else {
        return no(NAME, "none", "write one with `drawdown card new`, and give the configuration its path as `card`");
    };
    let spans: Vec<RunSpan> = facts.span.clone().into_iter().collect();
    let (_, against) = contradictions(card, &spans);
    if let Some(first) = against.first() {
        return no(NAME, first.to_string(), "mend the card, and start the daemon again");
    }
    let open: Vec<&str> =
        card.missing().iter().map(|missing| missing.key).filter(|key| !AFTERWARDS.contains(key)).collect();
    match open[..] {
        [] => go(NAME, "filled in"),
        [first, second, third, _, ..] => {
            let found = format!("{} keys are open: {first}, {second}, {third} and more", open.len());
            no(NAME, found, "fill them in; `drawdown card check` says what each limits")
        }
        _ => no(NAME, format!("open: {}", open.join(", ")), "fill it in; `drawdown card check` says what that limits"),
    }
}

fn full(facts: &Facts) -> Check {
    const NAME: &str = "full charge";
    const UNPLUG: &str = "leave it plugged in until the car itself ends the charge";
    let by_card = facts.card.map(|card| card.full_charge);
    match (facts.charged, by_card) {
        (Charged::Full, _) => go(NAME, "the car ended the charge itself"),
        (_, Some(FullCharge::EndedByTheCar)) => go(NAME, "by the card the car ended the charge itself"),
        (Charged::Charging, _) => no(NAME, "it is charging", UNPLUG),
        (Charged::NotSeen, Some(FullCharge::DisplayOnly)) => no(NAME, "by the card the display alone said so", UNPLUG),
        (Charged::NotSeen, _) => {
            no(NAME, "not seen, and the card does not say", format!("{UNPLUG}, and write it down as full_charge"))
        }
    }
}

fn course(facts: &Facts) -> Check {
    const NAME: &str = "course";
    let Some(course) = &facts.known.course else {
        let remedy = "`drawdown course from-run` or `from-gpx` makes one; name it as `course`";
        return no(NAME, "none, so nothing says where to turn", remedy);
    };
    if facts.picture.here.is_some() {
        return go(NAME, format!("{}, and the car is on it", course.name));
    }
    let found = format!("{}, but the car is not on it", course.name);
    no(NAME, found, "drive onto it; if you stand on it, check its positions with `drawdown course check`")
}

fn known(facts: &Facts) -> Check {
    const NAME: &str = "usable energy";
    let Some(usable) = facts.known.usable else {
        let remedy = "give claimed_usable_kwh in the card, or usable_kwh in [car]; an earlier test is better";
        return no(NAME, "neither claimed nor measured before", remedy);
    };
    let kwh = crate::quantity::Joule(usable.mean).kwh();
    let u = significant(100.0 * usable.u / usable.mean, 2);
    let rest = match facts.known.per_metre {
        Some(_) => "",
        None => "; energy per distance comes from the drive itself",
    };
    go(NAME, format!("{} kWh, known to {u} %{rest}", significant(kwh, 3)))
}

#[cfg(test)]
mod tests;
