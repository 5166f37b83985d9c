//! What the daemon does for a rehearsal: the invented car of a configuration, the clock that everybody lives by, and what its
//! driver is told, which is what a real one would be advised.
//!
//! Does not drive and does not plan.

use std::path::Path;
use std::sync::Arc;

use super::Config;
use super::config::LiveSource;
use crate::course::Course;
use crate::document::Fault;
use crate::map::Map;
use crate::observation::BusNames;
use crate::plan::Advice;
use crate::plan::turning::Act;
use crate::rehearsal::{Order, Rehearsal, Scenario};
use crate::source::{Clock, ScaledClock};

/// The clock of a configuration: as many times as fast as the given one as its rehearsal asks for, the given one without any.
pub fn clock_of(config: &Config, clock: Arc<dyn Clock>) -> Arc<dyn Clock> {
    match speed(config) {
        Some(speed) => Arc::new(ScaledClock::new(clock, speed)),
        None => clock,
    }
}

/// How many times as fast as the world an invented car is driven; `None` without one.
pub fn speed(config: &Config) -> Option<f64> {
    config.live().find_map(|live| if let LiveSource::Rehearsal { speed, .. } = live { Some(*speed) } else { None })
}

/// Scenario and course by name, which a rehearsal's run keeps beside its map; what can't be read is said when the car is made.
pub(super) fn files(config: &Config) -> Vec<(String, Vec<u8>)> {
    let mut paths = Vec::new();
    for live in config.live() {
        if let LiveSource::Rehearsal { scenario, course, .. } = live {
            paths.extend([Some(scenario), course.as_ref()].into_iter().flatten());
        }
    }
    let read = |path: &&Path| Some((path.file_name()?.to_string_lossy().into_owned(), std::fs::read(path).ok()?));
    paths.iter().map(|path| path.as_path()).filter_map(|path| read(&path)).collect()
}

/// The car of a scenario at its start, on the scenario's own course or on another, with its buses numbered among the others.
///
/// # Errors
/// If a file has faults, all of which are logged, or there are more buses than can be told apart.
pub(super) fn car(
    scenario_path: &Path,
    course: Option<&Path>,
    map: &Map,
    names: &mut BusNames,
) -> Result<(Rehearsal, BusNames), Fault> {
    let unusable =
        |path: &Path| Fault::whole(path.display().to_string(), "can't be rehearsed").remedy("mend what is said above");
    let (scenario, faults) = Scenario::load(scenario_path);
    log(&faults);
    let scenario = scenario.ok_or_else(|| unusable(scenario_path))?;
    let own = || scenario_path.parent().unwrap_or(Path::new("")).join(&scenario.course);
    let road_path = course.map_or_else(own, Path::to_owned);
    let (road, faults) = Course::load(&road_path);
    log(&faults);
    let road = road.ok_or_else(|| unusable(&road_path))?;
    let made = match course {
        Some(_) => Rehearsal::elsewhere(&scenario, &road, map),
        None => Rehearsal::new(&scenario, &road, map),
    };
    let rehearsal = made.map_err(|faults| {
        log(&faults);
        unusable(scenario_path)
    })?;
    if rehearsal.buses().iter().any(|bus| names.intern(bus).is_none()) {
        return Err(Fault::whole(scenario_path.display().to_string(), "has more buses than can be told apart"));
    }
    if scenario.satellite.is_some() && road.places.iter().any(|place| place.position.is_none()) {
        tracing::warn!("{}: places have no positions, so there are no satellite fixes", road_path.display());
    }
    Ok((rehearsal, names.clone()))
}

fn log(faults: &[Fault]) {
    for fault in faults {
        if fault.is_error() { tracing::error!("{fault}") } else { tracing::warn!("{fault}") }
    }
}

