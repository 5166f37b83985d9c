//! `drawdown turn`: where to turn, from what a passenger reads off the car.
//!
//! Only asks the plan room; knows no bus and watches nothing: it is asked again when something has changed.

use std::path::PathBuf;

use serde_json::json;

use super::{Outcome, say};
use crate::course::{Course, Direction};
use crate::document::{Fault, did_you_mean};
use crate::format::{self, line};
use crate::plan::turning::{Act, Rules};
use crate::plan::{Advice, Here, Limits, Outlook, State, advice, advise, outlook};
use crate::quantity::{ConsumptionUnit, Joule, Metre};
use crate::reduce::estimate::coverage_factor_95;

/// What goes with every plan for the road.
const CAUTION: &str = "The driver drives, a passenger works the computer. Never let a car stop in traffic: keep the reserve that \
                       local law and your own judgement ask for, and know the shoulder, the recovery number and the weather.";

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  \
    drawdown turn course.toml --at 23.4 --direction out --soc 31 --usable-kwh 48 --wh-per-km 176\n  \
    drawdown turn course.toml --at Underfell --direction back --soc 12 --usable-kwh 48 --usable-u-percent 1 \\\n    \
    --wh-per-km 176 --wh-per-km-back 160 --reserve-kwh 0.9\n\n\
    Exit status: 0 a plan within the limits; 1 none, or the course has faults; 2 not done.")]
pub struct Arguments {
    /// The course (TOML)
    #[arg(value_name = "COURSE")]
    course: PathBuf,
    /// Where the car is: km along the course, or the name of a place
    #[arg(long, value_name = "KM|PLACE")]
    at: String,
    /// Which way it drives
    #[arg(long, value_enum)]
    direction: Way,
    /// Displayed state of charge, percent
    #[arg(long, value_name = "PERCENT", value_parser = percent)]
    soc: f64,
    /// Usable energy of the car, full to displayed 0 %, kWh
    #[arg(long, value_name = "KWH", value_parser = above_zero)]
    usable_kwh: f64,
    /// How well that is known: one standard uncertainty, percent
    #[arg(long, value_name = "PERCENT", default_value_t = 3.0, value_parser = above_zero)]
    usable_u_percent: f64,
    /// Energy per distance driving out, and back where nothing else is given, Wh/km
    #[arg(long, value_name = "WH_PER_KM", value_parser = above_zero)]
    wh_per_km: f64,
    /// Energy per distance driving back, once it was driven, Wh/km
    #[arg(long, value_name = "WH_PER_KM", value_parser = above_zero)]
    wh_per_km_back: Option<f64>,
    /// Energy below displayed 0 % that this car is known to have, kWh; without it the limits are those of a first test
    #[arg(long, value_name = "KWH", value_parser = above_zero)]
    reserve_kwh: Option<f64>,
    /// With a trailer
    #[arg(long)]
    trailer: bool,
    /// What is left on arrival need not do for another charger or a safe stop
    #[arg(long)]
    no_spare: bool,
    /// The place whose charger is taken or dead
    #[arg(long, value_name = "PLACE")]
    taken: Option<String>,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug, clap::ValueEnum)]
enum Way {
    Out,
    Back,
}

fn number(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|value: &f64| value.is_finite()).ok_or_else(|| "not a number".into())
}

fn percent(text: &str) -> Result<f64, String> {
    number(text).and_then(|value| if (0.0..=100.0).contains(&value) { Ok(value) } else { Err("not 0 to 100".into()) })
}

fn above_zero(text: &str) -> Result<f64, String> {
    number(text).and_then(|value| if value > 0.0 { Ok(value) } else { Err("not above 0".into()) })
}

pub fn run(arguments: &Arguments) -> Outcome {
    let (course, faults) = Course::load(&arguments.course);
    let faulty = say::faults(&faults);
    let Some(course) = course else { return Outcome::NotDone };
    match advised(arguments, &course) {
        Ok(advice) => {
            if arguments.json {
                println!("{:#}", as_json(&course, &advice));
            } else {
                print!("{}", text(arguments, &course, &advice));
            }
            let safe = matches!(advice.state, State::Safe | State::GoNow);
            if safe && !faulty { Outcome::Done } else { Outcome::WithFaults }
        }
        Err(fault) => say::not_done(&fault),
    }
}

/// A place of the course by its name.
fn place(arguments: &Arguments, course: &Course, name: &str) -> Result<usize, Fault> {
    course.places.iter().position(|place| place.name == name).ok_or_else(|| {
        let known = course.places.iter().map(|place| &*place.name);
        Fault::whole(arguments.course.display().to_string(), format!("no place is called '{name}'"))
            .remedy(did_you_mean(name, known))
    })
}

/// Where the car is: by the name of a place, else by its distance along the course.
fn at(arguments: &Arguments, course: &Course) -> Result<Metre, Fault> {
    let (named, distance) = (place(arguments, course, &arguments.at), arguments.at.parse::<f64>());
    let (Err(_), Ok(km)) = (&named, distance) else { return named.map(|at| course.places[at].at) };
    let ends = course.places.first().zip(course.places.last()).map_or((0.0, 0.0), |(a, b)| (a.at.km(), b.at.km()));
    if (ends.0..=ends.1).contains(&km) {
        return Ok(Metre::from_km(km));
    }
    let what = format!("--at {} is not on the course", arguments.at);
    let remedy = format!("give {} to {} km, or the name of a place", ends.0, ends.1);
    Err(Fault::whole(arguments.course.display().to_string(), what).remedy(remedy))
}

