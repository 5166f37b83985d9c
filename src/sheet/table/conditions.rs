//! Conditions and restated figures for the terminal, three or four lines.
//!
//! Computes no figure. Says nothing where no card asks for it.

use super::Report;
use crate::format::{self, line};
use crate::quantity::MetrePerSecond;
use crate::reduce::conditions::{Restated, WindBy};
use crate::reduce::estimate::Estimate;

impl Report<'_> {
    pub(super) fn conditions(&self) -> String {
        let conditions = &self.reduction.conditions;
        let mut text = self.rated();
        if !conditions.asked {
            return text;
        }
        if let Some(weather) = &conditions.weather {
            let [degc, hpa] = [weather.degc.0, weather.pascal.0 / 100.0];
            let air = format!(
                "{} degC, {} hPa, {} kg/m3",
                format::significant(degc, if degc.abs() < 10.0 { 2 } else { 3 }),
                format::significant(hpa, if hpa < 1e3 { 3 } else { 4 }),
                format::significant(weather.density, 4)
            );
            let along = |size: f64| format!("; wind along the road {} m/s", format::significant(size.abs(), 2));
            let wind = match conditions.wind {
                Some((size, WindBy::Card)) => format!("{}, by the card", along(size)),
                Some((size, WindBy::Pair)) => format!("{}, by the legs", along(size)),
                Some((_, WindBy::Nothing)) => "; wind not known".into(),
                None => String::new(),
            };
            text += &line("Air", &format!("{air}{wind}"));
        }
        let Some(restated) = &conditions.restated else {
            return text + &line("At reference", &format!("not restated: {}", conditions.why));
        };
        let at = &conditions.at;
        let kpa = format::significant(at.pascal / 1e3, 4);
        let place = format!("{} degC, {kpa} kPa, no wind ({})", format::significant(at.degc, 2), at.name);
        text += &line("At reference", &format!("{}; {place}", self.beside(restated)));
        if let Some((speed, restated)) = &conditions.at_target {
            let speed = MetrePerSecond(*speed);
            let (speed, unit) = if self.units.in_miles() { (speed.mph(), "mph") } else { (speed.kmh(), "km/h") };
            let label = format!("  at {} {unit}", format::significant(speed, 3));
            text += &line(
                &label,
                &format!("{}; held driving {}", self.beside(restated), self.per_distance(&restated.measured)),
            );
        }
        if let (Some(range), Some(restated)) = &conditions.range {
            let range = format!("{}, measured {}", self.distance(restated), self.distance(range));
            text += &line("  range", &range);
        }
        text
    }

    /// A line for each rating of the card; what the maker claims stands with the usable capacity.
    fn rated(&self) -> String {
        let share = |share: &Estimate| format::figure(share.value * 100.0, Some(share.u95() * 100.0), "%");
        let rated = self.reduction.claims.iter().filter(|claim| claim.name != "claimed");
        rated.fold(String::new(), |text, claim| {
            let shares = [
                ("usable energy", &claim.usable_share),
                ("range", &claim.range_share),
                ("energy per distance", &claim.consumption_share),
            ];
            let said: Vec<String> =
                shares.iter().filter_map(|(what, of)| Some(format!("{what} {}", share(of.as_ref()?)))).collect();
            let said = if said.is_empty() { "not measured".into() } else { said.join(", ") };
            text + &line("Measured by rated", &format!("{said} of '{}'", claim.name))
        })
    }

    fn beside(&self, restated: &Restated) -> String {
        self.per_distance(&restated.value)
    }
}
