//! Whole reductions of invented discharges whose truth is known.

use std::sync::Arc;

use super::*;
use crate::card::FullCharge;
use crate::document::Document;
use crate::reduce::synthetic::{Car, Chance, Drive};
use crate::reduce::usable::Method;

mod absences;

fn plain() -> Drive {
    Drive::of(&Car::plain(), &mut Chance::new(1))
}

fn one(run: RunInput) -> Reduction {
    reduce(&[run], None, &Options::default())
}

fn card(text: &str) -> Card {
    Card::parse(&Document::from_text("card.toml", text), std::path::Path::new("")).0.unwrap()
}

#[test]
fn a_full_discharge_is_read_directly() {
    let drive = plain();
    let run = drive.run("run=1", drive.window(100.0, 0.0));
    let truth = drive.true_usable();
    let reduction = one(run.clone());
    assert_eq!(reduction.usable.method, Method::Full);
    assert_eq!(reduction.usable.why, "full charge not confirmed");
    let (energy, charge) = (reduction.usable.energy.unwrap(), reduction.usable.charge.unwrap());
    // Sensors without error: only a tick's own second is between this and the truth.
    assert!((energy.value / truth.0 - 1.0).abs() < 1e-4, "{} {}", energy.value, truth.0);
    assert!((charge.value / truth.1 - 1.0).abs() < 1e-4);
    assert_eq!((reduction.soc.first, reduction.soc.last), (Some(100.0), Some(0.0)));
    let (beyond, _) = reduction.usable.reserve.unwrap();
    assert!(beyond.value > 0.0 && (energy.value + beyond.value - reduction.energy.net.unwrap().value).abs() < 1.0);

    let confirmed = card("full_charge = 'ended by the car'");
    assert_eq!(confirmed.full_charge, FullCharge::EndedByTheCar);
    let why = reduce(&[run], Some(&confirmed), &Options::default()).usable.why;
    assert_eq!(why, "from a charge that the car ended to displayed 0 %");
}

#[test]
fn tenths_add_up() {
    let drive = plain();
    let reduction = one(drive.run("run=1", drive.window(100.0, 0.0)));
    let sum: f64 = reduction.tenths.iter().map(|tenth| tenth.energy.as_ref().unwrap().value).sum();
    assert!((sum / reduction.usable.energy.unwrap().value - 1.0).abs() < 1e-9);
    let per_tenth: Vec<f64> = reduction.tenths.iter().map(|tenth| tenth.energy.as_ref().unwrap().value).collect();
    // The voltage falls by an eighth from full to empty, and so does the energy of a tenth (the first is short by half a step).
    assert!(per_tenth[1..].windows(2).all(|pair| pair[0] > pair[1] * 0.995), "{per_tenth:?}");
    let half = one(drive.run("run=1", drive.window(75.0, 35.0)));
    let known: Vec<u8> = half.tenths.iter().filter(|tenth| tenth.energy.is_some()).map(|tenth| tenth.from).collect();
    assert_eq!(known, [70, 60, 50], "a tenth that was not driven whole is not known");
}

#[test]
fn a_part_says_so_and_holds_the_truth() {
    let drive = plain();
    let truth = drive.true_usable();
    for (from, to) in [(100.0, 30.0), (90.0, 50.0), (60.0, 0.0)] {
        let reduction = one(drive.run("run=1", drive.window(from, to)));
        assert_eq!(reduction.usable.method, Method::Partial, "{from} to {to}: {}", reduction.usable.why);
        let (energy, charge) = (reduction.usable.energy.unwrap(), reduction.usable.charge.unwrap());
        assert!((energy.value - truth.0).abs() < energy.u95() / 3.0, "{from} to {to}: {} {}", energy.value, truth.0);
        assert!((charge.value - truth.1).abs() < charge.u95() / 3.0, "{from} to {to}: {} {}", charge.value, truth.1);
    }
    let short = one(drive.run("run=1", drive.window(60.0, 52.0)));
    assert_eq!((short.usable.method, short.usable.energy), (Method::NotMeasured, None));
    assert!(short.usable.why.contains("at least 5 over 10 %"), "{}", short.usable.why);
}

