//! What others say of the car, held against what was measured: usable energy, range, energy per distance.
//!
//! Ratios alone. It certifies nothing: UN GTR No. 22 has a procedure of its own for a state of certified energy, from whose
//! conditions a tester's drive differs.

use super::conditions::Conditions;
use super::estimate::Estimate;
use super::reduction::{Consumption, Test};
use super::usable::Usable;
use crate::quantity::Joule;

/// A claim with the measured figures as shares of what it says.
#[derive(Clone, PartialEq, Debug)]
pub struct Claim {
    /// By whom or after what.
    pub name: String,
    /// Usable energy, J.
    pub usable: Option<f64>,
    /// Measured usable energy by the claimed.
    pub usable_share: Option<Estimate>,
    /// Measured range (usable energy by energy per distance) by the claimed.
    pub range_share: Option<Estimate>,
    /// Measured energy per distance, driving alone, by the claimed.
    pub consumption_share: Option<Estimate>,
}

pub(super) fn of(test: &Test<'_>, usable: &Usable, consumption: &Consumption, conditions: &Conditions) -> Vec<Claim> {
    let Some(card) = test.card else { return Vec::new() };
    let share = |measured: Option<&Estimate>, claimed: Option<f64>| Some(measured?.scale(1.0 / claimed?));
    let makers = card.claimed_usable_kwh.map(|kwh| Claim {
        name: "claimed".into(),
        usable: Some(Joule::from_kwh(kwh).0),
        usable_share: share(usable.energy.as_ref(), Some(Joule::from_kwh(kwh).0)),
        range_share: None,
        consumption_share: None,
    });
    let rated = card.rated.iter().map(|rated| {
        let claimed = rated.usable.map(|usable| usable.0);
        Claim {
            name: rated.name.clone(),
            usable: claimed,
            usable_share: share(usable.energy.as_ref(), claimed),
            range_share: share(conditions.range.0.as_ref(), rated.range.map(|range| range.0)),
            consumption_share: share(consumption.net.as_ref(), rated.consumption),
        }
    });
    makers.into_iter().chain(rated).collect()
}

#[cfg(test)]
mod tests {
    use crate::card::Card;
    use crate::document::Document;
    use crate::reduce::synthetic::{Car, Chance, Drive};
    use crate::reduce::{Options, reduce};

    #[test]
    fn measured_by_claimed() {
        let drive = Drive::of(&Car::plain(), &mut Chance::new(1));
        let card = "claimed_usable_kwh = 60\n[[rated]]\nname = 'cycle'\nrange_km = 300\nconsumption_wh_per_km = 180\n";
        let card = Card::parse(&Document::from_text("card.toml", card), std::path::Path::new("")).0;
        let reduction = reduce(&[drive.run("run=1", drive.window(100.0, 0.0))], card.as_ref(), &Options::default());
        let [makers, cycle] = &reduction.claims[..] else { panic!("{:?}", reduction.claims) };
        let (usable, net) = (reduction.usable.energy.as_ref().unwrap(), reduction.consumption.net.as_ref().unwrap());
        let makers = makers.usable_share.as_ref().unwrap();
        assert!((makers.value - usable.value / 60.0 / 3.6e6).abs() < 1e-12);
        assert!((makers.u() / makers.value - usable.u() / usable.value).abs() < 1e-12, "the claim itself is exact");
        assert!((cycle.range_share.as_ref().unwrap().value - usable.value / net.value / 300e3).abs() < 1e-12);
        assert!((cycle.consumption_share.as_ref().unwrap().value - net.value / 648.0).abs() < 1e-12);
        assert!(cycle.usable_share.is_none());
    }
}