/// What an invented driver is told: the first act of the plan, as a real one would be.
pub fn order_of(advice: &Advice, course: &Course) -> Option<Order> {
    let (place, act) = advice.plan.as_ref()?.sequence.acts.first()?;
    let name = course.places.get(*place)?.name.clone();
    Some(match act {
        Act::Turn => Order::Turn(name),
        Act::Round => Order::Round(name),
        Act::Arrive => Order::Arrive(name),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::Document;
    use crate::plan::advice::{Judged, State};
    use crate::plan::turning::Sequence;
    use crate::source::SystemClock;

    fn config(sources: &str) -> (Option<Config>, Vec<String>) {
        let text = format!("vehicle = 'x'\ndata = 'DATA'\nmap = 'map.toml'\n{sources}");
        let (config, faults) = Config::from_document(&Document::from_text("car.toml", text), Path::new("etc"));
        (config, faults.iter().map(Fault::to_string).collect())
    }

    const INVENTED: &str = "[[source]]\nkind = 'rehearsal'\nscenario = 's.toml'\ncourse = 'c.toml'\nspeed = 20\n";

    #[test]
    fn a_rehearsal_is_named_as_one_and_stands_alone() {
        let (sound, faults) = config(INVENTED);
        let sound = sound.expect("a configuration");
        assert_eq!((faults.len(), speed(&sound)), (0, Some(20.0)));
        assert_eq!(sound.source_names(), ["rehearsal of etc/c.toml, 20 times real time"]);
        let too_fast = config(&INVENTED.replace("20", "501")).1;
        assert_eq!(too_fast, ["car.toml:4: speed of 501 is out of range; use 1 to 500 times real time"]);
        let beside = config(&format!("{INVENTED}[[source]]\nkind = 'gpsd'\n")).1;
        let said =
            "car.toml:9: an invented car can't be driven beside sources that are read live; use one kind or the other";
        assert_eq!(beside, [said]);
        let real = config("[[source]]\nkind = 'gpsd'\n").0.expect("a configuration");
        assert_eq!(speed(&real), None);
        let clock: Arc<dyn Clock> = Arc::new(SystemClock::new());
        assert!(Arc::ptr_eq(&clock_of(&real, Arc::clone(&clock)), &clock));
    }

    #[test]
    fn a_button_is_a_key_or_a_line_and_stands_beside_any_source() {
        let key = "[[source]]\nkind = 'button'\ndevice = '/dev/input/event3'\nkey = 'KEY_VOLUMEUP'\n";
        let line = "[[source]]\nkind = 'button'\nchip = '/dev/gpiochip0'\nline = 17\nactive_low = true\n";
        let (both, faults) = config(&format!("{INVENTED}{key}{line}"));
        assert_eq!(faults, [""; 0]);
        let names = both.expect("a configuration").source_names();
        assert_eq!(names[1..], ["button KEY_VOLUMEUP of /dev/input/event3", "button on line 17 of /dev/gpiochip0"]);
        let said = "car.toml:4: a button is a key of an input device or a line of a GPIO chip; give device and key (and grab), \
            or chip and line (and active_low and debounce_ms)";
        for wrong in [
            key.replace("key =", "line = 3 #"),
            line.replace("line =", "grab = true #"),
            key.to_owned() + "chip = 'x'\n",
        ] {
            assert_eq!(config(&wrong).1, [said], "{wrong}");
        }
        let unknown = config(&key.replace("VOLUMEUP", "NOSUCH")).1;
        assert_eq!(
            unknown,
            ["car.toml:4: there is no key 'KEY_NOSUCH'; use a name that `evtest` shows, like 'KEY_VOLUMEUP'"]
        );
        let bounces = config(&format!("{line}debounce_ms = 0\n")).1;
        assert_eq!(bounces, ["car.toml:4: debounce_ms of 0 ms is out of range; use 1 to 200 ms"]);
    }

    #[test]
    fn an_invented_driver_is_told_the_plans_first_act() {
        let text = include_str!("../../recordings/demo-course.toml");
        let course = Course::parse(&Document::from_text("course.toml", text)).0.expect("the demo's course");
        let advice = |acts: Vec<(usize, Act)>| {
            let sequence = Sequence { acts, arriving: crate::course::Direction::Back, trip: Default::default() };
            let plan = Judged { sequence, left: Default::default(), zero: 0.0, stop: 0.0 };
            Advice { state: State::Safe, plan: Some(plan), ahead: 0.0, if_missed: None, last: None, spare: None }
        };
        let turn = advice(vec![(4, Act::Turn), (0, Act::Arrive)]);
        assert_eq!(order_of(&turn, &course), Some(Order::Turn("Underfell".into())));
        assert_eq!(order_of(&advice(vec![(0, Act::Arrive)]), &course), Some(Order::Arrive("Quaymoor".into())));
        assert_eq!(order_of(&advice(vec![(99, Act::Arrive)]), &course), None);
        assert_eq!(order_of(&Advice { plan: None, ..turn }, &course), None);
    }
}