#[test]
fn runs_of_one_discharge_join() {
    let drive = plain();
    let (first, second) = (drive.window(100.0, 60.0), drive.window(60.0, 0.0));
    let runs = [drive.run("run=2", second), drive.run("run=1", first)];
    let reduction = reduce(&runs, None, &Options::default());
    assert_eq!(reduction.runs.iter().map(|run| &*run.name).collect::<Vec<_>>(), ["run=1", "run=2"], "in time order");
    assert_eq!(reduction.joins.len(), 1);
    assert!(reduction.joins[0].energy.is_some() && !reduction.joins[0].charged);
    assert_eq!(reduction.usable.method, Method::Full);
    let (energy, truth) = (reduction.usable.energy.unwrap(), drive.true_usable());
    assert!((energy.value - truth.0).abs() < energy.u95(), "{} {}", energy.value, truth.0);
    assert!(energy.contribution(&crate::reduce::sources::JOINS) > 0.0);
    // The pause is in no figure but usable capacity.
    let net = reduction.energy.net.unwrap();
    assert_eq!(net.contribution(&crate::reduce::sources::JOINS), 0.0);
}

#[test]
fn a_charge_between_runs_ends_the_discharge() {
    let drive = plain();
    let mut later = drive.run("run=2", drive.window(90.0, 0.0));
    later.start = Some(WallClock(later.start.unwrap().0 + 86_400_000_000));
    let reduction = reduce(&[drive.run("run=1", drive.window(100.0, 60.0)), later], None, &Options::default());
    assert!(reduction.joins[0].charged && reduction.joins[0].energy.is_none());
    assert!(reduction.problems.iter().any(|problem| problem.contains("rose by 29 %")), "{:?}", reduction.problems);
    assert_eq!(reduction.usable.method, Method::Partial, "of the larger discharge alone");
    assert!(reduction.usable.why.contains("ticks from 89 % to 5 %"), "{}", reduction.usable.why);
}

#[test]
fn a_short_gap_is_filled_and_said_and_a_long_one_refused() {
    let drive = plain();
    let window = drive.window(100.0, 0.0);
    let whole = one(drive.run("run=1", window.clone())).energy.net.unwrap();
    let gap = one(drive.run_with_gap("run=1", window.clone(), Some(2_000..2_030)));
    let net = gap.energy.net.clone().unwrap();
    assert_eq!(gap.unobserved, 60.0);
    let by_gaps = net.contribution(&crate::reduce::sources::GAPS);
    assert!(
        by_gaps > 0.0 && (net.value - whole.value).abs() < 2.0 * by_gaps,
        "{} {} {by_gaps}",
        net.value,
        whole.value
    );
    assert!(gap.energy.estimated_share > 0.002 && gap.energy.estimated_share < 0.01);

    let long = one(drive.run_with_gap("run=1", window, Some(2_000..3_000)));
    assert_eq!((long.energy.net, long.consumption.net), (None, None));
    assert_eq!(long.usable.method, Method::NotMeasured);
    assert!(long.problems.iter().any(|problem| problem.contains("more than 5.0 %")), "{:?}", long.problems);
}

#[test]
fn ticks_do_not_span_a_gap() {
    let drive = plain();
    let window = drive.window(90.0, 50.0);
    let start = window.start;
    let whole = one(drive.run("run=1", window.clone())).usable.charge.unwrap();
    let gap = one(drive.run_with_gap("run=1", window, Some(start + 500..start + 550)));
    let charge = gap.usable.charge.unwrap();
    assert!((charge.value / whole.value - 1.0).abs() < 0.005, "{} {}", charge.value, whole.value);
}

#[test]
fn what_is_not_mapped_is_not_measured() {
    let drive = plain();
    let mut run = drive.run("run=1", drive.window(90.0, 50.0));
    run.summary = Default::default();
    let reduction = one(run);
    assert_eq!((reduction.energy.net, reduction.usable.method), (None, Method::NotMeasured));
    assert_eq!(reduce(&[], None, &Options::default()).energy.net, None);
}

#[test]
fn sparse_sampling_is_no_measurement() {
    let drive = plain();
    let mut run = drive.run("run=1", drive.window(90.0, 50.0));
    let net = one(run.clone()).energy.net.unwrap().value;
    run.sampling = Some(crate::reduce::sampling::Sampling { energy: [0.02 * net; 3], charge: 0.0, blocks: 9 });
    let reduction = one(run);
    assert_eq!(reduction.energy.net, None);
    assert!(reduction.problems.iter().any(|problem| problem.contains("samples are too far apart")));
}

#[test]
fn power_alone_gives_energy_and_no_charge() {
    let drive = plain();
    let power_alone = |rows| {
        let mut run = drive.run("run=1", rows);
        run.roles.retain(|used| !matches!(used.role, Role::PackCurrent | Role::PackVoltage));
        run.roles.push(crate::reduce::RoleUse { role: Role::PackPower, ..run.roles[0].clone() });
        one(run)
    };
    let full = power_alone(drive.window(100.0, 0.0));
    assert_eq!((full.usable.method, full.usable.charge, full.energy.charge), (Method::Full, None, None));
    assert!(full.energy.net.unwrap().contribution(&crate::reduce::sources::POWER_GAIN) > 0.0);
    let part = power_alone(drive.window(90.0, 40.0));
    assert_eq!(part.usable.method, Method::NotMeasured);
    assert!(part.usable.why.contains("needs the pack's current"), "{}", part.usable.why);
}

