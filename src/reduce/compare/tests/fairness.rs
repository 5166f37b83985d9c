//! What is refused, for which figures, and which tests count as repeats. No outside source: these are the project's own rules.

use super::*;
use crate::card::Trailer;
use crate::course::Course;
use crate::document::Document;
use crate::quantity::Pascal;

/// A test with every figure: 600 J/m (167 Wh/km) and 180 MJ (50 kWh) times so much, and gains as sensors have them.
pub(crate) fn sized(facts: Facts, consumption: f64, usable: f64) -> Test {
    let some = |value: f64| {
        let gain = Estimate::exact(value).with_sensor(sources::CURRENT_GAIN, 0.005, "1", value);
        Ok(gain.with_b(sources::SAMPLING, 0.001 * value))
    };
    let range = 3e5 * usable / consumption;
    let (consumption, usable) = (600.0 * consumption, 1.8e8 * usable);
    Test {
        facts,
        figures: [some(range), some(1.02 * range), some(consumption), some(consumption / 1.02), some(usable)],
    }
}

fn whole(facts: Facts) -> Test {
    sized(facts, 1.0, 1.0)
}

fn refused(outcome: &Outcome) -> Vec<&'static str> {
    match outcome {
        Outcome::Refused(why) => why.iter().map(|refusal| refusal.reason.key()).collect(),
        _ => vec![],
    }
}

/// By figure, in the order of [`Asked::ALL`], what refuses a test beside a plain one of another car.
fn by_figure(change: impl Fn(&mut Facts)) -> [Vec<&'static str>; 5] {
    let mut other = facts("2", "wren");
    change(&mut other);
    let comparison = compare(&[whole(facts("1", "heron")), whole(other)], &Options::default());
    std::array::from_fn(|at| refused(&comparison.figures[at].pairs[0].outcome))
}

/// The same where a reason refuses all figures of the road, restated ones too.
fn road(key: &'static str) -> [Vec<&'static str>; 5] {
    [vec![key], vec![key], vec![key], vec![key], vec![]]
}

#[test]
fn each_reason_refuses_the_figures_that_it_concerns() {
    let nothing: [Vec<&str>; 5] = Default::default();
    assert_eq!(by_figure(|_| ()), nothing);
    assert_eq!(by_figure(|test| test.target = Some([31.5, 0.5])), road("speed"));
    assert_eq!(by_figure(|test| test.target = Some([30.9, 0.5])), nothing);
    assert_eq!(by_figure(|test| (test.target, test.mean_speed) = (None, Some(27.0))), road("speed"));
    assert_eq!(by_figure(|test| test.trailer = Some(Trailer::default())), road("trailer"));
    assert_eq!(by_figure(|test| test.wet_percent = Some(10.0)), road("wet-road"));
    assert_eq!(by_figure(|test| test.closed = Err("not closed".into())), road("open-course"));
    assert_eq!(by_figure(|test| test.wind = Some(5.5)), road("wind"));
    let measured = |key: &'static str| [vec![key], vec![], vec![key], vec![], vec![key]];
    assert_eq!(by_figure(|test| test.degc = Some(14.0)), measured("temperature"));
    assert_eq!(by_figure(|test| test.degc = Some(31.0)), measured("temperature"));
    assert_eq!(by_figure(|test| test.degc = Some(16.0)), nothing);
    let pack = "state-of-charge";
    let by_pack = [vec![pack], vec![pack], vec![], vec![], vec![pack]];
    assert_eq!(by_figure(|test| test.soc = Role::SocInternal), by_pack);
    assert_eq!(by_figure(|test| test.is_rehearsal = true), [(); 5].map(|()| vec!["rehearsal"]));
    let reference = [vec![], vec!["reference"], vec![], vec!["reference"], vec![]];
    assert_eq!(by_figure(|test| test.reference.pascal = 1e5), reference);
    // Every reason has a name of its own by which it is waived.
    assert!(Reason::ALL.iter().all(|reason| Reason::from_key(reason.key()) == Some(*reason)));
}

fn course(name: &str) -> Option<Course> {
    let text = format!(
        "name = '{name}'\n[[place]]\nname = 'a'\nkm = 0\nturn = true\n[[place]]\nname = 'b'\nkm = 9\nturn = true\ncharger = true\n"
    );
    let (course, faults) = Course::parse(&Document::from_text("road.toml", &text));
    assert_eq!(faults, []);
    course
}

#[test]
fn courses_and_trailers_are_alike_or_not() {
    let pair = |change: &dyn Fn(usize, &mut Facts)| {
        let mut pair = [facts("1", "heron"), facts("2", "wren")];
        pair.iter_mut().enumerate().for_each(|(at, test)| change(at, test));
        let comparison = compare(&pair.map(whole), &Options::default());
        refused(&comparison.figures[2].pairs[0].outcome)
    };
    assert_eq!(pair(&|_, test| test.course = course("one")), [""; 0]);
    assert_eq!(pair(&|at, test| test.course = course(["one", "other"][at])), ["other-course"]);
    assert_eq!(pair(&|at, test| test.course = course("one").filter(|_| at == 0)), [""; 0]);
    assert_eq!(pair(&|_, test| test.trailer = Some(Trailer::default())), [""; 0]);
    let mass =
        |at: usize| Some(Trailer { mass: Some(crate::quantity::Kilogram(500.0 + at as f64)), ..Trailer::default() });
    assert_eq!(pair(&|at, test| test.trailer = mass(at)), ["trailer"]);
}

