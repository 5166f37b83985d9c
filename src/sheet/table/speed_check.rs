//! The speedometer and odometer check, in at most four lines.
//!
//! Computes no figure.

use super::Report;
use crate::format::{self, line};
use crate::quantity::{MPS_PER_KMH, MPS_PER_MPH};
use crate::reduce::estimate::Estimate;

/// What a ratio to the truth is too much.
fn too_much(ratio: &Estimate) -> String {
    format::figure((ratio.value - 1.0) * 100.0, Some(ratio.u95() * 100.0), "%")
}

impl Report<'_> {
    /// The unit of speeds, m/s, and its name.
    pub(super) fn speed_unit(&self) -> (f64, &'static str) {
        if self.units.in_miles() { (MPS_PER_MPH, "mph") } else { (MPS_PER_KMH, "km/h") }
    }

    pub(super) fn speed_check(&self) -> String {
        let check = &self.reduction.speed_check;
        let (unit, name) = self.speed_unit();
        let mut said = Vec::new();
        for (what, ratio) in [("wheels", &check.wheels), ("odometer", &check.odometer)] {
            said.extend(ratio.as_ref().map(|ratio| format!("{what} {}", too_much(ratio))));
        }
        let mut lines: Vec<String> =
            if said.is_empty() { Vec::new() } else { vec![format!("{} above the truth", said.join(", "))] };
        if let Some(dial) = &check.dial {
            let (low, high) = (dial.speeds.0 / unit, dial.speeds.1 / unit);
            let (from, to) = (format::significant(low, 3), format::significant(high, 3));
            let at = if from == to { format!("{to} {name}") } else { format!("{from} to {to} {name}") };
            let mut text = format!("dial {} more at {at}", too_much(&dial.gain));
            match &dial.offset {
                Some(offset) => {
                    let more = format::figure(offset.value / unit, Some(offset.u95() / unit), name);
                    text += &format!(", and {more} more at every speed");
                }
                None if dial.told_apart => {}
                None => text += "; the speeds driven cannot tell an offset",
            }
            lines.push(text);
        }
        if let Some((target, shown)) = &check.at_target {
            let target = format::significant(target / unit, 3);
            let shown = format::figure(shown.value / unit, Some(shown.u95() / unit), name);
            lines.push(format!("for a true {target} {name} drive at {shown} on the dial"));
        }
        let label = |index: usize| if index == 0 { "Speed check" } else { "" };
        lines.iter().enumerate().map(|(index, text)| line(label(index), text)).collect()
    }
}
