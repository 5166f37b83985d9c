//! The equipment plan: what a rehearsal looked for, each found or not, before it begins.
//!
//! Looks only whether things are there; opens no bus and asks nothing of any.

use std::net::{TcpStream, ToSocketAddrs};
use std::path::Path;
use std::time::Duration;

use super::files::Given;
use crate::card::Card;
use crate::course::Course;
use crate::daemon::{Config, LiveSource, invented};
use crate::format::line;
use crate::rehearsal::Scenario;

/// How long a service may take to be found.
const PATIENCE: Duration = Duration::from_secs(1);

/// The plan. `config`: the rehearsal's own; `real`: that of the real drive, whose sources are looked for.
pub fn text(config: &Config, given: &Given, scenario: &Scenario, real: Option<&Config>) -> String {
    let mut text = String::from("Equipment\n");
    let mut say = |label: &str, found: String| text.push_str(&line(&format!("  {label}"), &found));
    say("course", course(&given.course_path(scenario), scenario));
    say("car", format!("{}, invented, {} times real time", scenario.car, invented::speed(config).unwrap_or(1.0)));
    say("map", map(given));
    say("card", config.card.as_deref().map_or_else(|| "not given".into(), card));
    say("page", config.page.as_ref().map_or_else(|| "off".into(), |page| format!("http://{}/", page.listen)));
    say("speech", speech(config));
    let buttons: Vec<&LiveSource> = real.iter().flat_map(|real| real.live()).filter(|live| is_button(live)).collect();
    if buttons.is_empty() {
        say("marks button", "not given".into());
    }
    buttons.iter().for_each(|button| say("marks button", source(button)));
    let Some(real) = real else {
        say("sources", "the invented car alone; those of the real drive are looked for with --config".into());
        return text;
    };
    real.live().filter(|live| !is_button(live)).for_each(|live| say("source", source(live)));
    text
}

fn is_button(live: &LiveSource) -> bool {
    matches!(live, LiveSource::Button(_))
}

fn course(path: &Path, scenario: &Scenario) -> String {
    let Some(course) = Course::load(path).0 else { return format!("{}: not usable", path.display()) };
    let positions = course.places.iter().all(|place| place.position.is_some());
    let fixes = match (positions, scenario.satellite.is_some()) {
        (true, true) => "positions for satellite fixes",
        (true, false) => "positions, but the scenario has no satellite receiver: no fixes",
        (false, _) => "no positions: no satellite fixes",
    };
    let turns = course.places.iter().filter(|place| place.turn_out.is_some() || place.turn_back.is_some()).count();
    let chargers = course.chargers().count();
    format!("found: {}; places {}, turns {turns}, chargers {chargers}; {fixes}", course.name, course.places.len())
}

fn map(given: &Given) -> String {
    let name = given.map.as_ref().map_or_else(String::new, |path| path.display().to_string());
    match given.map().map {
        Some(map) => format!("found: {name}; messages {}, roles {}", map.messages.len(), map.roles.len()),
        None => format!("{name}: not usable"),
    }
}

fn card(path: &Path) -> String {
    match Card::load(path).0 {
        Some(card) => format!("found: {}", card.name),
        None => format!("{}: not usable", path.display()),
    }
}

fn speech(config: &Config) -> String {
    let Some(program) = config.speech.as_ref().and_then(|speech| speech.command.first()) else {
        return "not given".into();
    };
    if is_program(program) { format!("found: {program}") } else { format!("NOT FOUND: {program}; install it") }
}

/// Whether a program of this name can be started: a path, or a name on the search path.
fn is_program(name: &str) -> bool {
    let runs = |path: &Path| {
        use std::os::unix::fs::PermissionsExt;
        path.metadata().is_ok_and(|found| found.is_file() && found.permissions().mode() & 0o111 != 0)
    };
    if name.contains('/') {
        return runs(Path::new(name));
    }
    std::env::var_os("PATH").is_some_and(|paths| std::env::split_paths(&paths).any(|folder| runs(&folder.join(name))))
}

/// Whether a source of the real drive is there.
fn source(live: &LiveSource) -> String {
    let name = live.name();
    let (found, remedy) = match live {
        LiveSource::SocketCan { interface, .. } => {
            (Path::new("/sys/class/net").join(interface).exists(), "is the adapter plugged in, and the interface up?")
        }
        LiveSource::Slcan { port, .. } | LiveSource::AtAdapter { port, .. } | LiveSource::Nmea { port, .. } => {
            (port.exists(), "is it plugged in, and is that its port?")
        }
        LiveSource::Gpsd { host, port } => (answers(host, *port), "is gpsd running?"),
        LiveSource::Button(contact) => match contact.open() {
            Ok(_) => (true, ""),
            Err(failure) => return format!("NOT FOUND: {failure}"),
        },
        LiveSource::Rehearsal { scenario, .. } => (scenario.exists(), "check the path"),
    };
    if found { format!("found: {name}") } else { format!("NOT FOUND: {name}; {remedy}") }
}

fn answers(host: &str, port: u16) -> bool {
    let addresses = (host, port).to_socket_addrs().into_iter().flatten();
    addresses.take(4).any(|address| TcpStream::connect_timeout(&address, PATIENCE).is_ok())
}
