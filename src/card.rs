//! The test card: what the tester writes down about a test; read from a TOML file.
//!
//! Does not judge the test and opens no run: it only says where they are. `docs/card.md` describes every key.

use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::document::{Document, Fault};
use crate::quantity::ConsumptionUnit;

/// Which state of charge counts.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SocCounts {
    /// As displayed to the driver.
    Displayed,
    /// As the battery computer holds it, of the whole pack.
    Internal,
}

/// Which distance counts.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum DistanceCounts {
    /// The integral of the wheel speed.
    Speed,
    /// The odometer's difference.
    Odometer,
    /// The length of the line through the satellite fixes.
    Fixes,
}

impl DistanceCounts {
    /// As people read it.
    pub fn text(self) -> &'static str {
        match self {
            Self::Speed => "integrated speed",
            Self::Odometer => "odometer",
            Self::Fixes => "satellite fixes",
        }
    }
}

/// How the charge before the test ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Deserialize)]
pub enum FullCharge {
    /// The car ended it: the current went to zero by the car's own decision.
    #[serde(rename = "ended by the car")]
    EndedByTheCar,
    /// The display said 100 %, no more is known.
    #[serde(rename = "display only")]
    DisplayOnly,
    /// Nothing is known.
    #[default]
    #[serde(rename = "unknown")]
    Unknown,
}

/// A test card as checked.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Card {
    /// The card's file name, for people.
    pub name: String,
    /// The car's name, as in the data set.
    pub vehicle: Option<String>,
    /// The runs of the test, each as the card wrote it and as a path from the card's own folder.
    pub runs: Vec<(String, PathBuf)>,
    /// Which state of charge counts; the map's choice where absent.
    pub state_of_charge: Option<SocCounts>,
    /// Which distance counts; that with the smallest uncertainty where absent.
    pub distance: Option<DistanceCounts>,
    /// How the charge before the test ended.
    pub full_charge: FullCharge,
    /// The maker's claim, kWh.
    pub claimed_usable_kwh: Option<f64>,
    /// Units of all output.
    pub units: Option<ConsumptionUnit>,
    /// Free text.
    pub note: Option<String>,
}

/// The written forms of [`ConsumptionUnit`], as on the command line.
pub const UNITS: [(&str, ConsumptionUnit); 4] = [
    ("wh-per-km", ConsumptionUnit::WhPerKm),
    ("kwh-per-100km", ConsumptionUnit::KwhPer100Km),
    ("wh-per-mi", ConsumptionUnit::WhPerMi),
    ("mi-per-kwh", ConsumptionUnit::MiPerKwh),
];

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    vehicle: Option<toml::Spanned<String>>,
    #[serde(default)]
    runs: Vec<toml::Spanned<String>>,
    state_of_charge: Option<SocCounts>,
    distance: Option<DistanceCounts>,
    full_charge: Option<FullCharge>,
    claimed_usable_kwh: Option<toml::Spanned<f64>>,
    units: Option<toml::Spanned<String>>,
    note: Option<String>,
}

impl Card {
    /// Reads a card's file; gives what could be read and everything wrong with it.
    pub fn load(path: &Path) -> (Option<Self>, Vec<Fault>) {
        match Document::read(path) {
            Ok(document) => {
                let folder = path.parent().unwrap_or(Path::new(""));
                let (card, faults) = Self::parse(&document, folder);
                let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
                (card.map(|card| Self { name, ..card }), faults)
            }
            Err(fault) => (None, vec![fault]),
        }
    }

    /// Reads a card's text; paths of runs are taken from `folder`.
    pub fn parse(document: &Document, folder: &Path) -> (Option<Self>, Vec<Fault>) {
        let (written, mut faults) = document.parse_toml::<Written>();
        let card = written.map(|written| check(written, document, folder, &mut faults));
        faults.sort_by_key(|fault| fault.place);
        (card, faults)
    }
}

