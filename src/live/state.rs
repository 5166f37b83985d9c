//! A moment as JSON for programs: plain numbers, their units in their names, null where a value is not known now.
//!
//! Nothing is rounded. Holds no position and no vehicle number. `docs/live-api.md` says what each key means.

use serde_json::{Value, json};

use super::moment::{Moment, SourceNow};
use crate::course::{Course, Direction};
use crate::plan::Advice;
use crate::plan::advice::{Judged, LastMoment};
use crate::plan::outlook::Guess;
use crate::plan::picture::{Cliff, Displayed, Hold, KnownBy, PowerStep, RestsOn, Whereabouts, Worth};
use crate::plan::turning::{Act, Sequence};
use crate::quantity::{ConsumptionUnit, JOULE_PER_WH};

/// Version of the shape.
pub const SCHEMA: u32 = 1;

/// A moment; without one, or when it is stale: only that it is not fresh.
pub fn state(moment: Option<&Moment>) -> Value {
    let Some(moment) = moment else {
        return json!({ "schema": SCHEMA, "fresh": false });
    };
    let picture = &moment.picture;
    let course = moment.course.as_deref();
    let per_km = |joule_per_metre: f64| ConsumptionUnit::WhPerKm.from_joule_per_metre(joule_per_metre);
    let ahead = |at: usize| picture.per_metre.ahead.map(|ahead| ahead[at]);
    json!({
        "schema": SCHEMA,
        "fresh": true,
        "utc": moment.utc.second(),
        "vehicle": moment.vehicle,
        "rehearsal": moment.rehearsal,
        "course": course.map(|course| &course.name),
        "phase": picture.phase.map(|phase| phase.key()),
        "soc": picture.soc.map(soc),
        "left": {
            "energy_wh": picture.to_zero.map(|guess| wh(guess.mean)),
            "energy_u_wh": picture.to_zero.map(|guess| wh(guess.u)),
            "distance_m": picture.distance_left.map(|guess| guess.mean),
            "distance_u_m": picture.distance_left.map(|guess| guess.u),
            "degrees_of_freedom": picture.dof,
            "rests_on": picture.rests_on.map(rests_on),
        },
        "speed_mps": picture.speed,
        "hold": picture.hold.map(hold),
        "consumption": {
            "last_10_km_wh_per_km": picture.per_metre.last_10_km.map(per_km),
            "leg_wh_per_km": picture.per_metre.leg.map(per_km),
            "test_wh_per_km": picture.per_metre.test.map(per_km),
            "ahead_out_wh_per_km": ahead(0).map(|guess| per_km(guess.mean)),
            "ahead_out_u_wh_per_km": ahead(0).map(|guess| per_km(guess.u)),
            "ahead_back_wh_per_km": ahead(1).map(|guess| per_km(guess.mean)),
            "ahead_back_u_wh_per_km": ahead(1).map(|guess| per_km(guess.u)),
        },
        "driven": {
            "distance_m": picture.driven.distance,
            "leg_m": picture.driven.leg,
            "energy_wh": picture.driven.energy.map(wh),
            "driving_s": picture.driven.time,
        },
        "here": picture.here.map(here),
        "advice": picture.advice.as_ref().map(|advice| advised(advice, course)),
        "step": picture.step.map(step),
        "cliff": picture.cliff.map(cliff),
        "worth": picture.worth.as_ref().map(worth),
        "recording": {
            "run": moment.recording.run,
            "duration_s": moment.recording.duration.seconds(),
            "stopped_because": moment.recording.waits,
            "on_disk_ago_s": moment.recording.on_disk.map(|span| span.seconds()),
            "free_bytes": moment.recording.free_bytes,
            "sources": moment.recording.sources.iter().map(source).collect::<Vec<_>>(),
        },
        "alarms": moment.alarms.iter().map(|alarm| json!({
            "key": alarm.key,
            "text": alarm.text,
            "since_s": alarm.since.seconds(),
            "acknowledged": alarm.acknowledged,
        })).collect::<Vec<_>>(),
        "ready": moment.ready.iter().map(|check| json!({
            "name": check.name,
            "go": check.go,
            "found": check.found,
            "remedy": check.remedy,
        })).collect::<Vec<_>>(),
    })
}

fn wh(joule: f64) -> f64 {
    joule / JOULE_PER_WH
}

fn soc(soc: Displayed) -> Value {
    json!({ "percent": soc.share * 100.0, "read_by_person_ago_s": soc.marked.map(|age| age.seconds()) })
}

fn rests_on(rests: RestsOn) -> &'static str {
    match rests {
        RestsOn::Given => "given",
        RestsOn::Both => "both",
        RestsOn::Drive => "drive",
    }
}

fn hold(hold: Hold) -> Value {
    json!({
        "target_mps": hold.target,
        "last_minute_mps": hold.last_minute,
        "share_of_leg_percent": hold.share_of_leg.map(|share| share * 100.0),
    })
}

fn here(here: Whereabouts) -> Value {
    let by = match here.by {
        KnownBy::Fix => "fix",
        KnownBy::Distance => "distance",
    };
    let direction = if here.direction == Direction::Out { "out" } else { "back" };
    json!({ "at_m": here.at.0, "u_m": here.u, "direction": direction, "by": by })
}

fn place(course: Option<&Course>, index: usize) -> Option<&str> {
    course.and_then(|course| course.places.get(index)).map(|place| &*place.name)
}

