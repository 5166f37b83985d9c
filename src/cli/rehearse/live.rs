//! A rehearsal that is watched: the daemon run on an invented car, then its recording reduced, the model's truth beside it.
//!
//! Writes a configuration and calls the daemon; drives, decides and computes nothing itself.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::equipment;
use super::files::Given;
use super::{Arguments, Kind};
use crate::card::Card;
use crate::cli::{Outcome, demo, say};
use crate::daemon::{Config, LiveSource, Notify, invented};
use crate::document::Fault;
use crate::quantity::ConsumptionUnit;
use crate::reduce::{self, Options};
use crate::rehearsal::Scenario;
use crate::source::button::contact::Settings as Contact;
use crate::source::{Clock, SystemClock};
use crate::store::data_set::DataSet;
use crate::store::names::valid_name;

/// The car's name in a rehearsal's data set where no card gives one.
const VEHICLE: &str = "invented";
/// Where the model's truth is written, in the rehearsal's folder.
const TRUTH: &str = "truth.json";

/// Drives until the car has arrived or a person stops it, then reduces.
pub fn drive(arguments: &Arguments, kind: Kind) -> Result<Outcome, Vec<Fault>> {
    let one = |fault: Fault| vec![fault];
    let real = arguments.config.as_deref().map(loaded).transpose()?;
    let given = Given::of(arguments, kind, real.as_ref().map(|config| &*config.map));
    // Faults of scenario, course and map are said before anything is made.
    given.rehearsal()?;
    let scenario = given.scenario().0.ok_or_else(Vec::new)?;
    let card_path = arguments.card.clone().or(real.as_ref().and_then(|config| config.card.clone()));
    let card = card_path.as_deref().and_then(|path| {
        let (card, faults) = Card::load(path);
        say::faults(&faults);
        card
    });
    let folder = new_folder(arguments).map_err(one)?;
    let written = Written {
        given: given.in_files(&folder).map_err(one)?,
        scenario: &scenario,
        vehicle: card.as_ref().and_then(|card| card.vehicle.as_deref()).filter(|name| valid_name(name)),
        card: card.as_ref().and(card_path.as_deref()),
        real: real.as_ref(),
        arguments,
    };
    let path = folder.join("car.toml");
    std::fs::write(&path, written.text().map_err(one)?).map_err(|error| one(Fault::io(&path, "write", &error)))?;
    let config = loaded(&path)?;
    print!("{}", equipment::text(&config, &written.given, &scenario, real.as_ref()));
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
        // Where no handler can be set the signal ends the process at once; what was recorded is put right by the next start.
        let _ = signal_hook::flag::register(signal, Arc::clone(&stop));
    }
    let _ = tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_max_level(tracing::Level::INFO)
        .with_target(false)
        .with_ansi(std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none())
        // The invented world's clock is not that of the log.
        .without_time()
        .try_init();
    let clock = invented::clock_of(&config, Arc::new(SystemClock::new()) as Arc<dyn Clock>);
    crate::daemon::run(&config, &clock, Notify::default(), &stop).map_err(one)?;
    let units = card.and_then(|card| card.units).unwrap_or_default();
    report(&folder, &config, units).map_err(one)?;
    Ok(if stop.load(Ordering::Relaxed) { Outcome::WithFaults } else { Outcome::Done })
}

/// A configuration that can be used.
fn loaded(path: &Path) -> Result<Config, Vec<Fault>> {
    let (config, faults) = Config::load(path);
    match config.filter(|_| !faults.iter().any(Fault::is_error)) {
        Some(config) => {
            say::faults(&faults);
            Ok(config)
        }
        None => Err(faults),
    }
}

/// A new folder: a rehearsal is kept apart from what was measured.
fn new_folder(arguments: &Arguments) -> Result<PathBuf, Fault> {
    let named = || PathBuf::from(format!("rehearsal-{}", SystemClock::new().wall().run_name()));
    let folder = arguments.data.clone().unwrap_or_else(named);
    let cannot = |error: std::io::Error| Fault::io(&folder, "make", &error);
    std::fs::create_dir_all(&folder).map_err(cannot)?;
    let empty = std::fs::read_dir(&folder).map_err(cannot)?.next().is_none();
    let fault =
        || Fault::whole(folder.display().to_string(), "is not empty: a rehearsal is kept apart from measurements");
    if empty { Ok(folder) } else { Err(fault().remedy("name a new folder with --data")) }
}

/// What the configuration of a rehearsal is written from.
struct Written<'a> {
    given: Given,
    scenario: &'a Scenario,
    vehicle: Option<&'a str>,
    card: Option<&'a Path>,
    real: Option<&'a Config>,
    arguments: &'a Arguments,
}

