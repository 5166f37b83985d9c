//! A moment as figures for a monitoring system: OpenMetrics 1.0 text, base units in the names.
//!
//! A value that is not known now is left out, never held and never 0. Holds no position and no vehicle number.

use std::fmt;
use std::sync::atomic::{AtomicU64, Ordering};

use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::ConstCounter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::{ConstGauge, Gauge};
use prometheus_client::registry::{Registry, Unit};

use super::moment::{Moment, SourceNow};

/// As OpenMetrics 1.0 names its text.
pub const CONTENT_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// What the page has answered.
#[derive(Debug, Default)]
pub struct Counts {
    /// Requests let in.
    pub answered: AtomicU64,
    /// Requests refused.
    pub refused: AtomicU64,
    /// Marks, acknowledgements and the like that were handed on.
    pub asked: AtomicU64,
}

type ByLabel = Family<Vec<(&'static str, String)>, Gauge<f64, AtomicU64>>;

/// The text; without a moment, or when it is stale, only what the page knows of itself.
///
/// # Errors
/// If a figure can't be written, which no value brings about.
pub fn text(moment: Option<&Moment>, counts: &Counts) -> Result<String, fmt::Error> {
    let mut registry = Registry::with_prefix("drawdown");
    let fresh = f64::from(u8::from(moment.is_some()));
    one(&mut registry, "fresh", "Whether a moment not older than 5 s is known", None, Some(fresh));
    for (name, help, count) in [
        ("page_requests_answered", "Requests let in by the page", &counts.answered),
        ("page_requests_refused", "Requests refused by the page", &counts.refused),
        ("page_asks", "Marks, acknowledgements and the like that were handed on", &counts.asked),
    ] {
        registry.register(name, help, ConstCounter::new(count.load(Ordering::Relaxed)));
    }
    if let Some(moment) = moment {
        of_the_car(&mut registry, moment);
        of_the_plan(&mut registry, moment);
        of_the_recording(&mut registry, moment);
    }
    let mut text = String::new();
    encode(&mut text, &registry)?;
    Ok(text)
}

/// A figure, if it is known.
fn one(registry: &mut Registry, name: &str, help: &str, unit: Option<Unit>, value: Option<f64>) {
    let Some(value) = value.filter(|value| value.is_finite()) else { return };
    match unit {
        Some(unit) => registry.register_with_unit(name, help, unit, ConstGauge::new(value)),
        None => registry.register(name, help, ConstGauge::new(value)),
    }
}

/// Figures told apart by a label, those that are known.
fn many(
    registry: &mut Registry,
    (name, help, unit): (&str, &str, Option<Unit>),
    label: &'static str,
    values: impl IntoIterator<Item = (String, Option<f64>)>,
) {
    let family = ByLabel::default();
    let mut any = false;
    for (key, value) in values {
        if let Some(value) = value.filter(|value| value.is_finite()) {
            family.get_or_create(&vec![(label, key)]).set(value);
            any = true;
        }
    }
    match unit {
        _ if !any => {}
        Some(unit) => registry.register_with_unit(name, help, unit, family),
        None => registry.register(name, help, family),
    }
}

fn per_second() -> Unit {
    Unit::Other("meters_per_second".into())
}

fn of_the_car(registry: &mut Registry, moment: &Moment) {
    let picture = &moment.picture;
    let soc = picture.soc.map(|soc| soc.share);
    one(registry, "state_of_charge", "Displayed state of charge", Some(Unit::Ratios), soc);
    let left = picture.to_zero;
    one(registry, "energy_left", "Energy until the display reads 0", Some(Unit::Joules), left.map(|left| left.mean));
    let help = "Standard uncertainty of the energy left";
    one(registry, "energy_left_uncertainty", help, Some(Unit::Joules), left.map(|left| left.u));
    let far = picture.distance_left;
    let help = "Distance until the display reads 0";
    one(registry, "distance_left", help, Some(Unit::Meters), far.map(|far| far.mean));
    let help = "Standard uncertainty of the distance left";
    one(registry, "distance_left_uncertainty", help, Some(Unit::Meters), far.map(|far| far.u));
    one(registry, "speed", "Speed now", Some(per_second()), picture.speed);
    let held = picture.hold.and_then(|hold| hold.share_of_leg);
    one(registry, "held", "Share of this leg's time within the tolerance", Some(Unit::Ratios), held);
    let per = &picture.per_metre;
    let spent = ("consumption", "Energy per distance", Some(Unit::Other("joules_per_meter".into())));
    let over = [("last_10_km", per.last_10_km), ("leg", per.leg), ("test", per.test)];
    many(registry, spent, "over", over.map(|(over, value)| (over.to_owned(), value)));
    let driven = &picture.driven;
    one(registry, "driven", "Driven in this test", Some(Unit::Meters), driven.distance);
    one(registry, "used", "Net energy used in this test", Some(Unit::Joules), driven.energy);
    one(registry, "driving", "Time driving in this test", Some(Unit::Seconds), Some(driven.time));
}

fn of_the_plan(registry: &mut Registry, moment: &Moment) {
    let Some(advice) = &moment.picture.advice else { return };
    let plan = advice.plan.as_ref();
    let ahead = plan.map(|_| advice.ahead);
    one(registry, "next_act", "Way to what comes next", Some(Unit::Meters), ahead);
    let help = "Energy left on arrival at the charger";
    one(registry, "left_on_arrival", help, Some(Unit::Joules), plan.map(|plan| plan.left.mean));
    let help = "Chance of displayed 0 before the charger";
    one(registry, "zero_chance", help, Some(Unit::Ratios), plan.map(|plan| plan.zero));
}

fn of_the_recording(registry: &mut Registry, moment: &Moment) {
    let now = &moment.recording;
    let runs = now.run.is_some() && now.waits.is_none();
    one(registry, "recording", "Whether a run is being recorded", None, Some(f64::from(u8::from(runs))));
    let age = now.on_disk.map(|age| age.seconds());
    one(registry, "on_disk_age", "Age of the last second that is on the disk", Some(Unit::Seconds), age);
    let free = now.free_bytes.map(|bytes| bytes as f64);
    one(registry, "free_space", "Free space on the data set's disk", Some(Unit::Bytes), free);
    let by_source = |value: fn(&SourceNow) -> Option<f64>| {
        now.sources.iter().map(move |source| (source.name.clone(), value(source))).collect::<Vec<_>>()
    };
    let reads = ("source_reads", "Whether a source is open and read", None);
    many(registry, reads, "source", by_source(|source| Some(f64::from(u8::from(source.reads)))));
    let rate = ("source_observations_per_second", "Frames and other observations a second", None);
    many(registry, rate, "source", by_source(|source| Some(source.per_second)));
    let quiet = ("source_quiet", "Time since a source last gave anything", Some(Unit::Seconds));
    many(registry, quiet, "source", by_source(|source| source.quiet.map(|quiet| quiet.seconds())));
    let alarms = [("seen", true), ("unseen", false)].map(|(state, seen)| {
        let count = moment.alarms.iter().filter(|alarm| alarm.acknowledged == seen).count();
        (state.to_owned(), Some(count as f64))
    });
    many(registry, ("alarms", "What is wrong now", None), "state", alarms);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::live::board::tests::sample;

    #[test]
    fn known_values_stand_with_their_units_and_others_are_left_out() {
        let counts = Counts::default();
        counts.asked.store(3, Ordering::Relaxed);
        let text = super::text(Some(&sample()), &counts).unwrap();
        // By hand: 20.2 kWh are 72.72 MJ; 176.4 Wh/km are 635.04 J/m.
        for line in [
            "drawdown_energy_left_joules 72720000.0",
            "drawdown_state_of_charge_ratios 0.42",
            "drawdown_page_asks_total 3",
            "drawdown_source_reads{source=\"gps\"} 0.0",
            "drawdown_alarms{state=\"unseen\"} 1.0",
        ] {
            assert!(text.lines().any(|found| found == line), "{line} in\n{text}");
        }
        assert!(text.contains("drawdown_consumption_joules_per_meter{over=\"last_10_km\"} 635.0"));
        // Every documented figure is there, with what the sample lacks added.
        let mut whole = sample();
        whole.recording.sources[0].quiet = Some(crate::time::Span(1));
        let text = super::text(Some(&whole), &counts).unwrap();
        let page = include_str!("../../docs/live-api.md");
        let documented = page.split('`').filter(|word| word.starts_with("drawdown_"));
        let missing: Vec<&str> = documented.filter(|name| !text.contains(&format!("\n{name}"))).collect();
        assert!(missing.is_empty(), "documented, not written: {missing:?}");
        let mut unknown = sample();
        unknown.picture = Default::default();
        unknown.picture.speed = Some(f64::NAN);
        let text = super::text(Some(&unknown), &counts).unwrap();
        assert!(!text.contains("energy_left") && !text.contains("speed") && !text.contains("NaN"));
        assert!(super::text(None, &counts).unwrap().contains("drawdown_fresh 0.0"));
    }
}
