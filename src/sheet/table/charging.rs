//! Charging, what the plug gave, and the balance at the charger, for the terminal.
//!
//! Computes no figure; the curve itself is in the JSON alone.

use super::{Report, energy};
use crate::card::MeteredAt;
use crate::format::{self, line};
use crate::reduce::balance::{self, Balance};
use crate::reduce::charging::Session;
use crate::reduce::estimate::Estimate;
use crate::reduce::plug::Metered;

fn power(estimate: &Estimate) -> String {
    format::figure(estimate.value / 1e3, Some(estimate.u95() / 1e3), "kW")
}

fn minutes(estimate: &Estimate) -> String {
    format::figure(estimate.value / 60.0, Some(estimate.u95() / 60.0), "min")
}

fn share(estimate: &Estimate) -> String {
    format::figure(estimate.value * 100.0, Some(estimate.u95() * 100.0), "%")
}

fn at(soc: Option<f64>) -> String {
    soc.map_or(String::new(), |soc| format!(" at {}", format::percent(soc)))
}

impl Report<'_> {
    /// Four to six lines a session.
    pub(super) fn charging(&self) -> String {
        let reduction = self.reduction;
        let mut text: String = reduction.sessions.iter().map(|session| self.session(session)).collect();
        for charge in reduction.plug.charges.iter().filter(|charge| charge.metered.is_some()) {
            text += &metered(charge);
        }
        if let Some((figure, at)) = &reduction.plug.metered_per_metre {
            let from = if *at == MeteredAt::Wall { "from the wall" } else { "from the dispenser" };
            text += &line("Metered per distance", &format!("{}, {from}", self.per_distance(figure)));
        }
        for balance in &reduction.balances {
            text += &balanced(balance, reduction.has_power_alone);
        }
        text
    }

    fn session(&self, session: &Session) -> String {
        let reading = |soc: Option<f64>| soc.map_or("not known".into(), format::percent);
        let span = format!("{} to {}", reading(session.soc.0), reading(session.soc.1));
        let into =
            session.energy.as_ref().map_or("not measured".into(), |into| format!("{} into the pack", energy(into)));
        let mut text = line("Charge", &format!("{span} in {}, {into}", format::duration(session.duration())));
        for window in &session.windows {
            let label = format!("  {} to {}", format::significant(window.soc.0, 2), format::percent(window.soc.1));
            text += &match (&window.time, &window.mean_power) {
                (Some(time), Some(mean)) => line(&label, &format!("{}, mean {}", minutes(time), power(mean))),
                _ => line(&label, &format!("not measured: {}", window.why)),
            };
        }
        if let Some(peak) = &session.peak {
            let half = session.taper.iter().find(|taper| taper.share == 0.5);
            let half = half.map_or(String::new(), |taper| format!("; for good below half of it{}", at(taper.soc)));
            text += &line("  peak power", &format!("{}{}{half}", power(&peak.power), at(peak.soc)));
        }
        if let (Some(mean), best) = &session.gained {
            let best = best.as_ref().map_or(String::new(), |best| format!(", at best {}", self.distance(best)));
            text += &line("  ten minutes give", &format!("{}{best}", self.distance(mean)));
        }
        if let [Some(start), Some(end), Some(most)] = session.pack_degc {
            let [start, end, most] = [start, end, most].map(|degc| format::significant(degc, 2));
            text += &line("  pack", &format!("{start} to {end} degC, at most {most} degC"));
        }
        text
    }
}

fn metered(charge: &Metered) -> String {
    let Some(metered) = &charge.metered else { return String::new() };
    let from = match charge.at {
        Some(MeteredAt::Wall) => " at the wall",
        Some(MeteredAt::Dispenser) => " at the dispenser",
        None => "",
    };
    let reading = format::figure(metered.value / 3.6e6, (metered.u() > 0.0).then(|| metered.u95() / 3.6e6), "kWh");
    let into = match &charge.efficiency {
        Some(efficiency) => format!("{} of it into the pack", share(efficiency)),
        None => format!("share into the pack not measured: {}", charge.why),
    };
    line("Metered", &format!("{reading}{from}; {into}"))
}

fn balanced(balance: &Balance, power_alone: bool) -> String {
    let Some(gain) = &balance.gain else {
        return line("Balance", &format!("not possible: {}", balance.why));
    };
    let toml = balance::toml(balance, power_alone);
    let then = if toml.is_some() { "for the card (or a map: the braces):" } else { "no better than is held already" };
    let text = line("Balance", &format!("sensors read {} too much; {then}", share(gain)));
    // As it is to be pasted: neither wrapped nor indented.
    text + &toml.map_or(String::new(), |toml| format!("{toml}\n"))
}
