//! Cycles and metered charges by arithmetic.

use std::sync::Arc;

use crate::card::Card;
use crate::document::Document;
use crate::reduce::charging::tests::charge;
use crate::reduce::synthetic::{Car, Chance, Drive};
use crate::reduce::{Options, Reduction, RunInput, reduce};
use crate::time::{Span, WallClock};

fn card(text: &str) -> Card {
    let (card, faults) = Card::parse(&Document::from_text("card.toml", text), std::path::Path::new(""));
    assert!(faults.is_empty(), "{faults:?}");
    card.unwrap()
}

/// A drive from 90 to 30 % and a charge after it, 30 to 90 %.
fn cycle() -> [RunInput; 2] {
    let drive = Drive::of(&Car::plain(), &mut Chance::new(1));
    let drive = drive.run("20270314T061502Z", drive.window(90.0, 30.0));
    let mut charge = charge(30.5, 1_296, |_| 100e3, None);
    let end = drive.start.unwrap() + Span::from_seconds(drive.summary.duration());
    charge.start = Some(WallClock(end.0 + 600_000_000));
    [drive, charge]
}

fn reduced(text: &str) -> Reduction {
    reduce(&cycle(), Some(&card(text)), &Options::default())
}

const METERED: &str = "[recharge]\nenergy_kwh = 40.0\nmetered_at = 'wall'\nmeter_class = 'B'\n";

#[test]
fn a_recharge_that_replaces_the_drive_gives_metered_energy_per_distance() {
    let reduction = reduced(METERED);
    let [charge] = &reduction.plug.charges[..] else { panic!("{:?}", reduction.plug.charges) };
    assert_eq!((charge.which.key(), &charge.sessions[..], &*charge.why), ("recharge", &[0][..], ""));
    // 1296 s at 100 kW are 36 kWh into the pack: 90 % of 40 kWh at the wall.
    assert!((charge.efficiency.as_ref().unwrap().value - 0.9).abs() < 1e-6);
    let (per_metre, _) = reduction.plug.metered_per_metre.as_ref().unwrap_or_else(|| panic!("{}", reduction.plug.why));
    let way = reduction.way.counting().unwrap().value;
    let share = 40.0 * 3.6e6 / way;
    assert!((per_metre.value / share - 1.0).abs() < 0.03, "{} {share}", per_metre.value);
    // The gain of the sensors is no part of it: the meter alone counts.
    assert_eq!(per_metre.contribution(&crate::reduce::sources::CURRENT_GAIN), 0.0);
    // Out of the pack while driving by into the pack while charging: the sensors' gain cancels.
    let out_by_in = reduction.plug.out_by_in.as_ref().unwrap();
    assert!(out_by_in.contribution(&crate::reduce::sources::CURRENT_GAIN).abs() < 1e-12);
    let out = reduction.energy.net.as_ref().unwrap().value;
    assert!((out_by_in.value / (out / (36.0 * 3.6e6)) - 1.0).abs() < 0.03);
}

#[test]
fn what_does_not_replace_the_drive_gives_none() {
    let mut runs = cycle();
    let start = runs[1].start;
    runs[1] = charge(30.5, 400, |_| 100e3, None);
    runs[1].start = start;
    let reduction = reduce(&runs, Some(&card(METERED)), &Options::default());
    assert_eq!(reduction.plug.metered_per_metre, None);
    assert!(reduction.plug.why.contains("does not replace"), "{}", reduction.plug.why);
    assert!(reduction.plug.charges[0].efficiency.is_some(), "the charge itself is whole");
}

#[test]
fn a_charge_that_was_not_recorded_whole_has_no_efficiency() {
    let mut runs = cycle();
    // The recording begins in the middle of the charge.
    Arc::make_mut(&mut runs[1].summary).points.retain(|point| point.t >= 8.0);
    let cut = reduce(&runs, Some(&card(METERED)), &Options::default());
    assert_eq!(cut.plug.charges[0].efficiency, None);
    assert!(cut.plug.charges[0].why.contains("from its begin"), "{}", cut.plug.charges[0].why);
    let said = reduce(&runs, Some(&card(&format!("{METERED}from_percent = 30\n"))), &Options::default());
    assert!(said.plug.charges[0].efficiency.is_some(), "{}", said.plug.charges[0].why);
    let unmetered = reduced("vehicle = 'invented'\n");
    assert_eq!((unmetered.plug.charges[0].metered.is_none(), unmetered.balances.len()), (true, 0));
}
