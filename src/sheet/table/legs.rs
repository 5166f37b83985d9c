//! Legs, a line each, and what their pairs tell.
//!
//! Computes no figure.

use super::{Report, or_not_measured};
use crate::format::{self, wrap};
use crate::quantity::Joule;
use crate::reduce::legs::{Height, Leg, Pair};

impl Report<'_> {
    pub(super) fn legs(&self) -> String {
        let legs = &self.reduction.legs;
        let Some(by) = legs.by.filter(|_| legs.legs.len() > 1) else { return String::new() };
        let mut text = format!("Legs, from turn to turn by {}\n", by.text());
        for (at, leg) in legs.legs.iter().enumerate() {
            text += &self.leg(at, leg);
        }
        for pair in &legs.pairs {
            text += &self.pair(pair);
        }
        if let Some(cancels) = &legs.cancels {
            let [one, other] = cancels.distances.map(|metres| self.plain_distance(metres));
            let apart =
                cancels.apart.map_or(String::new(), |apart| format!(", ends {} apart", self.plain_distance(apart)));
            let word = if cancels.closed { "grade cancels" } else { "grade does not cancel" };
            text += &wrap("  ", &format!("{one} one way, {other} the other{apart}: {word}"), 4);
        }
        text + &legs.height.as_ref().map(height).unwrap_or_default()
    }

    fn leg(&self, at: usize, leg: &Leg) -> String {
        let direction = match leg.out {
            Some(true) => "out",
            Some(false) => "back",
            None => "",
        };
        let (unit, name) = self.speed_unit();
        let speed = or_not_measured(leg.speed.as_ref(), |speed| {
            format!("{} {name}", format::significant(speed.value / unit, 3))
        });
        let warm = leg.temperature.map_or(String::new(), |degc| format!("{degc:.0} degC"));
        let distance = or_not_measured(leg.distance.as_ref(), |distance| self.distance(distance));
        let consumption = or_not_measured(leg.consumption.as_ref(), |figure| self.per_distance(figure));
        let row = format!("  {:>2} {direction:<4} {distance:>17} {consumption:>24} {speed:>11} {warm:>8}", at + 1);
        format!("{}\n", row.trim_end())
    }

    fn pair(&self, pair: &Pair) -> String {
        let (one, other) = (pair.first + 1, pair.first + 2);
        let mean = or_not_measured(pair.mean.as_ref(), |figure| self.per_distance(figure));
        // A difference has no reciprocal: it is told per kilometre or mile whatever the unit.
        let (metres, per) = if self.units.in_miles() { (1_609.344, "Wh/mi") } else { (1e3, "Wh/km") };
        let difference = or_not_measured(pair.difference.as_ref(), |difference| {
            let [value, u95] = [difference.value, difference.u95()].map(|joule| Joule(joule * metres).kwh() * 1e3);
            format::figure(value, Some(u95), per)
        });
        wrap("  ", &format!("{one} and {other}: {mean}; wind and grade between them {difference}"), 4)
    }
}

fn height(height: &Height) -> String {
    let rise = format::figure(height.rise.value, Some(height.rise.u95()), "m");
    let energy = or_not_measured(height.energy.as_ref(), super::energy);
    let energy = if height.energy.is_some() { energy } else { "not estimated, the card lacks the masses".into() };
    wrap("  ", &format!("end above start {rise} by {}; energy in it {energy}", height.by), 4)
}
