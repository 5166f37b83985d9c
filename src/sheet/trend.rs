//! The trend over several tests of one car, for the terminal.
//!
//! Computes no figure.

use crate::format::{self, line, wrap};
use crate::quantity::{COULOMB_PER_AH, JOULE_PER_KWH};
use crate::reduce::estimate::Estimate;
use crate::reduce::trend::{Line, Trend};

/// The report; ends with a line end.
pub fn trend(vehicle: &str, energy: &Trend, charge: &Trend) -> String {
    let mut text = line("Vehicle", vehicle);
    for test in &energy.tests {
        let day = test.at.map_or("no date".into(), |at| at.iso().chars().take(10).collect::<String>());
        let odometer = test.odometer.map_or(String::new(), |m| format!(", {} km", format::count((m / 1e3) as u64)));
        let usable = written(&test.value, JOULE_PER_KWH, "kWh");
        text += &line(&test.name, &format!("{day}{odometer}: {usable} usable"));
    }
    text += "\n";
    for (name, trend, factor, unit) in
        [("Usable energy", energy, JOULE_PER_KWH, "kWh"), ("Usable charge", charge, COULOMB_PER_AH, "Ah")]
    {
        for (line, per) in [(&trend.by_time, "a year"), (&trend.by_distance, "10 000 km")] {
            text += &one(name, line, factor, unit, per);
        }
    }
    text + "\n"
        + &wrap(
            "",
            "What the tests share (the gains of the car's sensors) cancels in what is kept. This is not the procedure of UN \
             GTR No. 22, which certifies a state of health.",
            0,
        )
}

fn written(estimate: &Estimate, factor: f64, unit: &str) -> String {
    format::figure(estimate.value / factor, Some(estimate.u95() / factor), unit)
}

fn one(name: &str, found: &Result<Line, String>, factor: f64, unit: &str, per: &str) -> String {
    match found {
        Ok(found) => {
            let slope = written(&found.slope, factor, unit);
            let kept = found.kept.as_ref().map_or(String::new(), |kept| {
                format!(", {} kept", format::figure(kept.value * 100.0, Some(kept.u95() * 100.0), "%"))
            });
            line(name, &format!("{slope} per {per}{kept}"))
        }
        Err(why) => line(name, &format!("not measured per {per}: {why}")),
    }
}
