//! The report's parts along the drive: checkpoints with their projections, the halves, where the energy went.
//!
//! Computes no figure.

use super::{Report, energy, or_not_measured};
use crate::format::{self, line, wrap};
use crate::observation::MarkKind;
use crate::reduce::checkpoints::Checkpoint;
use crate::reduce::estimate::Estimate;
use crate::schema::Role;

fn share(estimate: &Estimate) -> String {
    let part = estimate.scale(100.0);
    format::figure(part.value, Some(part.u95()), "%")
}

/// A power, in W or kW.
fn power(estimate: &Estimate) -> String {
    if estimate.value.abs() < 10_000.0 {
        format::figure(estimate.value, Some(estimate.u95()), "W")
    } else {
        format::figure(estimate.value / 1e3, Some(estimate.u95() / 1e3), "kW")
    }
}

/// What a consumer is called.
fn consumer(role: Option<Role>) -> &'static str {
    match role {
        Some(Role::HeaterPower) => "cabin heater",
        Some(Role::CompressorPower) => "compressor",
        Some(Role::BatteryHeaterPower) => "pack's heater",
        Some(Role::AccessoryPower) => "accessories",
        Some(_) | None => "climate control",
    }
}

impl Report<'_> {
    /// What people noted that is no reading in place of a role: those stand in the figures.
    pub(super) fn notes(&self) -> String {
        let in_figures = [MarkKind::Soc, MarkKind::DisplayedRest, MarkKind::Turned];
        let notes = self.reduction.notes.iter().filter(|(_, _, mark)| !in_figures.contains(&mark.kind));
        let mut text = String::new();
        for (run, at, mark) in notes {
            let value = mark.value.map_or(String::new(), |value| format!(" {}", format::significant(value, 4)));
            let words = if mark.text.is_empty() { String::new() } else { format!(": {}", mark.text) };
            let of = if self.reduction.runs.len() > 1 { format!(" of {run}") } else { String::new() };
            let said = format!("{}{value}{words}, at {}{of}", mark.kind.words(), format::duration(*at));
            text += &wrap("  ", &said, 4);
        }
        if text.is_empty() { text } else { format!("Noted\n{text}") }
    }

    /// Readings of the car's own thermometers, on one line.
    pub(super) fn temperatures(&self) -> String {
        let found = &self.reduction.temperatures;
        let said = [("outside", found.outside), ("cabin", found.cabin), ("pack", found.pack)];
        let said: Vec<String> = said
            .into_iter()
            .filter_map(|(name, readings)| readings.map(|readings| (name, readings)))
            .map(|(name, readings)| {
                let [first, mean, last] = [readings.first, readings.mean, readings.last].map(format::temperature);
                if first == last { format!("{name} {mean}") } else { format!("{name} {mean} ({first} to {last})") }
            })
            .collect();
        if said.is_empty() { String::new() } else { line("Temperatures, °C", &said.join(", ")) }
    }

    /// Each checkpoint on a line, then what could be projected there.
    pub(super) fn checkpoints(&self) -> String {
        let found = &self.reduction.checkpoints;
        let Some(from) = found.from.filter(|_| !found.reached.is_empty()) else { return String::new() };
        let mut text = format!("From displayed {} down to\n", format::percent(from));
        for one in &found.reached {
            let since = one.since_last.as_ref().and_then(|part| part.consumption.as_ref());
            let cells = [
                or_not_measured(one.so_far.distance.as_ref(), |distance| self.distance(distance)),
                energy(&one.so_far.energy),
                or_not_measured(one.so_far.consumption.as_ref(), |figure| self.per_distance(figure)),
                since.map_or(String::new(), |figure| format!("last {}", self.per_distance(figure))),
            ];
            let row = format!(
                "  {:>6} {:>14} {:>16} {:>15}  {}",
                format::percent(one.value),
                cells[0],
                cells[1],
                cells[2],
                cells[3]
            );
            let row = row.trim_end();
            if row.chars().count() <= format::COLUMNS {
                text += &format!("{row}\n");
            } else {
                text += &wrap(&format!("  {:>6} ", format::percent(one.value)), cells.join(" ").trim_end(), 9);
            }
        }
        if let Some(ratio) = &found.halves_ratio {
            text += &wrap("  ", &format!("the second half took {} of the first's per distance", share(ratio)), 4);
        }
        text + &self.projections()
    }

    fn projections(&self) -> String {
        let mut text = String::new();
        for one in self.reduction.checkpoints.reached.iter().filter(|one| one.value > 0.0) {
            let ours = one.projected.as_ref().map(|all| self.distance(all) + &self.off(one.off[0].as_ref()));
            let cars =
                self.by_the_car(one).map(|all| format!("by the car's rest {all}{}", self.off(one.off[1].as_ref())));
            let said: Vec<String> = ours.into_iter().chain(cars).collect();
            if !said.is_empty() {
                if text.is_empty() {
                    text += "Projected distance to displayed 0 %, and how far off it was\n";
                }
                text += &wrap(&format!("  {:>6} ", format::percent(one.value)), &said.join("; "), 9);
            }
        }
        text
    }

    /// Driven plus the car's word, a plain reading.
    fn by_the_car(&self, one: &Checkpoint) -> Option<String> {
        let driven = one.so_far.distance.as_ref()?.value;
        Some(self.plain_distance(driven + one.shown_rest?))
    }

    fn off(&self, off: Option<&Estimate>) -> String {
        off.map_or(String::new(), |off| format!(", off {}", self.distance(off)))
    }

    /// Where the energy went.
    pub(super) fn shares(&self) -> String {
        let shares = &self.reduction.shares;
        let Some(drive) = &shares.drive else { return String::new() };
        let part = |of: &Option<Estimate>| of.as_ref().map_or(String::new(), |of| format!(", {}", share(of)));
        let mut text = String::from("Where the energy went\n");
        let what = if shares.consumers.is_empty() { "drive and all else" } else { "drive" };
        text += &line(&format!("  {what}"), &format!("{}{}", energy(&drive.energy), part(&drive.share)));
        for one in &shares.consumers {
            let label = format!("  {}", consumer(one.role));
            text += &line(&label, &format!("{}{}", energy(&one.energy), part(&one.share)));
        }
        if let Some((used, mean)) = &shares.standing {
            text += &line("  standing", &format!("{}, {} on average", energy(used), power(mean)));
        }
        if let Some(recovered) = &shares.recovered {
            text += &line("  came back", &format!("{} of what went out while driving", share(recovered)));
        }
        if let Some(warm) = &shares.warm_up {
            let names: Vec<&str> = warm.roles.iter().map(|role| consumer(Some(*role))).collect();
            let [steady, _, tau] = warm.decay;
            let said = format!(
                "{} beyond a steady {} W, gone to a third in {}; {}",
                energy(&warm.energy),
                format::significant(steady, 2),
                format::duration(tau),
                names.join(", ")
            );
            text += &line("  warming up", &said);
        }
        text
    }
}
