//! The board's lines: which values are said, in which words and in which order.
//!
//! Rounds only through [`crate::format`]; knows no page and judges nothing beyond how a line is to be taken.

use super::super::moment::{Moment, SourceNow};
use super::{Group, Line, Tone};
use crate::course::{Course, Direction};
use crate::format;
use crate::ledger::Phase;
use crate::plan::Advice;
use crate::plan::advice::Judged;
use crate::plan::outlook::Guess;
use crate::plan::picture::{KnownBy, RestsOn};
use crate::quantity::{ConsumptionUnit, Joule, Metre, MetrePerSecond};
use crate::reduce::estimate::coverage_factor_95;
use crate::schema::Role;
use crate::time::Span;

/// A source that gave nothing for so long is worth a look.
const QUIET: Span = Span::of_seconds(5);
/// The last second on the disk is older than it should be.
const DISK_LATE: Span = Span::of_seconds(5);
/// Little free space, bytes.
const LITTLE_SPACE: u64 = 1_000_000_000;
/// Within the tolerance for less than this share of a leg is worth a look.
const HELD_WELL: f64 = 0.9;

/// All lines, the weightiest first.
pub(super) fn lines(moment: &Moment) -> Vec<Line> {
    let say = Say { moment, units: moment.units, wide: coverage_factor_95(moment.picture.dof) };
    let mut lines = say.plan();
    lines.extend(say.car());
    lines.extend(say.drive());
    lines.extend(say.plan_else());
    lines.extend(say.recording());
    lines.extend(say.worth());
    lines
}

struct Say<'a> {
    moment: &'a Moment,
    units: ConsumptionUnit,
    /// Half-width of the 95 % interval in standard uncertainties.
    wide: f64,
}

fn line(group: Group, key: &str, label: impl Into<String>, value: Option<String>) -> Line {
    Line { key: key.into(), group, label: label.into(), value, beside: String::new(), tone: Tone::Plain }
}

impl Line {
    fn beside(mut self, text: impl Into<String>) -> Self {
        self.beside = text.into();
        self
    }

    fn tone(mut self, tone: Tone) -> Self {
        self.tone = tone;
        self
    }
}

/// The parts that say something, joined.
fn joined(parts: impl IntoIterator<Item = Option<String>>) -> String {
    parts.into_iter().flatten().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("; ")
}

/// Where the short words of one direction are needed.
fn way_word(direction: Direction) -> &'static str {
    match direction {
        Direction::Out => "out",
        Direction::Back => "back",
    }
}

fn name(course: Option<&Course>, place: usize) -> String {
    course.and_then(|course| course.places.get(place)).map_or_else(|| "a place".into(), |place| place.name.clone())
}

