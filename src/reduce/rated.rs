//! The figures beside what others say of the car: rated ranges, certified consumption, claimed usable energy.
//!
//! A ratio of usable energy to a certified one is of the kind that UN GTR No. 22 calls SOCE, but does not follow its procedure
//! and is no certified value. Pure.

use super::checkpoints::Checkpoints;
use super::estimate::Estimate;
use super::reduction::Consumption;
use super::usable::{Method, Usable};
use crate::card::Card;
use crate::quantity::Joule;

/// What is compared.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum What {
    /// The distance to displayed 0 %.
    Range,
    /// Net energy per distance while driving.
    Consumption,
    /// Usable energy.
    Usable,
}

impl What {
    /// As people read it.
    pub fn text(self) -> &'static str {
        match self {
            Self::Range => "range",
            Self::Consumption => "energy per distance",
            Self::Usable => "usable energy",
        }
    }
}

/// A figure beside what is said of it.
#[derive(Clone, PartialEq, Debug)]
pub struct Beside {
    /// Who says it, or after what.
    pub by: String,
    /// What is compared.
    pub what: What,
    /// What is said, m, J/m or J.
    pub said: f64,
    /// The measured figure over it.
    pub ratio: Estimate,
}

pub(super) fn of(
    card: Option<&Card>,
    consumption: &Consumption,
    usable: &Usable,
    checkpoints: &Checkpoints,
) -> Vec<Beside> {
    let Some(card) = card else { return Vec::new() };
    // A range is that of a whole discharge: from displayed 100 % to displayed 0 %.
    let to_zero = checkpoints.reached.iter().find(|checkpoint| checkpoint.value == 0.0);
    let range = to_zero.filter(|_| usable.method == Method::Full).and_then(|zero| zero.so_far.distance.as_ref());
    let mut list = Vec::new();
    let mut add = |by: &str, what: What, said: Option<f64>, measured: Option<&Estimate>| {
        if let Some((said, measured)) = said.filter(|said| *said > 0.0).zip(measured) {
            list.push(Beside { by: by.to_owned(), what, said, ratio: measured.scale(1.0 / said) });
        }
    };
    let claimed = card.claimed_usable_kwh.map(|kwh| Joule::from_kwh(kwh).0);
    add("the claim", What::Usable, claimed, usable.energy.as_ref());
    for rated in &card.rated {
        add(&rated.name, What::Range, rated.range.map(|range| range.0), range);
        add(&rated.name, What::Consumption, rated.consumption, consumption.net.as_ref());
        add(&rated.name, What::Usable, rated.usable.map(|usable| usable.0), usable.energy.as_ref());
    }
    list
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::Document;
    use crate::reduce::synthetic::{Car, Chance, Drive};
    use crate::reduce::{Options, reduce};

    fn beside(text: &str, to: f64) -> Vec<Beside> {
        let (card, faults) = Card::parse(&Document::from_text("card.toml", text), "".as_ref());
        assert!(faults.is_empty(), "{faults:?}");
        let drive = Drive::of(&Car::plain(), &mut Chance::new(1));
        let run = drive.run("20270314T061502Z", drive.window(100.0, to));
        reduce(&[run], card.as_ref(), &Options::default()).rated
    }

    #[test]
    fn every_rating_stands_beside_its_own_figure() {
        let text = "claimed_usable_kwh = 60\n[[rated]]\nname = 'brochure'\nrange_km = 400\n";
        let found = beside(text, 0.0);
        let names: Vec<(&str, What)> = found.iter().map(|beside| (&*beside.by, beside.what)).collect();
        assert_eq!(names, [("the claim", What::Usable), ("brochure", What::Range)]);
        // 30 m/s at 20 kW or so out of some 60 kWh: about 3 h, 320 km.
        assert!((0.6..1.0).contains(&found[1].ratio.value), "{found:?}");
        // A part of a discharge has no range.
        assert_eq!(beside(text, 40.0).len(), 1);
    }
}
