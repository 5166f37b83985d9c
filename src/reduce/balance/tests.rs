//! Balances of invented charges by arithmetic.

use crate::card::Card;
use crate::document::Document;
use crate::reduce::charging::tests::charge;
use crate::reduce::{Options, Reduction, reduce};

fn balanced(card: &str) -> Reduction {
    // 1700 s at 100 kW: 47.222 kWh by the car's sensors, at 400 V so 250 A.
    let (card, faults) = Card::parse(&Document::from_text("card.toml", card), std::path::Path::new(""));
    assert!(faults.is_empty(), "{faults:?}");
    reduce(&[charge(9.5, 1_700, |_| 100e3, None)], card.as_ref(), &Options::default())
}

#[test]
fn a_dispenser_shows_the_sensors_gain() {
    let card = "[charge]\ncurrent = 'DC'\nenergy_kwh = 48.0\nmetered_at = 'dispenser'\nmeter_class = '0.5'\n";
    let reduction = balanced(card);
    let [balance] = &reduction.balances[..] else { panic!("{:?}", reduction.balances) };
    let gain = balance.gain.as_ref().unwrap_or_else(|| panic!("{}", balance.why));
    // Cable 2.5 mohm (250 A)^2 1700 s = 0.0738 kWh, own draw 0.5 kW 1700 s = 0.2361 kWh.
    let expected = 47.2222 / (48.0 - 0.07379 - 0.23611) - 1.0;
    assert!((gain.value - expected).abs() < 2e-5, "{} {expected}", gain.value);
    // Class 0.5: 0.24 kWh / sqrt 3; cable 0.0738 / sqrt 3; own draw 0.2361; zero of 1 A at 400 V for 1700 s: 0.1889 kWh.
    let u = (0.24f64 / 3f64.sqrt()).hypot(0.07379 / 3f64.sqrt()).hypot(0.23611).hypot(0.18889) / 47.69 * 0.9902;
    assert!((gain.u() / u - 1.0).abs() < 0.01, "{} {u}", gain.u());
    let tolerance = balance.tolerance().unwrap();
    assert!((tolerance - expected.hypot(gain.u())).abs() < 1e-6);
    let toml = super::toml(balance, false).unwrap();
    let (read, faults) = Card::parse(&Document::from_text("card.toml", &toml), std::path::Path::new(""));
    assert!(faults.is_empty(), "{faults:?}");
    let known = read.unwrap().tolerances[0];
    assert!((known.gain.unwrap() - tolerance).abs() < 5e-5 && known.offset.is_none());
    let efficiency = reduction.plug.charges[0].efficiency.as_ref().unwrap();
    assert!((efficiency.value - 47.2222 / 48.0).abs() < 1e-5);
}

#[test]
fn where_the_losses_are_not_known_there_is_no_balance() {
    let wall = "[charge]\ncurrent = 'AC'\nenergy_kwh = 53.0\nmetered_at = 'wall'\nmeter_class = 'B'\n";
    let why = |card: &str| balanced(card).balances[0].why.clone();
    assert!(why(wall).contains("wall"), "{}", why(wall));
    assert!(why(&wall.replace("'wall'", "'dispenser'")).contains("AC charge"));
    assert!(why(&wall.replace("meter_class = 'B'\n", "")).contains("class"));
    assert!(why(&format!("{wall}lost_kwh = 5.5\n")).contains("lost_u_kwh"));
    let known = balanced(&format!("{wall}lost_kwh = 5.5\nlost_u_kwh = 0.3\n"));
    let gain = known.balances[0].gain.as_ref().unwrap();
    assert!((gain.value - (47.2222 / 47.5 - 1.0)).abs() < 1e-5, "{}", gain.value);
    assert!(balanced("vehicle = 'invented'\n").balances.is_empty());
}

#[test]
fn a_poor_balance_replaces_nothing() {
    let card = "[charge]\ncurrent = 'DC'\nenergy_kwh = 52\nmetered_at = 'dispenser'\nmeter_class = '2'\n";
    let reduction = balanced(card);
    let balance = &reduction.balances[0];
    // Sensors that read 8 % too little are no better known for it, until the map is corrected.
    assert!(balance.gain.as_ref().unwrap().value < -0.08 && balance.tolerance().is_none());
    assert!(balance.tolerance_corrected().is_some());
}
