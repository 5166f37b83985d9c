//! What is drawn, read back from the SVG alone, is what the drives were made of.

use super::super::palette::{BLUE, GROUND, VERMILLION};
use super::*;

fn plot(plots: &[Plot], name: &str) -> Read {
    Read::of(plots.iter().find(|plot| plot.name == name).unwrap_or_else(|| panic!("no {name}")))
}

#[track_caller]
fn close(value: f64, expected: f64, within: f64) {
    assert!((value - expected).abs() <= within, "{value} is not {expected} to {within}");
}

#[test]
fn power_and_speed_are_those_of_the_trip() {
    let read = plot(&drawn(&[trip().run("run=1")], TARGET), "along");
    // At 30 m/s: 700 J/m and 400 W are 21.4 kW out, 500 J/m and 400 W 15.4 kW back; 108 km/h.
    let lines: Vec<(f64, f64)> = read.lines(0, BLUE).into_iter().flatten().collect();
    let near = |at: f64| lines.iter().min_by(|a, b| (a.0 - at).abs().total_cmp(&(b.0 - at).abs())).unwrap().1;
    close(near(8.0), 21.4, 0.2);
    close(near(22.0), 15.4, 0.2);
    let speed: Vec<(f64, f64)> = read.lines(1, VERMILLION).into_iter().flatten().collect();
    close(speed.iter().map(|(_, speed)| *speed).fold(0.0, f64::max), 108.0, 0.5);
    close(lines.iter().map(|(x, _)| *x).fold(0.0, f64::max), 30.0, 0.3);
}

#[test]
fn charge_energy_and_checkpoints_are_those_of_the_discharge() {
    let drive = Drive::of(&Car::plain(), &mut Chance::new(1));
    let rows = drive.window(100.0, 0.0);
    let (joule, _) = drive.true_net(&rows);
    let read = plot(&drawn(&[drive.run("run=1", rows.clone())], ""), "charge_along");
    let energy = read.lines(1, VERMILLION).into_iter().flatten().last().unwrap();
    close(energy.1, joule / 3.6e6, 0.002 * joule / 3.6e6);
    // Rows of 2 s at 30 m/s.
    close(energy.0, rows.len() as f64 * 0.06, 1.0);
    // The checkpoints are hollow dots on the line of the state of charge, where the display first showed their value.
    let dots: Vec<(f64, f64)> =
        read.circles.iter().filter(|dot| dot.2 == GROUND).map(|dot| read.value(0, (dot.0, dot.1))).collect();
    assert_eq!(dots.len(), 5);
    for ((x, y), value) in dots.into_iter().zip([75.0, 50.0, 25.0, 10.0, 0.0]) {
        close(y, value, 0.3);
        close(x, drive.first_at(value) as f64 * 0.06, 1.0);
    }
}

#[test]
fn a_fitted_capacity_ends_at_its_figure_and_a_direct_one_at_its_own() {
    let drive = Drive::of(&Car::plain(), &mut Chance::new(1));
    let (joule, coulomb) = drive.true_usable();
    let end = |read: &Read| {
        let dot = read.circles.iter().rfind(|dot| dot.2 == VERMILLION).unwrap();
        read.value(0, (dot.0, dot.1))
    };
    let (reduction, trail) = traced(&[drive.run("run=1", drive.window(90.0, 40.0))], "");
    let partial = plot(&plots(&reduction, &trail, UNITS), "capacity");
    assert_eq!(partial.inked(BLUE).len(), reduction.usable.ticks, "a dot for every tick used");
    let (soc, ah) = end(&partial);
    close(soc, 0.0, 0.1);
    close(ah, coulomb / 3_600.0, 0.03 * coulomb / 3_600.0);
    // A straight display: the line of the fit falls by the whole charge in 100 %.
    let line = &partial.lines(0, super::super::palette::INK)[0];
    let (first, last) = (line[0], line[line.len() - 1]);
    close((last.1 - first.1) / (first.0 - last.0) * 100.0, coulomb / 3_600.0, 0.03 * coulomb / 3_600.0);
    let (soc, kwh) = end(&plot(&drawn(&[drive.run("run=1", drive.window(100.0, 0.0))], ""), "capacity"));
    close(soc, 0.0, 0.1);
    close(kwh, joule / 3.6e6, 0.005 * joule / 3.6e6);
}