fn check(written: Written, document: &Document, folder: &Path, faults: &mut Vec<Fault>) -> Card {
    let mut fault = |at: usize, what: String, remedy: &str| faults.push(document.fault(at, what).remedy(remedy));
    let mut runs: Vec<(String, PathBuf)> = Vec::new();
    for run in written.runs {
        let (at, text) = (run.span().start, run.into_inner());
        if text.trim().is_empty() {
            fault(at, "a run without a name".into(), "write the run's folder, as a path from this card's folder");
        } else if runs.iter().any(|(known, _)| *known == text) {
            fault(at, format!("run '{text}' is named twice"), "name each run once");
        } else {
            let path = folder.join(&text);
            runs.push((text, path));
        }
    }
    let vehicle = written.vehicle.and_then(|vehicle| {
        let (at, text) = (vehicle.span().start, vehicle.into_inner());
        let sound = (1..=64).contains(&text.len())
            && text.bytes().all(|byte| byte.is_ascii_alphanumeric() || matches!(byte, b'_' | b'-'));
        if !sound {
            fault(at, format!("'{text}' is no name of a vehicle"), "use 1 to 64 of A-Z, a-z, 0-9, _ and -");
        }
        sound.then_some(text)
    });
    let claimed_usable_kwh = written.claimed_usable_kwh.and_then(|claim| {
        let (at, kwh) = (claim.span().start, claim.into_inner());
        // No road car's pack lies outside; a claim in Wh or Ah does.
        let sound = (1.0..=1_000.0).contains(&kwh);
        if !sound {
            fault(
                at,
                format!("a claimed usable capacity of {kwh} kWh is impossible"),
                "write it in kWh, from 1 to 1000",
            );
        }
        sound.then_some(kwh)
    });
    let units = written.units.and_then(|units| {
        let (at, text) = (units.span().start, units.into_inner());
        let found = UNITS.iter().find(|(written, _)| *written == text).map(|(_, unit)| *unit);
        if found.is_none() {
            let known = UNITS.map(|(written, _)| written);
            fault(at, format!("unknown units '{text}'"), &crate::document::did_you_mean(&text, known));
        }
        found
    });
    Card {
        name: document.name.clone(),
        vehicle,
        runs,
        state_of_charge: written.state_of_charge,
        distance: written.distance,
        full_charge: written.full_charge.unwrap_or_default(),
        claimed_usable_kwh,
        units,
        note: written.note,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> (Option<Card>, Vec<String>) {
        let (card, faults) = Card::parse(&Document::from_text("card.toml", text), Path::new("tests-of-may"));
        (card, faults.iter().map(Fault::to_string).collect())
    }

    #[test]
    fn every_key_is_read() {
        let text = "vehicle = 'blue-van'\nruns = ['../data/run=1', '../data/run=2']\nstate_of_charge = 'internal'\n\
                    distance = 'odometer'\nfull_charge = 'ended by the car'\nclaimed_usable_kwh = 58\nunits = 'wh-per-mi'\nnote = 'dry'\n";
        let (card, faults) = parse(text);
        assert!(faults.is_empty(), "{faults:?}");
        let card = card.unwrap();
        assert_eq!(card.vehicle.as_deref(), Some("blue-van"));
        assert_eq!(card.runs[1], ("../data/run=2".into(), PathBuf::from("tests-of-may/../data/run=2")));
        assert_eq!((card.state_of_charge, card.distance), (Some(SocCounts::Internal), Some(DistanceCounts::Odometer)));
        assert_eq!((card.full_charge, card.units), (FullCharge::EndedByTheCar, Some(ConsumptionUnit::WhPerMi)));
        assert_eq!((card.claimed_usable_kwh, card.note.as_deref()), (Some(58.0), Some("dry")));
    }

    #[test]
    fn what_is_wrong_has_line_and_remedy() {
        let text = "vehicle = 'blue van'\nruns = ['a', '', 'a']\nstate_of_charge = 'dash'\nclaimed_usable_kwh = 58000\n\
                    units = 'wh-per-kn'\nfull_charg = 'unknown'\n";
        assert_eq!(
            parse(text).1,
            [
                "card.toml:1: 'blue van' is no name of a vehicle; use 1 to 64 of A-Z, a-z, 0-9, _ and -",
                "card.toml:2: a run without a name; write the run's folder, as a path from this card's folder",
                "card.toml:2: run 'a' is named twice; name each run once",
                "card.toml:3: unknown value 'dash'; use one of: displayed, internal",
                "card.toml:4: a claimed usable capacity of 58000 kWh is impossible; write it in kWh, from 1 to 1000",
                "card.toml:5: unknown units 'wh-per-kn'; did you mean 'wh-per-km'?",
                "card.toml:6: unknown key 'full_charg'; did you mean 'full_charge'?",
            ]
        );
    }

    #[test]
    fn a_missing_file_is_one_fault() {
        let (card, faults) = Card::load(Path::new("no-such-card.toml"));
        assert!(card.is_none() && faults.len() == 1 && faults[0].remedy.is_some());
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics(text in "([a-z\\[\\]={}\"'#., \n0-9]|runs|units|vehicle|claimed_usable_kwh|é){0,80}") {
            let _ = parse(&text);
        }
    }
}