#[test]
fn what_one_is_told_to_waive_is_compared_and_said() {
    let mut other = facts("2", "wren");
    (other.wet_percent, other.wind) = (Some(20.0), Some(7.0));
    let tests = [whole(facts("1", "heron")), whole(other)];
    let despite = |reasons: &[Reason]| {
        let options = Options { despite: reasons.to_vec(), each: false };
        compare(&tests, &options).figures[2].pairs[0].outcome.clone()
    };
    assert_eq!(refused(&despite(&[Reason::WetRoad])), ["wet-road", "wind"][1..]);
    let Outcome::Compared(_, waived) = despite(&[Reason::WetRoad, Reason::Wind, Reason::Speed]) else {
        panic!("refused")
    };
    let told: Vec<&str> = waived.iter().map(|refusal| refusal.text.as_str()).collect();
    assert_eq!(told, ["2: 20 % of the road was wet", "2: a wind of 7.0 m/s, above 5 m/s"]);
    // Usable energy is of the pack: it was compared all along.
    let comparison = compare(&tests, &Options::default());
    assert!(comparison.is_any_compared() && comparison.is_any_refused());
    assert!(comparison.figures[4].pairs[0].difference().is_some());
}

#[test]
fn repeats_are_of_one_car_set_up_and_driven_alike() {
    let sides = |change: &dyn Fn(&mut Facts)| {
        let mut second = facts("2", "heron");
        change(&mut second);
        let tests = [facts("1", "heron"), second, facts("3", "wren")].map(whole);
        compare(&tests, &Options::default()).sides.iter().map(|side| side.name.clone()).collect::<Vec<_>>()
    };
    assert_eq!(sides(&|_| ()), ["heron", "wren"]);
    assert_eq!(sides(&|test| test.setup.mode = Some("eco".into())), ["heron", "wren"], "the other card says no mode");
    let apart = ["heron (1)", "heron (2)", "wren"];
    assert_eq!(sides(&|test| test.target = Some([36.0, 1.0])), apart);
    assert_eq!(sides(&|test| test.wet_percent = Some(5.0)), apart);
    assert_eq!(sides(&|test| test.degc = Some(26.0)), apart);
    assert_eq!(sides(&|test| test.vehicle = "finch".into()), ["heron", "finch", "wren"]);
    let set_up = |change: &dyn Fn(&mut Setup, bool)| {
        let mut tests = [facts("1", "heron"), facts("2", "heron"), facts("3", "wren")];
        tests.iter_mut().enumerate().for_each(|(at, test)| change(&mut test.setup, at == 1));
        compare(&tests.map(whole), &Options::default()).sides.len()
    };
    assert_eq!(set_up(&|setup, second| setup.tyres = Some(["summer", "winter"][usize::from(second)].into())), 3);
    assert_eq!(set_up(&|setup, second| setup.load = Some(if second { 200.0 } else { 140.0 })), 3);
    assert_eq!(set_up(&|setup, second| setup.load = Some(if second { 180.0 } else { 140.0 })), 2);
    assert_eq!(set_up(&|setup, second| setup.pressures = Some([Pascal(if second { 2.9e5 } else { 2.5e5 }); 4])), 3);
    let each = Options { each: true, ..Options::default() };
    let tests = [facts("1", "heron"), facts("2", "heron"), facts("3", "wren")].map(whole);
    let names: Vec<String> = compare(&tests, &each).sides.iter().map(|side| side.name.clone()).collect();
    assert_eq!(names, apart);
}

#[test]
fn full_discharges_stand_for_a_car_that_has_partial_ones_too() {
    let partial = |name: &str, car: &str| Facts { method: Method::Partial, ..facts(name, car) };
    let tests = [facts("1", "heron"), partial("2", "heron"), partial("3", "wren")].map(whole);
    let comparison = compare(&tests, &Options::default());
    let [range, consumption, usable] = [0, 2, 4].map(|at| comparison.figures[at].used.clone());
    assert_eq!((range, &usable), (vec![vec![0], vec![2]], &vec![vec![0], vec![2]]));
    assert_eq!(consumption, [vec![0, 1], vec![2]]);
    let note = "usable capacity of 1 is from full to displayed 0 %, of 3 from a part of that and the rest extrapolated";
    assert!(comparison.notes.iter().any(|told| told == note), "{:?}", comparison.notes);
}

#[test]
fn what_is_not_measured_or_not_known_is_said() {
    let mut tests = [whole(facts("1", "heron")), whole(facts("2", "wren"))];
    tests[1].figures[2] = Err("energy per distance is not measured".into());
    tests[1].facts.degc = None;
    let comparison = compare(&tests, &Options::default());
    let wanted = Outcome::NotMeasured("wren: energy per distance is not measured".into());
    assert_eq!(comparison.figures[2].pairs[0].outcome, wanted);
    assert_eq!(
        comparison.notes,
        ["1: not known, so taken as alike: course", "2: not known, so taken as alike: course, temperature of the air"]
    );
}