fn advised(arguments: &Arguments, course: &Course) -> Result<Advice, Fault> {
    let at = at(arguments, course)?;
    let direction = if arguments.direction == Way::Out { Direction::Out } else { Direction::Back };
    let not_at = arguments.taken.as_ref().map(|name| place(arguments, course, name)).transpose()?;
    let per_metre = |wh_per_km: f64| ConsumptionUnit::WhPerKm.to_joule_per_metre(wh_per_km);
    let seen = outlook::Read {
        soc: arguments.soc / 100.0,
        usable: Joule::from_kwh(arguments.usable_kwh).0,
        usable_u: arguments.usable_u_percent / 100.0,
        out: per_metre(arguments.wh_per_km),
        back: arguments.wh_per_km_back.map(per_metre),
        reserve: arguments.reserve_kwh.map(|kwh| Joule::from_kwh(kwh).0),
    };
    let outlook = Outlook::from_readings(&seen);
    let limits = match seen.reserve {
        Some(_) => Limits::known(0.0),
        None => Limits::unknown(seen.usable, outlook.mean_per_metre()),
    };
    let limits = Limits { covers_alternative: !arguments.no_spare, ..limits };
    let rules = Rules { trailer: arguments.trailer, passing: None, not_at };
    Ok(advise(course, Here { at, direction }, &outlook, &limits, &rules, None))
}

/// What to do, in a few lines.
fn text(arguments: &Arguments, course: &Course, advice: &Advice) -> String {
    let name = |place: usize| &*course.places[place].name;
    let km = |metres: f64| format!("{} km", format::significant(metres / 1e3, 3));
    let word = match advice.state {
        State::Safe => "",
        State::GoNow => "Go to the charger now: no longer way is within the limits.",
        State::NoSpare => "Go to the charger now: if it is taken, what is left does not do for another or a safe stop.",
        State::TooLate => "Too late for the limits: go the shortest way, and slower.",
        State::NoWay => "From here no charger can be reached on this course.",
    };
    let mut text = if word.is_empty() { String::new() } else { format::wrap("", word, 0) };
    let end = |judged: &advice::Judged| {
        let kwh = |joule: f64| Joule(joule).kwh();
        let wide = coverage_factor_95(outlook::DOF);
        let left = format::figure(kwh(judged.left.mean), Some(wide * kwh(judged.left.u)), "kWh");
        let per_km = match judged.sequence.arriving {
            Direction::Back => arguments.wh_per_km_back.unwrap_or(arguments.wh_per_km),
            Direction::Out => arguments.wh_per_km,
        };
        let way = format::significant(judged.left.mean / ConsumptionUnit::WhPerKm.to_joule_per_metre(per_km) / 1e3, 2);
        format!(
            "{} after {}; {left} left there, some {way} km",
            name(judged.sequence.end()),
            km(judged.sequence.trip.length())
        )
    };
    if let Some(plan) = &advice.plan {
        for (index, (place, act)) in plan.sequence.acts.iter().enumerate() {
            let ahead = if index == 0 { format!(", {} ahead", km(advice.ahead)) } else { String::new() };
            let said = if *act == Act::Arrive { end(plan) } else { format!("{}{ahead}", name(*place)) };
            text += &line(act.words(), &said);
        }
        text += &line("Chance", &format!("{} of displayed 0 % before it", format::chance(plan.zero)));
        text += &line("", &format!("{} of stopping before it", format::chance(plan.stop)));
    }
    if let Some(missed) = &advice.if_missed {
        let first = missed.sequence.acts.first().map_or("", |(place, _)| name(*place));
        let said = format!("{first}, then {}; {} of displayed 0 % before it", end(missed), format::chance(missed.zero));
        text += &line("If that is missed", &said);
    }
    if advice.plan.is_some() {
        let said = match &advice.spare {
            Some(way) if way.trip.length() == 0.0 => "a safe stop is there".into(),
            Some(way) => format!("{}, {} on", name(way.end()), km(way.trip.length())),
            None => "the course names no other charger and no safe stop that can be reached from it".into(),
        };
        text += &line("If it is taken", &said);
    }
    if let Some(last) = advice.last {
        text += &line("Last moment", &format!("{}, {} ahead", name(last.place), km(last.ahead)));
    }
    text + &format::wrap("", CAUTION, 0)
}

fn as_json(course: &Course, advice: &Advice) -> serde_json::Value {
    let plan = |judged: &advice::Judged| {
        let acts = judged.sequence.acts.iter();
        let acts: Vec<_> =
            acts.map(|(place, what)| json!({ "place": course.places[*place].name, "act": what.key() })).collect();
        json!({
            "acts": acts,
            "km": judged.sequence.trip.length() / 1e3,
            "left_kwh": { "value": Joule(judged.left.mean).kwh(), "u": Joule(judged.left.u).kwh() },
            "chance_of_zero": judged.zero,
            "chance_of_stopping": judged.stop,
        })
    };
    json!({
        "schema": 1,
        "state": advice.state.key(),
        "plan": advice.plan.as_ref().map(plan),
        "ahead_km": advice.ahead / 1e3,
        "if_missed": advice.if_missed.as_ref().map(plan),
        "spare": advice.spare.as_ref().map(|way| json!({
            "place": course.places[way.end()].name,
            "km": way.trip.length() / 1e3,
        })),
        "last": advice.last.map(|last| json!({ "place": course.places[last.place].name, "ahead_km": last.ahead / 1e3 })),
    })
}
