//! From the card as written to the card as checked: every impossible value found, named by line, and left out.
//!
//! Every fault is found in one go. Opens no file, and knows of the runs no more than their names.

use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;

use super::written::{Moment, Numbers, Written};
use super::{Bound, Card, Counting, LeftOut, UNITS, numbers, times};
use crate::document::{Document, Fault, did_you_mean};
use crate::quantity::ConsumptionUnit;
use crate::time::{US_PER_S, WallClock};

mod road_load;
mod tables;

/// Reads and checks.
pub(super) fn parse(document: &Document, folder: &Path) -> (Option<Card>, Vec<Fault>) {
    let (written, faults) = document.parse_toml::<Written>();
    let Some(written) = written else { return (None, faults) };
    let mut check = Check { document, faults, zone: None };
    let card = check.card(written, folder);
    let mut faults = check.faults;
    faults.sort_by_key(|fault| fault.place);
    (Some(card), faults)
}

struct Check<'a> {
    document: &'a Document,
    faults: Vec<Fault>,
    zone: Option<TimeZone>,
}

impl Check<'_> {
    fn say(&mut self, key: &str, what: impl Into<String>, remedy: impl Into<String>) {
        self.faults.push(self.document.fault_at_key(key, what).remedy(remedy));
    }

    fn card(&mut self, written: Written, folder: &Path) -> Card {
        self.zone = written.zone.as_deref().and_then(|name| match times::zone(name) {
            Ok(zone) => Some(zone),
            Err(wrong) => {
                self.say("zone", wrong.what, wrong.remedy);
                None
            }
        });
        let mut card = Card {
            name: self.document.name.clone(),
            vehicle: self.vehicle(written.vehicle),
            label: written.label,
            runs: self.runs(written.runs, folder),
            map: self.file("map", written.map, folder),
            course: self.file("course", written.course, folder),
            state_of_charge: written.state_of_charge,
            distance: written.distance,
            full_charge: written.full_charge,
            claimed_usable_kwh: self.claim(written.claimed_usable_kwh),
            units: self.units(written.units),
            note: written.note,
            counting: self.counting(&written.counting.start, &written.counting.end),
            ..Card::default()
        };
        card.leave_out = self.leave_out(&written.leave_out);
        card.driving = self.driving(written.driving);
        card.tyres = self.tyres(written.tyres);
        card.load = self.load(&written.load);
        card.trailer = written.trailer.map(|trailer| self.trailer(&trailer));
        card.climate = self.climate(written.climate);
        card.charge = self.charge("charge", written.charge);
        card.recharge = self.charge("recharge", written.recharge);
        card.battery = self.battery(&written.battery);
        card.weather = self.weather(written.weather);
        card.road = self.road(written.road);
        card.road_load = self.road_load(&written.road_load);
        card.rated = self.rated(written.rated);
        (card.tolerances, card.instruments) = self.tolerances(&written.tolerances);
        self.order_of_times(&mut card);
        card
    }

    fn vehicle(&mut self, written: Option<String>) -> Option<String> {
        let text = written?;
        let sound = (1..=64).contains(&text.len())
            && text.bytes().all(|byte| byte.is_ascii_alphanumeric() || matches!(byte, b'_' | b'-'));
        if !sound {
            let what = format!("'{text}' is no name of a vehicle");
            self.say("vehicle", what, "use 1 to 64 of A-Z, a-z, 0-9, _ and -");
        }
        sound.then_some(text)
    }

    fn runs(&mut self, written: Vec<String>, folder: &Path) -> Vec<(String, PathBuf)> {
        let mut runs: Vec<(String, PathBuf)> = Vec::new();
        for (index, text) in written.into_iter().enumerate() {
            let key = format!("runs.{index}");
            if text.trim().is_empty() {
                self.say(&key, "a run without a name", "write the run's folder, as a path from this card's folder");
            } else if runs.iter().any(|(known, _)| *known == text) {
                self.say(&key, format!("run '{text}' is named twice"), "name each run once");
            } else {
                let path = folder.join(&text);
                runs.push((text, path));
            }
        }
        runs
    }

    fn file(&mut self, key: &str, written: Option<String>, folder: &Path) -> Option<PathBuf> {
        let text = written?;
        if text.trim().is_empty() {
            self.say(key, format!("{key} names no file"), "write a path from this card's folder, or remove the key");
            return None;
        }
        Some(folder.join(text))
    }

    fn claim(&mut self, written: Option<f64>) -> Option<f64> {
        let kwh = written?;
        // No road car's pack lies outside; a claim in Wh or Ah does.
        let sound = (1.0..=1_000.0).contains(&kwh);
        if !sound {
            let what = format!("a claimed usable capacity of {kwh} kWh is impossible");
            self.say("claimed_usable_kwh", what, "write it in kWh, from 1 to 1000");
        }
        sound.then_some(kwh)
    }

    fn units(&mut self, written: Option<String>) -> Option<ConsumptionUnit> {
        let text = written?;
        let found = UNITS.iter().find(|(written, _)| *written == text).map(|(_, unit)| *unit);
        if found.is_none() {
            let known = UNITS.map(|(written, _)| written);
            self.say("units", format!("unknown units '{text}'"), did_you_mean(&text, known));
        }
        found
    }

    fn counting(&mut self, start: &Option<Moment>, end: &Option<Moment>) -> Counting {
        Counting {
            start: self.bound("counting.start", start, "first movement"),
            end: self.bound("counting.end", end, "last movement"),
        }
    }

    fn bound(&mut self, key: &str, written: &Option<Moment>, movement: &str) -> Bound {
        match written {
            None => Bound::Run,
            Some(Moment::String(word)) if word == "run" => Bound::Run,
            Some(Moment::String(word)) if word == movement => Bound::Movement,
            Some(Moment::String(word)) if !word.trim_start().starts_with(|first: char| first.is_ascii_digit()) => {
                let words = ["run", movement];
                let near = crate::document::nearest(word, words).map(|near| format!("did you mean '{near}'?"));
                let remedy = near.unwrap_or_else(|| format!("use 'run', '{movement}' or a time with its offset"));
                self.say(key, format!("unknown value '{word}'"), remedy);
                Bound::Run
            }
            Some(_) => self.moment(key, written).map_or(Bound::Run, Bound::At),
        }
    }

    fn moment(&mut self, key: &str, written: &Option<Moment>) -> Option<WallClock> {
        match times::moment(written.as_ref()?, self.zone.as_ref()) {
            Ok(moment) => Some(moment),
            Err(wrong) => {
                self.say(key, wrong.what, wrong.remedy);
                None
            }
        }
    }

    fn leave_out(&mut self, written: &[super::written::WrittenLeftOut]) -> Vec<LeftOut> {
        let mut stretches = Vec::new();
        for (index, stretch) in written.iter().enumerate() {
            let key = |name: &str| format!("leave_out.{index}.{name}");
            for (name, given) in [("from", &stretch.from), ("to", &stretch.to)] {
                if given.is_none() {
                    self.say(&key(name), format!("a stretch to leave out without '{name}'"), "add it");
                }
            }
            let (from, to) = (self.moment(&key("from"), &stretch.from), self.moment(&key("to"), &stretch.to));
            let Some((from, to)) = from.zip(to) else { continue };
            if to <= from {
                self.say(&key("to"), "the stretch to leave out ends before it begins", "give 'to' after 'from'");
                continue;
            }
            stretches.push(LeftOut { from, to, why: stretch.why.clone() });
        }
        stretches
    }

    /// Times of one card that contradict each other: the later one in the file's order of meaning is left out.
    fn order_of_times(&mut self, card: &mut Card) {
        if let (Bound::At(start), Bound::At(end)) = (card.counting.start, card.counting.end)
            && end <= start
        {
            self.say("counting.end", "counting ends before it starts", "correct counting.start or counting.end");
            card.counting.end = Bound::Run;
        }
        if let (Some(end), Bound::At(start)) = (card.charge.end, card.counting.start) {
            if start < end {
                let what = "the charge before the test ends after the counted start";
                self.say("charge.end", what, "correct charge.end or counting.start");
                card.charge.end = None;
            } else if let Some(rest) = card.charge.rest
                && ((start - end) - rest).0.abs() > REST_SLACK_US
            {
                let between = ((start - end).seconds() / 60.0).round();
                let what = format!(
                    "{} min since the charge ended, but charge.end and counting.start are {between} min apart",
                    rest.seconds() / 60.0
                );
                self.say("charge.rest_min", what, "correct one of the three, or remove rest_min");
                card.charge.rest = None;
            }
        }
        if let (Some(before), Some(after)) = (card.charge.end, card.recharge.start)
            && after < before
        {
            let what = "the charge after the test begins before that before it ended";
            self.say("recharge.start", what, "correct charge.end or recharge.start");
            card.recharge.start = None;
        }
        if let (Some(last), Some(start)) = (card.battery.last_full_charge, card.charge.start)
            && start < last
        {
            let what = "the last full charge lies after the start of the charge for this test";
            self.say("battery.last_full_charge", what, "give the one before it");
            card.battery.last_full_charge = None;
        }
    }

    /// A number in one of several units, the unit in its key; in SI.
    fn in_units(
        &mut self,
        key: &str,
        what: &str,
        given: &[Option<f64>],
        family: &[numbers::Unit],
        range: RangeInclusive<f64>,
    ) -> Option<f64> {
        let lists: Vec<Option<Numbers>> = given.iter().map(|value| Some(Numbers(vec![(*value)?]))).collect();
        self.lists_in_units(key, what, &lists, family, range)?.first().copied()
    }

    /// The same of numbers that stand in one list.
    fn lists_in_units(
        &mut self,
        key: &str,
        what: &str,
        given: &[Option<Numbers>],
        family: &[numbers::Unit],
        range: RangeInclusive<f64>,
    ) -> Option<Vec<f64>> {
        let mut there = family.iter().zip(given).filter_map(|(unit, list)| Some((unit, list.as_ref()?)));
        let (unit, list) = there.next()?;
        let full = format!("{key}{}", unit.suffix);
        let name = full.rsplit('.').next().unwrap_or(&full);
        if let Some((other, _)) = there.next() {
            let other = format!("{key}{}", other.suffix);
            let second = other.rsplit('.').next().unwrap_or(&other);
            self.say(&other, format!("{name} and {second} say the same thing"), "keep one");
            return None;
        }
        let impossible = list.0.iter().find(|value| !range.contains(&unit.to_si(**value)));
        let Some(value) = impossible else { return Some(list.0.iter().map(|value| unit.to_si(*value)).collect()) };
        let others: Vec<String> =
            numbers::plausible_in(*value, unit, family, &range).map(|other| format!("{key}{}", other.suffix)).collect();
        let remedy = match others.split_first() {
            Some(_) => format!("did you mean {}?", others.join(" or ")),
            None => format!("give {}", unit.range(&range)),
        };
        self.say(&full, format!("{what} of {value} {} is impossible", unit.symbol), remedy);
        None
    }

    /// A number whose key has one unit alone.
    fn number(
        &mut self,
        key: &str,
        what: &str,
        value: Option<f64>,
        unit: &str,
        range: RangeInclusive<f64>,
    ) -> Option<f64> {
        let value = value?;
        if range.contains(&value) {
            return Some(value);
        }
        let said = format!("{what} of {} is impossible", format!("{value} {unit}").trim_end());
        let remedy = format!("give {} to {} {unit}", range.start(), range.end());
        self.say(key, said, remedy.trim_end());
        None
    }
}

/// People count whole minutes; this much apart they still agree.
const REST_SLACK_US: i64 = 120 * US_PER_S;
