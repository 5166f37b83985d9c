//! Runs and cards that do not fit together: what is said word for word, and that it is in no figure.

use std::sync::Arc;

use super::*;
use crate::document::Document;
use crate::reduce::sampling::Sampling;
use crate::reduce::synthetic::{Car, Chance, Drive};
use crate::reduce::{Options, Reduction, reduce};

fn drive() -> Drive {
    Drive::of(&Car::plain(), &mut Chance::new(1))
}

/// A run that is sampled so often that nothing is said of it.
fn run(drive: &Drive, name: &str, rows: std::ops::Range<usize>) -> RunInput {
    RunInput { sampling: Some(Sampling { energy: [1.0; 3], charge: 1.0, blocks: 40 }), ..drive.run(name, rows) }
}

fn card(text: &str) -> Card {
    let (card, faults) = Card::parse(&Document::from_text("card.toml", text), std::path::Path::new(""));
    assert!(faults.is_empty(), "{faults:?}");
    card.unwrap()
}

fn reduced(runs: &[RunInput], card: Option<&Card>) -> Reduction {
    reduce(runs, card, &Options::default())
}

fn net(reduction: &Reduction) -> f64 {
    reduction.energy.net.as_ref().unwrap().value
}

#[test]
fn a_run_of_another_car_is_in_no_figure() {
    let drive = drive();
    let whole = run(&drive, "run=1", drive.window(100.0, 40.0));
    let mut other = run(&drive, "run=2", drive.window(40.0, 10.0));
    other.vehicle = "other".into();
    let alone = reduced(std::slice::from_ref(&whole), None);
    let joined = reduced(&[other.clone(), whole.clone()], None);
    assert_eq!(joined.problems, ["run=2 is of vehicle other, not invented: it is left out"]);
    assert_eq!((net(&joined), joined.runs.len()), (net(&alone), 1));
    let by_card = reduced(&[whole, other], Some(&card("vehicle = 'other'")));
    assert_eq!(by_card.problems, ["run=1 is of vehicle invented, not other: it is left out"]);
    assert_eq!(by_card.vehicle, "other");
}

#[test]
fn of_overlapping_runs_the_longer_counts() {
    let drive = drive();
    let (long, inside) = (run(&drive, "run=1", 0..3_000), run(&drive, "run=2", 2_700..3_300));
    let alone = reduced(std::slice::from_ref(&long), None);
    let both = reduced(&[inside.clone(), long.clone()], None);
    assert_eq!(both.problems, ["run=1 and run=2 overlap by 0:09:58: the shorter, run=2, is left out"]);
    assert_eq!(net(&both), net(&alone));
    // The later one may be the longer.
    let (short, later) = (run(&drive, "run=1", 0..600), run(&drive, "run=2", 300..3_000));
    let both = reduced(&[short, later.clone()], None);
    assert_eq!(both.problems, ["run=2 and run=1 overlap by 0:09:58: the shorter, run=1, is left out"]);
    assert_eq!(net(&both), net(&reduced(&[later], None)));
    let twice = reduced(&[long.clone(), long], None);
    assert_eq!(twice.problems, ["run=1 is given twice: it counts once"]);
    assert_eq!(net(&twice), net(&alone));
    // One after the other they join.
    assert!(reduced(&[run(&drive, "run=1", 0..600), run(&drive, "run=2", 600..1_200)], None).problems.is_empty());
}

#[test]
fn times_that_contradict_the_runs_are_said_and_change_no_figure() {
    let drive = drive();
    let one = run(&drive, "run=1", 0..3_000);
    let late = card("[counting]\nstart = 2027-03-15T00:00:00Z\n[charge]\nend = 2027-03-15T00:00:00Z\n");
    let reduction = reduced(std::slice::from_ref(&one), Some(&late));
    assert_eq!(
        reduction.problems,
        [
            "the card's counting.start is 2027-03-15T00:00:00Z, after the last run ended at 2027-03-14T07:55:00Z; it is not used",
            "the card's charge.end is 2027-03-15T00:00:00Z, after the last run ended at 2027-03-14T07:55:00Z; it is not used",
        ]
    );
    assert_eq!(net(&reduction), net(&reduced(&[one], None)));
}

#[test]
fn windows_follow_the_card() {
    let drive = drive();
    let mut runs = [run(&drive, "run=1", 0..300), run(&drive, "run=2", 300..600), run(&drive, "run=3", 600..900)];
    let of = |runs: &[RunInput], text: &str| windows(runs, &card(text));
    assert_eq!(of(&runs, ""), [None, None, None]);
    // Runs of 600 s from 06:15:02 on.
    let (none, all) = (f64::NEG_INFINITY, f64::INFINITY);
    assert_eq!(
        of(&runs, "[counting]\nstart = 2027-03-14T06:30:02Z\nend = 2027-03-14T06:40:02Z\n"),
        [Some((900.0, 1_500.0)), Some((300.0, 900.0)), Some((-300.0, 300.0))]
    );
    assert_eq!(of(&runs, "[counting]\nstart = 'first movement'\nend = 'last movement'\n"), [None, None, None]);
    Arc::make_mut(&mut runs[0].summary).moving = None;
    Arc::make_mut(&mut runs[1].summary).moving = Some((20.0, 500.0));
    Arc::make_mut(&mut runs[2].summary).moving = None;
    assert_eq!(
        of(&runs, "[counting]\nstart = 'first movement'\nend = 'last movement'\n"),
        [Some((all, all)), Some((20.0, 500.0)), Some((none, none))]
    );
}

#[test]
fn a_tolerance_by_the_card_stands_instead_of_the_maps() {
    let drive = drive();
    let one = run(&drive, "run=1", drive.window(100.0, 0.0));
    let assumed = reduced(std::slice::from_ref(&one), None);
    let text = "[tolerances.pack_current]\ngain = 0.001\noffset = 0.05\nbasis = 'balanced against a meter'\n\
                [tolerances.speed]\nlimit_gain = 0.03464101615137755\n";
    let by_card = reduced(&[one], Some(&card(text)));
    assert_eq!(
        by_card.stated,
        [
            "current gain 0.10 % (card: balanced against a meter)",
            "current zero 0.050 A (card: balanced against a meter)",
            "scale of the speed 2.0 % (card: assumed)",
        ]
    );
    assert_eq!(assumed.stated, [""; 0]);
    let u = |reduction: &Reduction, source| reduction.energy.net.as_ref().unwrap().contribution(source).abs();
    let gain = crate::reduce::sources::CURRENT_GAIN;
    assert!((u(&assumed, &gain) / u(&by_card, &gain) - 20.0).abs() < 1e-6, "2 % against 0.1 %");
    assert_eq!(net(&assumed), net(&by_card));
}