fn advised(advice: &Advice, course: Option<&Course>) -> Value {
    let last = |last: LastMoment| json!({ "place": place(course, last.place), "ahead_m": last.ahead });
    let spare = |way: &Sequence| json!({ "place": place(course, way.end()), "trip_m": way.trip.length() });
    json!({
        "state": advice.state.key(),
        "ahead_m": advice.ahead,
        "plan": advice.plan.as_ref().map(|plan| judged(plan, course)),
        "if_missed": advice.if_missed.as_ref().map(|plan| judged(plan, course)),
        "last": advice.last.map(last),
        "spare": advice.spare.as_ref().map(spare),
    })
}

fn judged(judged: &Judged, course: Option<&Course>) -> Value {
    let act = |(at, act): &(usize, Act)| json!({ "place": place(course, *at), "act": act.key() });
    let Guess { mean, u } = judged.left;
    json!({
        "acts": judged.sequence.acts.iter().map(act).collect::<Vec<_>>(),
        "trip_m": judged.sequence.trip.length(),
        "left_wh": wh(mean),
        "left_u_wh": wh(u),
        "chance_of_zero": judged.zero,
        "chance_of_stopping": judged.stop,
    })
}

fn step(step: PowerStep) -> Value {
    json!({ "power_w": step.power, "since_s": step.since.seconds(), "by": step.by.map(|role| role.key()) })
}

fn cliff(cliff: Cliff) -> Value {
    json!({
        "energy_wh": wh(cliff.energy.mean),
        "energy_u_wh": wh(cliff.energy.u),
        "display_ahead_percent": cliff.display_ahead_by * 100.0,
        "counts": cliff.counts,
    })
}

fn worth(worth: &Worth) -> Value {
    let per_km = |joule_per_metre: f64| ConsumptionUnit::WhPerKm.from_joule_per_metre(joule_per_metre);
    json!({
        "pairs": worth.pairs,
        "consumption_wh_per_km": per_km(worth.per_metre.mean),
        "consumption_u_wh_per_km": per_km(worth.per_metre.u),
        "range_m": worth.range.map(|range| range.mean),
        "range_u_m": worth.range.map(|range| range.u),
        "degrees_of_freedom": worth.dof,
        "spoiled": worth.spoiled,
    })
}

fn source(source: &SourceNow) -> Value {
    json!({
        "name": source.name,
        "reads": source.reads,
        "trouble": source.trouble,
        "per_second": source.per_second,
        "quiet_s": source.quiet.map(|span| span.seconds()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::live::board::tests::sample;

    /// Every path of keys that ends at a value.
    fn paths(value: &Value, path: &str, found: &mut Vec<String>) {
        match value {
            Value::Object(object) => {
                for (key, value) in object {
                    paths(value, &if path.is_empty() { key.clone() } else { format!("{path}.{key}") }, found);
                }
            }
            Value::Array(array) if array.iter().any(Value::is_object) => {
                array.iter().for_each(|value| paths(value, path, found));
            }
            _ => found.push(path.to_owned()),
        }
    }

    #[test]
    fn every_key_is_documented_and_no_other() {
        let mut found = Vec::new();
        let mut moment = sample();
        moment.picture.advice.as_mut().unwrap().spare =
            moment.picture.advice.as_ref().and_then(|advice| advice.plan.clone()).map(|plan| plan.sequence);
        paths(&state(Some(&moment)), "", &mut found);
        let page = include_str!("../../docs/live-api.md");
        let table = page.split("## The state").nth(1).unwrap().split("\n## ").next().unwrap();
        let rows = table.lines().filter_map(|line| line.strip_prefix("| `")?.split('`').next());
        let mut documented: Vec<&str> = rows.collect();
        // What is said of the plan holds for the one if that is missed.
        found.retain(|path| !path.starts_with("advice.if_missed."));
        found.sort_unstable();
        found.dedup();
        documented.sort_unstable();
        assert_eq!(found, documented, "docs/live-api.md");
    }

    #[test]
    fn numbers_are_those_of_the_moment_in_the_units_of_their_names() {
        let state = state(Some(&sample()));
        // By hand: 20.2 kWh is 20 200 Wh; 176.4 Wh/km; 2.7 % ahead; 42 % displayed.
        let number = |path: &str| path.split('.').fold(&state, |value, key| &value[key]).as_f64().unwrap();
        for (path, value) in [
            ("soc.percent", 42.0),
            ("left.energy_wh", 20_200.0),
            ("left.distance_m", 112_400.0),
            ("consumption.last_10_km_wh_per_km", 176.4),
            ("cliff.display_ahead_percent", 2.7),
            ("advice.plan.left_wh", 2_400.0),
            ("recording.on_disk_ago_s", 0.64),
        ] {
            assert!((number(path) - value).abs() < 1e-9 * value.abs(), "{path}: {}", number(path));
        }
        assert_eq!(state["advice"]["plan"]["acts"][0], json!({ "place": "Underfell", "act": "turn" }));
    }

    #[test]
    fn what_is_not_known_or_stale_is_null() {
        assert_eq!(super::state(None), json!({ "schema": 1, "fresh": false }));
        let mut moment = sample();
        moment.picture = Default::default();
        moment.picture.speed = Some(f64::NAN);
        let state = super::state(Some(&moment));
        assert!(state["soc"].is_null() && state["speed_mps"].is_null() && state["left"]["energy_wh"].is_null());
    }
}