impl Say<'_> {
    fn miles(&self) -> bool {
        self.units.in_miles()
    }

    fn name(&self, place: usize) -> String {
        name(self.moment.course.as_deref(), place)
    }

    fn way(&self, metres: f64) -> String {
        format::way(metres, self.miles())
    }

    fn energy(&self, guess: Guess) -> String {
        format::figure(Joule(guess.mean).kwh(), Some(self.wide * Joule(guess.u).kwh()), "kWh")
    }

    fn distance(&self, guess: Guess) -> String {
        format::distance(Metre(guess.mean), Some(Metre(self.wide * guess.u)), self.miles())
    }

    /// Energy per distance without its uncertainty: a reading of the drive so far.
    fn per_metre(&self, joule_per_metre: f64) -> Option<String> {
        let value = self.units.from_joule_per_metre(joule_per_metre);
        let text = format!("{} {}", format::significant(value, 3), self.units.symbol());
        value.is_finite().then_some(text)
    }

    /// Energy per distance with its 95 % interval.
    fn per_metre_wide(&self, guess: Guess) -> Option<String> {
        let value = self.units.from_joule_per_metre(guess.mean);
        let u95 = (self.wide * value * guess.u / guess.mean).abs();
        value.is_finite().then(|| format::figure(value, Some(u95), self.units.symbol()))
    }

    /// What to do next, what is left then, the last moment to decide.
    fn plan(&self) -> Vec<Line> {
        let none = |key, label| line(Group::Plan, key, label, None);
        let Some(advice) = &self.moment.picture.advice else {
            let why = if self.moment.course.is_none() { "no course was given" } else { "not known yet" };
            return vec![
                none("next", "Next").beside(why),
                none("arrival", "Left on arrival"),
                none("last", "Decide by"),
            ];
        };
        let mut lines = Vec::new();
        let first = advice.plan.as_ref().and_then(|plan| plan.sequence.acts.first());
        lines.push(match first {
            Some((place, act)) => line(Group::Plan, "next", act.words(), Some(self.name(*place)))
                .beside(format!("in {}", self.way(advice.ahead))),
            None => none("next", "Next"),
        });
        lines.push(match &advice.plan {
            Some(plan) => {
                let (value, beside) = self.arrival(plan);
                let tone = if plan.left.mean < 0.0 { Tone::Wrong } else { Tone::Plain };
                line(Group::Plan, "arrival", "Left on arrival", Some(value)).beside(beside).tone(tone)
            }
            None => none("arrival", "Left on arrival"),
        });
        lines.push(self.last(advice));
        lines
    }

    fn last(&self, advice: &Advice) -> Line {
        let Some(last) = advice.last else { return line(Group::Plan, "last", "Decide by", None) };
        line(Group::Plan, "last", "Decide by", Some(self.name(last.place)))
            .beside(format!("in {}", self.way(last.ahead)))
    }

    /// Energy left at the end of a plan, and the same as charge and way.
    fn arrival(&self, plan: &Judged) -> (String, String) {
        let picture = &self.moment.picture;
        let full = picture.soc.zip(picture.to_zero).filter(|(soc, _)| soc.share > 0.0);
        let percent = full.map(|(soc, to_zero)| plan.left.mean / to_zero.mean * soc.share);
        let ahead = picture.per_metre.ahead.map(|ahead| ahead[(plan.sequence.arriving == Direction::Back) as usize]);
        let way = ahead.filter(|ahead| ahead.mean > 0.0).map(|ahead| plan.left.mean / ahead.mean);
        let short = plan.left.mean < 0.0;
        let beside =
            [
                percent.filter(|share| share.is_finite() && !short).map(format::share),
                way.map(|metres| {
                    if short { format!("{} short", self.way(-metres)) } else { format!("some {}", self.way(metres)) }
                }),
                Some(format!("{} of 0 % before it", format::chance(plan.zero))),
            ];
        (self.energy(plan.left), joined(beside))
    }

    /// What becomes of the plan if something goes wrong.
    fn plan_else(&self) -> Vec<Line> {
        let Some(advice) = &self.moment.picture.advice else { return Vec::new() };
        let mut lines = Vec::new();
        if let Some(plan) = &advice.plan {
            let acts = plan.sequence.acts.iter().skip(1);
            let acts: Vec<String> =
                acts.map(|(place, act)| format!("{} {}", act.words().to_lowercase(), self.name(*place))).collect();
            if !acts.is_empty() {
                let all = self.way(plan.sequence.trip.length());
                lines.push(
                    line(Group::Plan, "then", "Then", Some(acts.join(", "))).beside(format!("{all} to the charger")),
                );
            }
        }
        if let Some(missed) = &advice.if_missed {
            let (left, beside) = self.arrival(missed);
            let tone = if missed.left.mean < 0.0 { Tone::Wrong } else { Tone::Plain };
            let acts: Vec<String> = missed.sequence.acts.iter().map(|(place, _)| self.name(*place)).collect();
            let beside = format!("{left} left; {beside}");
            lines.push(
                line(Group::Plan, "missed", "If that is missed", Some(acts.join(", "))).beside(beside).tone(tone),
            );
        }
        if advice.plan.is_some() {
            lines.push(match &advice.spare {
                Some(way) if way.trip.length() == 0.0 => {
                    line(Group::Plan, "spare", "If the charger is taken", Some("a safe stop is there".into()))
                }
                Some(way) => line(Group::Plan, "spare", "If the charger is taken", Some(self.name(way.end())))
                    .beside(format!("{} on", self.way(way.trip.length()))),
                None => line(Group::Plan, "spare", "If the charger is taken", Some("nothing else".into()))
                    .beside("the course names no other charger and no safe stop that can be reached from it")
                    .tone(Tone::Heed),
            });
        }
        lines
    }

    /// What the car holds.
    fn car(&self) -> Vec<Line> {
        let picture = &self.moment.picture;
        let read = picture
            .soc
            .and_then(|soc| soc.marked)
            .map_or_else(String::new, |age| format!("read by a person {} ago", format::time(age.seconds())));
        let rests = picture.rests_on.map_or("", |rests| match rests {
            RestsOn::Given => "by what was given before the drive; little is driven yet",
            RestsOn::Both => "by this drive and what was given before it",
            RestsOn::Drive => "by this drive alone",
        });
        let soc = picture.soc.map(|soc| format::percent(soc.share * 100.0));
        let mut lines = vec![
            line(Group::Car, "soc", "State of charge", soc).beside(read),
            line(Group::Car, "energy", "Energy left to 0 %", picture.to_zero.map(|left| self.energy(left)))
                .beside(rests),
            line(Group::Car, "distance", "Distance left", picture.distance_left.map(|left| self.distance(left)))
                .beside("95 % interval"),
        ];
        if let Some(cliff) = picture.cliff {
            let ahead = format::share(cliff.display_ahead_by.abs());
            let says = if cliff.display_ahead_by > 0.0 { "more" } else { "less" };
            let counts = if cliff.counts { "; the voltage counts" } else { "" };
            lines.push(
                line(Group::Car, "cliff", "Left by the voltage", Some(self.energy(cliff.energy)))
                    .beside(format!("the display promises {ahead} of the pack {says}{counts}"))
                    .tone(if cliff.counts { Tone::Wrong } else { Tone::Plain }),
            );
        }
        if let Some(step) = picture.step {
            let sign = if step.power > 0.0 { "+" } else { "" };
            let power = format!("{sign}{} kW", format::significant(step.power / 1e3, 2));
            let by = step.by.map_or("speed, grade and wind do not explain it", taken_by);
            let beside = format!("for {}; {by}", format::time(step.since.seconds()));
            lines.push(line(Group::Car, "step", "Step in power", Some(power)).beside(beside).tone(Tone::Heed));
        }
        lines
    }

    /// How it is driven.
    fn drive(&self) -> Vec<Line> {
        let picture = &self.moment.picture;
        let per = &picture.per_metre;
        let reading = |key, label, value: Option<f64>| {
            line(Group::Drive, key, label, value.and_then(|value| self.per_metre(value)))
        };
        let mut lines = vec![
            self.speed(),
            self.last_minute(),
            reading("last_10_km", if self.miles() { "Last 6.2 mi" } else { "Last 10 km" }, per.last_10_km),
            reading("leg", "This leg", per.leg),
            reading("test", "This test", per.test),
        ];
        if let Some([out, back]) = per.ahead {
            let out = self.per_metre_wide(out).map(|text| format!("out {text}"));
            let back = self.per_metre_wide(back).map(|text| format!("back {text}"));
            lines.push(line(Group::Drive, "ahead", "Expected ahead", Some(joined([out, back]))));
        }
        let driven = &picture.driven;
        let beside = [
            driven.leg.map(|leg| format!("this leg {}", self.way(leg))),
            driven.energy.map(|energy| format!("{} kWh", format::significant(Joule(energy).kwh(), 3))),
            Some(format::duration(driven.time)),
        ];
        lines.push(
            line(Group::Drive, "driven", "Driven", driven.distance.map(|metres| self.way(metres)))
                .beside(joined(beside)),
        );
        if let Some(here) = picture.here {
            let from = self.moment.course.as_ref().and_then(|course| course.places.first()).map(|place| &*place.name);
            let value =
                format!("{} from {}, {}", self.way(here.at.0), from.unwrap_or("the start"), way_word(here.direction));
            let by = match here.by {
                KnownBy::Fix => "by the fixes",
                KnownBy::Distance => "by the distance driven: no fix now",
            };
            let tone = if here.by == KnownBy::Distance { Tone::Heed } else { Tone::Plain };
            lines.push(line(Group::Drive, "here", "On the road", Some(value)).beside(by).tone(tone));
        }
        lines
    }

    fn speed(&self) -> Line {
        let picture = &self.moment.picture;
        let said = |mps: f64, decimals| format::speed(MetrePerSecond(mps), decimals, self.miles());
        let value = picture.speed.filter(|speed| speed.is_finite()).map(|speed| said(speed, 0));
        let line = line(Group::Drive, "speed", "Speed", value);
        let Some(hold) = picture.hold else {
            let phase = picture.phase.map_or("", |phase| match phase {
                Phase::Drive => "",
                Phase::Stand => "standing",
                Phase::Charge => "charging",
            });
            return line.beside(phase);
        };
        let beside = [
            Some(format!("target {}", said(hold.target, 0))),
            hold.share_of_leg.map(|share| format!("held {} of this leg", format::share(share))),
        ];
        let loose = hold.share_of_leg.is_some_and(|share| share < HELD_WELL);
        line.beside(joined(beside)).tone(if loose { Tone::Heed } else { Tone::Plain })
    }

    fn last_minute(&self) -> Line {
        let mean = self.moment.picture.hold.and_then(|hold| hold.last_minute).filter(|mean| mean.is_finite());
        let value = mean.map(|mean| format::speed(MetrePerSecond(mean), 1, self.miles()));
        line(Group::Drive, "last_minute", "Last minute", value).beside("mean speed")
    }

    /// How it is recorded.
    fn recording(&self) -> Vec<Line> {
        let now = &self.moment.recording;
        let (value, tone) = match (&now.waits, &now.run) {
            (Some(why), _) => (format!("stopped: {why}"), Tone::Wrong),
            (None, Some(_)) => (format!("on, {}", format::duration(now.duration.seconds())), Tone::Plain),
            (None, None) => ("the car sleeps".into(), Tone::Plain),
        };
        let disk = now.on_disk.map(|age| format!("on the disk up to {} ago", format::time(age.seconds())));
        let late = now.on_disk.is_some_and(|age| age > DISK_LATE);
        let tone = if late { Tone::Wrong } else { tone };
        let beside = joined([now.run.clone().map(|run| format!("run {run}")), disk]);
        let space = now.free_bytes.map(format::bytes);
        let little = now.free_bytes.is_some_and(|bytes| bytes < LITTLE_SPACE);
        let mut lines = vec![
            line(Group::Recording, "recording", "Recording", Some(value)).beside(beside).tone(tone),
            line(Group::Recording, "space", "Free space", space).tone(if little { Tone::Heed } else { Tone::Plain }),
        ];
        lines.extend(now.sources.iter().map(source));
        lines
    }

    /// Whether the test is worth finishing.
    fn worth(&self) -> Vec<Line> {
        let Some(worth) = &self.moment.picture.worth else { return Vec::new() };
        let wide = coverage_factor_95(worth.dof);
        let say = Say { moment: self.moment, units: self.units, wide };
        let pairs = format!("{} {} of legs", worth.pairs, if worth.pairs == 1 { "pair" } else { "pairs" });
        let range = worth.range.map(|range| format!("{} from full to 0 %", say.distance(range)));
        let beside = joined([range, Some(format!("after {pairs}"))]);
        let mut lines =
            vec![line(Group::Worth, "worth", "If finished", say.per_metre_wide(worth.per_metre)).beside(beside)];
        for (index, spoiled) in worth.spoiled.iter().enumerate() {
            let label = if index == 0 { "Spoiled already" } else { "" };
            let key = format!("spoiled.{index}");
            lines.push(line(Group::Worth, &key, label, Some(spoiled.clone())).tone(Tone::Heed));
        }
        lines
    }
}

/// A source, by its name.
fn source(source: &SourceNow) -> Line {
    let key = format!("source.{}", source.name);
    let rate = format!("{} a second", format::count(source.per_second.max(0.0).round() as u64));
    let quiet = source.quiet.filter(|quiet| *quiet > QUIET);
    let (value, tone) = match (source.reads, quiet) {
        (false, _) if source.trouble.is_empty() => ("not read".into(), Tone::Wrong),
        (false, _) => (format!("not read: {}", source.trouble), Tone::Wrong),
        (true, Some(quiet)) => (format!("quiet for {}", format::time(quiet.seconds())), Tone::Heed),
        (true, None) => (rate, Tone::Plain),
    };
    line(Group::Recording, &key, source.name.clone(), Some(value)).tone(tone)
}

/// What takes a step in power, for people.
fn taken_by(role: Role) -> &'static str {
    match role {
        Role::HeaterPower => "the heater takes it",
        Role::CompressorPower => "the climate compressor takes it",
        Role::BatteryHeaterPower => "the battery's heater takes it",
        Role::AccessoryPower => "accessories take it",
        _ => "its role tells what takes it",
    }
}