impl Written<'_> {
    /// The configuration's text.
    fn text(&self) -> Result<String, Fault> {
        let mut text = String::from("# Written by `drawdown rehearse`: an invented car, nothing is measured.\n");
        let path = |path: &Path| {
            let path = std::path::absolute(path).map_err(|error| Fault::io(path, "find", &error))?;
            Ok::<_, Fault>(quoted(&path.to_string_lossy()))
        };
        let mut line = |key: &str, value: String| text.push_str(&format!("{key} = {value}\n"));
        let map = self.given.map.as_deref().unwrap_or(Path::new(""));
        let scenario = self.given.scenario.as_deref().unwrap_or(Path::new(""));
        line("vehicle", quoted(self.vehicle.unwrap_or(VEHICLE)));
        line("data", quoted("data"));
        line("map", path(map)?);
        line("course", path(&self.given.course_path(self.scenario))?);
        if let Some(card) = self.card {
            line("card", path(card)?);
        }
        text.push_str(&self.car());
        if let Some(speech) = self.real.and_then(|real| real.speech.as_ref()) {
            let words: Vec<String> = speech.command.iter().map(|word| quoted(word)).collect();
            text.push_str(&format!("[speech]\ncommand = [{}]\n", words.join(", ")));
        }
        if self.arguments.page != "off" {
            text.push_str(&format!("[page]\nlisten = {}\n", quoted(&self.arguments.page)));
        }
        text.push_str("[[source]]\nkind = \"rehearsal\"\n");
        let mut line = |key: &str, value: String| text.push_str(&format!("{key} = {value}\n"));
        line("scenario", path(scenario)?);
        if let Some(course) = &self.given.course {
            line("course", path(course)?);
        }
        line("speed", format!("{:?}", self.arguments.speed));
        line("truth", quoted(TRUTH));
        for live in self.real.iter().flat_map(|real| real.live()) {
            text.push_str(&button(live));
        }
        Ok(text)
    }

    /// What is known of the car before the drive: what the real configuration says; else, where no card claims anything, what the
    /// invented car's own computer takes for granted.
    fn car(&self) -> String {
        let mut text = String::from("[car]\n");
        let mut line = |key: &str, value: Option<f64>| {
            if let Some(value) = value {
                text.push_str(&format!("{key} = {value:?}\n"));
            }
        };
        match self.real.map(|real| &real.car) {
            Some(car) => {
                line("usable_kwh", car.usable.map(|joule| crate::quantity::Joule(joule).kwh()));
                line("usable_u_percent", Some(car.usable_u * 100.0));
                line("reserve_kwh", car.reserve.map(|joule| crate::quantity::Joule(joule).kwh()));
                line("wh_per_km", car.per_metre.map(|it| ConsumptionUnit::WhPerKm.from_joule_per_metre(it)));
                line("cell_cut_off_v", car.cut_off.cell);
                line("pack_cut_off_v", car.cut_off.pack);
                line("floor_percent", car.floor_share.map(|share| share * 100.0));
                if car.no_spare {
                    text.push_str("no_spare = true\n");
                }
                if let Some(earlier) = &car.earlier {
                    let path = std::path::absolute(earlier).unwrap_or_else(|_| earlier.clone());
                    text.push_str(&format!("earlier = {}\n", quoted(&path.to_string_lossy())));
                }
            }
            None if self.card.is_none() => {
                line("usable_kwh", Some(self.scenario.computer.assumed_energy_kwh));
                line("wh_per_km", Some(self.scenario.computer.assumed_wh_per_km));
            }
            None => {}
        }
        text
    }
}

/// The real drive's button, which a rehearsal listens to as well.
fn button(live: &LiveSource) -> String {
    let path = |path: &Path| quoted(&path.to_string_lossy());
    match live {
        LiveSource::Button(Contact::Key { device, key, grab }) => {
            format!("[[source]]\nkind = \"button\"\ndevice = {}\nkey = {}\ngrab = {grab}\n", path(device), quoted(key))
        }
        LiveSource::Button(Contact::Line { chip, line, active_low, debounce }) => format!(
            "[[source]]\nkind = \"button\"\nchip = {}\nline = {line}\nactive_low = {active_low}\ndebounce_ms = {:?}\n",
            path(chip),
            debounce.seconds() * 1e3
        ),
        _ => String::new(),
    }
}

/// A text as a TOML basic string: JSON's escapes are among TOML's.
fn quoted(text: &str) -> String {
    serde_json::Value::String(text.to_owned()).to_string()
}

/// What came of it: the runs reduced, and the truth beside where the drive came to its end.
fn report(folder: &Path, config: &Config, units: ConsumptionUnit) -> Result<(), Fault> {
    let runs = DataSet::open(&config.data)?.runs()?;
    let folders: Vec<&Path> = runs.iter().map(|run| &*run.path).collect();
    if folders.is_empty() {
        println!("Nothing was recorded.");
        return Ok(());
    }
    let loaded = reduce::load::runs(&folders);
    say::faults(&loaded.faults);
    let reduction = reduce::reduce(&loaded.runs, None, &Options::default());
    println!("Rehearsal: an invented car was driven, nothing was measured.\n");
    println!("{}", crate::sheet::table(&reduction, units));
    let truth = folder.join(TRUTH);
    if truth.exists() {
        demo::print_truth(&reduction, &truth)?;
    }
    for folder in folders {
        println!("files: {}", folder.display());
    }
    Ok(())
}
