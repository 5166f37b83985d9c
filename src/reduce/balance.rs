//! The balance at the charger: what the car's sensors measured into the pack against what a meter counted out, less what was
//! lost and used between the two. It yields this car's sensor gain.
//!
//! It corrects no figure: it says how wrong the sensors read and what a tolerance may say from then on. Where the losses
//! between meter and pack are not known there is no balance. Pure.

use super::charging::Session;
use super::estimate::Estimate;
use super::plug::{Metered, Plug, Which};
use super::reduction::Test;
use super::sources;
use crate::card::{self, ChargeCurrent, MeteredAt};

/// Resistance of a dispenser's cable and plugs, both conductors, ohm: taken at this, from nothing to twice it (a
/// rectangle). Common practice, no source.
const CABLE_OHM: f64 = 2.5e-3;
/// Standard uncertainty of consumers that the map separates, in parts: common practice, no source.
const CONSUMERS_U: f64 = 0.05;
/// Draw of a charging car's own consumers where the map does not separate them all, W, and its standard uncertainty:
/// common practice, no source.
const OWN_DRAW: (f64, f64) = (500.0, 500.0);

/// A balance.
#[derive(Clone, PartialEq, Debug)]
pub struct Balance {
    /// Of which charge.
    pub which: Which,
    /// (measured into the pack) / (metered less losses and own draw) - 1, in parts: how much too much the sensors read.
    pub gain: Option<Estimate>,
    /// What was taken off the meter's reading, J.
    pub between: Option<Estimate>,
    /// Why there is none; empty where there is.
    pub why: String,
    /// Standard uncertainty of the gain as this test holds it without the balance, in parts.
    pub known_to: f64,
}

impl Balance {
    /// What a tolerance of the gain may be from now on while the readings stay as they are, in parts: the error found is a
    /// part of it, since nothing is corrected. `None` where that is no better than what is held already.
    pub fn tolerance(&self) -> Option<f64> {
        let gain = self.gain.as_ref()?;
        let u = gain.value.hypot(gain.u());
        (u < self.known_to).then_some(u)
    }
    /// The same once the map's factor is divided by one plus the gain.
    pub fn tolerance_corrected(&self) -> Option<f64> {
        let u = self.gain.as_ref()?.u();
        (u < self.known_to).then_some(u)
    }
}

/// The line to paste into a card, above its tables: `role` is the sensor that gives the current or the power. Its braces are
/// what a map's role takes as its `tolerance`.
pub fn toml(balance: &Balance, has_power_alone: bool) -> Option<String> {
    let role = if has_power_alone { "pack_power" } else { "pack_current" };
    let gain = balance.tolerance()?;
    Some(format!("tolerances.{role} = {{ gain = {gain:.4}, basis = \"balanced against a meter\" }}"))
}

pub(super) fn of(test: &Test<'_>, plug: &Plug, sessions: &[Session]) -> Vec<Balance> {
    let Some(card) = test.card else { return Vec::new() };
    let metered = plug.charges.iter().filter(|charge| charge.metered.is_some());
    metered
        .map(|charge| {
            let written = if charge.which == Which::Before { &card.charge } else { &card.recharge };
            one(test, charge, written, sessions)
        })
        .collect()
}

fn one(test: &Test<'_>, charge: &Metered, written: &card::Charge, sessions: &[Session]) -> Balance {
    let sensors = &test.tolerances.sensors;
    let known_to = match test.tolerances.power {
        Some((gain, _)) => gain,
        None => sensors.current_gain.hypot(sensors.voltage_gain),
    };
    let refused = |why: &str| Balance { which: charge.which, gain: None, between: None, why: why.to_owned(), known_to };
    if charge.efficiency.is_none() {
        return refused(&charge.why);
    }
    let (Some(into), Some(metered)) = (&charge.into_pack, &charge.metered) else { return refused(&charge.why) };
    let parts: Vec<&Session> = charge.sessions.iter().map(|at| &sessions[*at]).collect();
    let between = match between(written, &parts) {
        Ok(between) => between,
        Err(why) => return refused(why),
    };
    // The gains are what is looked for: they are no part of its uncertainty.
    let gains = [sources::CURRENT_GAIN, sources::VOLTAGE_GAIN, sources::POWER_GAIN];
    let rest = into.components().iter().filter(|component| !gains.contains(&component.source));
    let measured = rest.fold(Estimate::exact(into.value), |sum, part| {
        sum.with(part.source.clone(), part.contribution, part.kind, part.dof)
    });
    let expected = metered.sub(&between);
    let gain = measured.ratio(&expected).map(|ratio| ratio.sub(&Estimate::exact(1.0)));
    match gain.filter(|_| expected.value > 0.0) {
        Some(gain) => {
            Balance { which: charge.which, gain: Some(gain), between: Some(between), why: String::new(), known_to }
        }
        None => refused("the losses between meter and pack are as large as the reading"),
    }
}

/// Energy that lies between the meter and the pack: as the card says, else of a DC dispenser's cable and the car's own draw.
fn between(written: &card::Charge, parts: &[&Session]) -> Result<Estimate, &'static str> {
    if let Some(lost) = written.lost {
        let u = written.lost_u.ok_or("the card gives the energy lost between meter and pack without lost_u_kwh")?;
        return Ok(Estimate::exact(lost.0).with_b(sources::BETWEEN, u.0));
    }
    match (written.metered_at, written.current) {
        (Some(MeteredAt::Dispenser), Some(ChargeCurrent::Dc)) => {}
        (Some(MeteredAt::Dispenser), None) => return Err("the card does not say that it was a DC charge"),
        (Some(MeteredAt::Dispenser), Some(ChargeCurrent::Ac)) => {
            return Err("an AC charge loses an unknown amount in the car's charger; give lost_kwh and lost_u_kwh");
        }
        _ => return Err("what is lost between the wall and the pack is not known; give lost_kwh and lost_u_kwh"),
    }
    let mut sum = Estimate::exact(0.0);
    for part in parts {
        let cable = CABLE_OHM * part.current_squared.unwrap_or(0.0);
        let time = part.duration();
        let (drawn, all) = part.consumers;
        let own = if all {
            Estimate::exact(drawn).with_b(sources::OWN_DRAW, drawn * CONSUMERS_U)
        } else {
            Estimate::exact(OWN_DRAW.0 * time).with_b(sources::OWN_DRAW, OWN_DRAW.1 * time)
        };
        sum = sum.add(&own).add(&Estimate::exact(cable).with_bound(sources::CABLE, cable));
    }
    Ok(sum)
}

#[cfg(test)]
mod tests;