#[test]
fn the_card_says_which_distance_counts() {
    let drive = plain();
    let mut run = drive.run("run=1", drive.window(90.0, 50.0));
    let by_speed = one(run.clone()).way;
    assert_eq!(by_speed.counts, Some(crate::card::DistanceCounts::Speed));
    let way = by_speed.by_speed;
    Arc::make_mut(&mut run.summary).odometer = Some((5_000.0, 5_000.0 + 0.95 * way));
    Arc::make_mut(&mut run.summary).odometer_step = Some(100.0);
    let mut run = crate::reduce::trip::with_fixes(run, 0.99);
    let unsaid = one(run.clone());
    assert_eq!(unsaid.way.counts, Some(crate::card::DistanceCounts::Fixes), "the least uncertain");
    assert!(unsaid.problems.iter().any(|problem| problem.contains("odometer is -4.0 % off")), "{:?}", unsaid.problems);
    let said = reduce(&[run.clone()], Some(&card("distance = 'odometer'")), &Options::default());
    assert_eq!((said.way.counts, said.way.by_card), (Some(crate::card::DistanceCounts::Odometer), true));
    assert!((said.way.counting().unwrap().value - 0.95 * way).abs() < 1.0);
    Arc::make_mut(&mut run.summary).odometer = None;
    let missing = reduce(&[run], Some(&card("distance = 'odometer'")), &Options::default());
    assert_eq!((missing.way.counting(), missing.consumption.net), (None, None));
    assert!(missing.problems.iter().any(|problem| problem.contains("which these runs do not have")));
}

#[test]
fn what_people_noted_stands_in_for_a_state_of_charge_that_no_signal_gives() {
    use crate::observation::{Mark, MarkKind};
    use crate::reduce::fold::Noted;
    use crate::reduce::rehearsed::{COURSE, SCENARIO, run, run_noting};

    let (read, truth) = run(SCENARIO, COURSE);
    let by_signal = reduce(&[read], None, &Options::default());
    let zero = truth.to_zero.unwrap().duration_s;
    let reached = |percent: f64| {
        let mut found = truth.checkpoints.iter().filter(|checkpoint| checkpoint.displayed_percent == percent);
        found.next().unwrap().since_start.duration_s
    };
    let mark = |kind, value| Mark { kind, value, text: String::new() };
    // A person is 6 s late, and skips most of the values.
    let late = |at: f64, kind, value| (at + 6.0, mark(kind, value));
    let marks = vec![
        (3.0, mark(MarkKind::Soc, Some(100.0))),
        late(reached(50.0), MarkKind::Soc, Some(50.0)),
        late(reached(30.0), MarkKind::Soc, Some(30.0)),
        late(zero, MarkKind::ShowsZero, None),
    ];
    let with = |marks: Vec<(f64, Mark)>| {
        let (run, _) = run_noting(SCENARIO, COURSE, Noted { marks, soc: true, rest: false });
        reduce(&[run], None, &Options::default())
    };
    let noted = with(marks.clone());
    assert_eq!(noted.usable.method, Method::Full, "{}", noted.usable.why);
    assert!(noted.usable.why.ends_with("as people noted it") && noted.soc.noted);
    let (usable, signal) = (noted.usable.energy.unwrap(), by_signal.usable.energy.unwrap());
    let true_usable = truth.usable.unwrap().net_kwh * 3.6e6;
    assert!(usable.u() > signal.u());
    assert!((usable.value - true_usable).abs() < usable.u95(), "{} for {true_usable}", usable.value);
    assert!(usable.value > signal.value, "6 s late takes more energy in");
    // Checkpoints at the very values noted alone: 50 %, not 25 %, which 30 % is not.
    let values: Vec<f64> = noted.checkpoints.reached.iter().map(|checkpoint| checkpoint.value).collect();
    assert_eq!(values, [50.0, 0.0]);
    let (late, seen) = (&noted.checkpoints.reached[0].so_far, &by_signal.checkpoints.reached[1].so_far);
    assert!((late.energy.value - seen.energy.value).abs() < late.energy.u95());
    // Without the 0 there is no capacity, and it says why.
    let part = with(marks[..3].to_vec());
    assert!(part.usable.energy.is_none() && part.usable.why.contains("people noted"), "{}", part.usable.why);
}
