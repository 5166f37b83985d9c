//! Why two tests are not compared: each reason has a name, and concerns the figures that it could falsify and no other.
//!
//! What is known to be unlike is refused; what is not known is told and not refused, but for whether the course closes,
//! without which grade is in the figure. Compares no figure.

use super::{Asked, Facts, What};
use crate::format;
use crate::quantity::MetrePerSecond;
use crate::schema::Role;

/// Mean speeds further apart are not one way of driving, m/s (5 km/h): common practice, no source.
const MEAN_SPEEDS: f64 = 5.0 / 3.6;
/// Air further apart is not one weather, K; it moves energy per distance by some 3 %: common practice, no source.
const AIR_K: f64 = 5.0;
/// Outside these nothing is restated, nor compared, degC and m/s: as for conditions.
const TEMPERATURES: std::ops::RangeInclusive<f64> = 5.0..=30.0;
const WIND_MAX: f64 = 5.0;
/// Set-ups are alike within these: pressure of the tyres, Pa, and load, kg: common practice, no source.
const PRESSURE: f64 = 20e3;
const LOAD_KG: f64 = 50.0;

macro_rules! reasons {
    ($($(#[$doc:meta])* $name:ident $key:literal;)*) => {
        /// Why two tests are not compared.
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
        pub enum Reason { $($(#[$doc])* $name,)* }

        impl Reason {
            /// Every reason.
            pub const ALL: &[Self] = &[$(Self::$name),*];
            /// As written.
            pub fn key(self) -> &'static str {
                match self { $(Self::$name => $key,)* }
            }
        }
    };
}

reasons! {
    /// Other target speeds, or other mean speeds.
    Speed "speed";
    /// One with a trailer, or other trailers.
    Trailer "trailer";
    /// A part of the road was wet.
    WetRoad "wet-road";
    /// The course does not close, or that is not known.
    OpenCourse "open-course";
    /// Other courses.
    Course "other-course";
    /// Wind above 5 m/s.
    Wind "wind";
    /// Outside 5 to 30 degC, or too far apart.
    Temperature "temperature";
    /// A rehearsal beside a real drive.
    Rehearsal "rehearsal";
    /// Displayed against internal state of charge.
    StateOfCharge "state-of-charge";
    /// Other reference conditions.
    Reference "reference";
}

impl Reason {
    /// By its written form.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|reason| reason.key() == key)
    }

    /// Whether it could falsify a figure.
    pub fn concerns(self, asked: Asked) -> bool {
        match self {
            Self::Speed | Self::Trailer | Self::WetRoad | Self::OpenCourse | Self::Course | Self::Wind => {
                asked.is_of_road()
            }
            // Restating is what makes up for unlike air; what lies outside its bounds is not restated anyway.
            Self::Temperature => !asked.restated,
            Self::Rehearsal => true,
            Self::StateOfCharge => asked.is_of_pack(),
            Self::Reference => asked.restated && asked.what != What::Usable,
        }
    }
}

/// A reason with what it rests on.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Refusal {
    /// Which.
    pub reason: Reason,
    /// In plain words.
    pub text: String,
}

/// What stands against some tests beside any other, what is of several told once; else what is unlike of two sides; each
/// reason once.
pub fn of_pair(one: &[&Facts], other: &[&Facts]) -> Vec<Refusal> {
    let mut each: Vec<(Refusal, Vec<&str>)> = Vec::new();
    for test in one.iter().chain(other) {
        for refusal in of_one(test) {
            match each.iter_mut().find(|(known, _)| *known == refusal) {
                Some((_, names)) => names.push(&test.name),
                None => each.push((refusal, vec![&test.name])),
            }
        }
    }
    let named = |(refusal, names): (Refusal, Vec<&str>)| Refusal {
        reason: refusal.reason,
        text: format!("{}: {}", names.join(", "), refusal.text),
    };
    let mut unlike: Vec<Refusal> = one.iter().flat_map(|a| other.iter().flat_map(|b| between(a, b))).collect();
    unlike.sort_by_key(|refusal| refusal.reason);
    unlike.dedup_by_key(|refusal| refusal.reason);
    unlike.retain(|refusal| each.iter().all(|(known, _)| known.reason != refusal.reason));
    let mut all: Vec<Refusal> = each.into_iter().map(named).chain(unlike).collect();
    all.sort_by_key(|refusal| refusal.reason);
    all
}

/// What stands against a test beside any other.
pub fn of_one(test: &Facts) -> Vec<Refusal> {
    let mut all = Vec::new();
    let mut say = |reason, text: String| all.push(Refusal { reason, text });
    if let Some(wet) = test.wet_percent.filter(|wet| *wet > 0.0) {
        say(Reason::WetRoad, format!("{} of the road was wet", format::percent(wet)));
    }
    if let Err(why) = &test.closed {
        say(Reason::OpenCourse, why.clone());
    }
    if let Some(wind) = test.wind.filter(|wind| *wind > WIND_MAX) {
        say(Reason::Wind, format!("a wind of {} m/s, above 5 m/s", format::significant(wind, 2)));
    }
    if let Some(degc) = test.degc.filter(|degc| !TEMPERATURES.contains(degc)) {
        say(Reason::Temperature, format!("air of {} degC, outside 5 to 30 degC", format::temperature(degc)));
    }
    all
}

/// What is unlike of two tests.
pub fn between(a: &Facts, b: &Facts) -> Vec<Refusal> {
    let mut all = Vec::new();
    let mut say = |reason, text: String| all.push(Refusal { reason, text });
    let both = |x: &str, y: &str| format!("{} {x}, {} {y}", a.name, b.name);
    let kmh = |speed: f64| format::speed(MetrePerSecond(speed), 0, false);
    match (a.target, b.target, a.mean_speed, b.mean_speed) {
        (Some([one, t]), Some([other, u]), ..) if (one - other).abs() > t.max(u) + 1e-9 => {
            say(Reason::Speed, both(&format!("for {}", kmh(one)), &format!("for {}", kmh(other))));
        }
        (_, _, Some(one), Some(other)) if (one - other).abs() > MEAN_SPEEDS => {
            let [one, other] = [one, other].map(|speed| format!("at {} in the mean", kmh(speed)));
            say(Reason::Speed, both(&one, &other));
        }
        _ => {}
    }
    match (&a.trailer, &b.trailer) {
        (None, None) => {}
        (Some(one), Some(other)) if one == other => {}
        (Some(_), Some(_)) => say(Reason::Trailer, both("with a trailer", "with another")),
        (one, _) => {
            let [one, other] = if one.is_some() { ["with", "without"] } else { ["without", "with"] };
            say(Reason::Trailer, both(&format!("{one} a trailer"), other));
        }
    }
    if let Some((one, other)) = a.course.as_ref().zip(b.course.as_ref())
        && one != other
    {
        say(Reason::Course, format!("{} and {} on different courses", a.name, b.name));
    }
    if let Some((one, other)) = a.degc.zip(b.degc)
        && (one - other).abs() > AIR_K
    {
        let [one, other] = [one, other].map(|degc| format!("in air of {} degC", format::temperature(degc)));
        say(Reason::Temperature, both(&one, &other));
    }
    if a.is_rehearsal != b.is_rehearsal {
        let [one, other] = [a, b].map(|test| if test.is_rehearsal { "is a rehearsal" } else { "a real drive" });
        say(Reason::Rehearsal, both(one, other));
    }
    if a.soc != b.soc {
        let [one, other] = [a, b].map(|test| match test.soc {
            Role::SocInternal => "by the internal state of charge",
            _ => "by the displayed one",
        });
        say(Reason::StateOfCharge, both(one, other));
    }
    if a.reference != b.reference {
        say(Reason::Reference, both(&format!("restated at {}", at(a)), &format!("at {}", at(b))));
    }
    all
}

fn at(test: &Facts) -> String {
    let kpa = format::significant(test.reference.pascal / 1e3, 4);
    format!("{} degC and {kpa} kPa", format::temperature(test.reference.degc))
}

/// Whether two tests are repeats: one car, set up alike as far as the cards say, driven alike; what stands against each stands
/// against both.
pub fn are_repeats(a: &Facts, b: &Facts) -> bool {
    let reasons = |test: &Facts| of_one(test).into_iter().map(|refusal| refusal.reason).collect::<Vec<_>>();
    a.vehicle == b.vehicle && alike(a, b) && between(a, b).is_empty() && reasons(a) == reasons(b)
}

/// Whether nothing is said of the set-ups that differs.
fn alike(a: &Facts, b: &Facts) -> bool {
    fn same<T: PartialEq>(one: &Option<T>, other: &Option<T>) -> bool {
        one.as_ref().zip(other.as_ref()).is_none_or(|(one, other)| one == other)
    }
    let (a, b) = (&a.setup, &b.setup);
    let pressures = a
        .pressures
        .zip(b.pressures)
        .is_none_or(|(one, other)| one.iter().zip(other).all(|(one, other)| (one.0 - other.0).abs() <= PRESSURE));
    let load = a.load.zip(b.load).is_none_or(|(one, other)| (one - other).abs() <= LOAD_KG);
    same(&a.label, &b.label)
        && same(&a.tyres, &b.tyres)
        && same(&a.mode, &b.mode)
        && same(&a.climate, &b.climate)
        && pressures
        && load
}