#[test]
fn legs_lie_at_the_energy_they_took() {
    let (mut reduction, trail) = traced(&[trip().run("run=1")], TARGET);
    // Without a course nobody knows which way is out.
    for (at, leg) in reduction.legs.legs.iter_mut().enumerate() {
        leg.out = Some(at % 2 == 0);
    }
    let read = plot(&plots(&reduction, &trail, UNITS), "legs");
    // 700 J/m and 400 W over 30 m/s are 713.3 J/m: 198 Wh/km; back 513.3 J/m: 143 Wh/km; the turn is driven more slowly.
    let out = read.circles.iter().find(|dot| dot.2 == BLUE).unwrap();
    let (x, wh) = read.value(0, (out.0, out.1));
    close(wh, 198.1, 1.5);
    close(x, 7.5, 0.2);
    let back = &read.lines(0, VERMILLION)[0];
    close(back[0].1, 142.6, 1.5);
    close(back[1].0 - back[0].0, 15.0, 0.4);
    // In miles per kilowatt-hour the better one is the higher: 1 / (0.1426 kWh/km * 1.609344) is 4.36 mi/kWh.
    reduction.legs.pairs.clear();
    let read = plot(&plots(&reduction, &trail, ConsumptionUnit::MiPerKwh), "legs");
    close(read.lines(0, VERMILLION)[0][0].1, 4.36, 0.05);
}

#[test]
fn bars_of_the_hold_are_the_distance_within() {
    let trip = trip();
    let read = plot(&drawn(&[trip.run("run=1")], TARGET), "hold");
    let mean = |pair: &[f64]| (pair[0] + pair[1]) / 2.0;
    let within: f64 = trip.speed.windows(2).map(mean).filter(|speed| (speed - 30.0).abs() <= 3.0 / 3.6).sum();
    let outside: f64 = trip.speed.windows(2).map(mean).filter(|speed| (speed - 30.0).abs() > 3.0 / 3.6).sum();
    let height = |panel: usize, bar: &Vec<(f64, f64)>| read.value(panel, bar[1]).1 - read.value(panel, bar[0]).1;
    let held: f64 = read.areas(BLUE).iter().map(|bar| height(0, bar)).sum();
    close(held, within / 1e3, 0.5);
    let bottom: f64 = read.areas(BLUE).iter().map(|bar| bar[0].1).fold(0.0, f64::max);
    let below = read.areas(super::super::palette::SKY).into_iter().filter(|bar| bar[0].1 > bottom + 20.0);
    let rest: f64 = below.map(|bar| height(1, &bar)).sum();
    close(rest, outside / 1e3, 0.15);
}

#[test]
fn temperatures_and_charging_are_those_they_were_made_of() {
    // 10 degC and one in 1000 rows more, of 2 s each: at half an hour 10.9.
    let read = plot(&drawn(&[drive()], ""), "temperature");
    let line: Vec<(f64, f64)> = read.places(0, VERMILLION);
    let times = |hours: f64| read.clock(hours * 3_600.0);
    let near = line.iter().min_by(|a, b| (a.0 - times(1.0)).abs().total_cmp(&(b.0 - times(1.0)).abs())).unwrap();
    close(near.1, 11.8, 0.1);
    // 150 kW up to 50 %, then 2.5 kW less with every per cent: 100 kW at 70 %.
    let charge = charging::tests::charge(9.5, 2_400, charging::tests::tapering, None);
    let read = plot(&drawn(&[charge], ""), "charging");
    let line: Vec<(f64, f64)> = read.lines(0, BLUE).into_iter().flatten().collect();
    let at = |soc: f64| line.iter().filter(|(x, _)| (x - soc).abs() < 0.2).map(|(_, y)| *y).fold(0.0, f64::max);
    close(at(30.0), 150.0, 1.0);
    close(at(70.0), 101.0, 3.0);
}

#[test]
fn intervals_lie_where_their_figures_say() {
    let rows = [(301.0, 8.0), (280.0, 20.0)].map(|figure| Dot { label: "a".into(), first: Some(figure), second: None });
    let what = Intervals {
        name: "range",
        title: "Range".into(),
        quantity: "Range",
        unit: "km",
        first: "",
        second: None,
        rows: &rows,
    };
    let read = Read::of(&intervals(&what).unwrap());
    for (dot, row) in read.circles.iter().zip(&rows) {
        close(read.along(dot.0), row.first.unwrap().0, 0.3);
    }
    let bars: Vec<Vec<(f64, f64)>> = read.inked(BLUE);
    // A bar is three lines: an end, the reach, an end.
    let reaches: Vec<(f64, f64)> =
        bars.iter().skip(1).step_by(3).map(|l| (read.along(l[0].0), read.along(l[1].0))).collect();
    close(reaches[0].0, 293.0, 0.3);
    close(reaches[0].1, 309.0, 0.3);
    close(reaches[1].1 - reaches[1].0, 40.0, 0.5);
}
