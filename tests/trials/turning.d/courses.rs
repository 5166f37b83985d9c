//! The courses of the trial, all invented, in the open ocean: steps between turns of 2 to 12 km.
//!
//! Knows no car.

use std::fmt::Write as _;
use std::sync::Arc;

use drawdown::course::{Course, Direction};
use drawdown::document::Document;

/// A course and where its tests begin.
pub struct Road {
    pub course: Arc<Course>,
    /// The step between turns that the table names, km.
    pub step_km: u32,
    /// Where a test begins: a place with a charger.
    pub start: usize,
    pub direction: Direction,
}

/// A place as written here: name, km, height in m, and words: `t` turn, `o`/`b` turn only out/back, `c` charger, `>`/`<` a
/// charger for out/back only, `s` a safe stop, `r`/`l` one for out/back only.
type Written = (&'static str, f64, f64, &'static str);

fn road(name: &str, step_km: u32, start: usize, hilly: bool, finish: Option<(&str, f64)>, places: &[Written]) -> Road {
    let mut text = format!("name = \"{name}\"\n");
    for (place, km, height, words) in places {
        // Gentle bends: the straight line between two places is a little shorter than the road.
        let (north, east) = (-48.0 + 0.018 * libm::sin(km / 9.0), -123.0 + 0.96 * km / 74.6);
        let _ = write!(text, "\n[[place]]\nname = \"{place}\"\nkm = {km}\nposition = [{north:.6}, {east:.6}]\n");
        if hilly {
            let _ = writeln!(text, "elevation_m = {height}");
        }
        for word in words.chars() {
            text += match word {
                't' => "turn = true\nturn_km = 1.0\nturn_s = 85\n",
                'o' => "turn_out = true\nturn_back = false\nturn_km = 1.3\nturn_s = 110\n",
                'b' => "turn_out = false\nturn_back = true\nturn_km = 0.8\nturn_s = 70\n",
                'c' => "charger = true\n",
                '>' => "charger = true\nside = 'out'\n",
                '<' => "charger = true\nside = 'back'\n",
                's' => "safe_stop = true\n",
                'r' => "safe_stop = true\nsafe_stop_side = 'out'\n",
                'l' => "safe_stop = true\nsafe_stop_side = 'back'\n",
                _ => "",
            };
        }
    }
    if let Some((place, km)) = finish {
        let _ = write!(text, "\n[finish]\nplace = \"{place}\"\nkm = {km}\nduration_s = {:.0}\n", km * 90.0);
    }
    let (course, faults) = Course::parse(&Document::from_text("course of the trial", &*text));
    let said = || faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n");
    let course = course.unwrap_or_else(|| panic!("{}\n{text}", said()));
    Road { course: Arc::new(course), step_km, start, direction: Direction::Out }
}

/// All of them.
pub fn all() -> Vec<Road> {
    vec![
        road(
            "Wrenmouth ring road",
            2,
            2,
            false,
            Some(("Wrenmouth Basin", 4.2)),
            &[
                ("Sedge Quay", 0.0, 0.0, "t"),
                ("Tollgate Marsh", 2.1, 0.0, "t"),
                ("Wrenmouth Basin", 4.0, 0.0, "tcs"),
                ("Old Kiln", 6.1, 0.0, "t"),
                ("Fennel Bridge", 8.0, 0.0, "t"),
                ("Cold Acre", 10.2, 0.0, "t"),
                ("Larkstead", 12.0, 0.0, "tc"),
                ("Nine Elder", 14.1, 0.0, "t"),
                ("Barrow Lock", 16.0, 0.0, "t"),
                ("Sallow End", 18.1, 0.0, "ts"),
                ("Hythe Corner", 20.2, 0.0, "t"),
                ("Greyholm", 22.0, 0.0, "t"),
                ("Pikewater", 24.1, 0.0, "t"),
                ("Stonebeck", 26.0, 0.0, "t"),
            ],
        ),
        road(
            "Cragmoor to Upper Tarn",
            4,
            0,
            true,
            None,
            &[
                ("Cragmoor", 0.0, 120.0, "tc"),
                ("Cragmoor Lay-by", 1.5, 135.0, "s"),
                ("Birk Bank", 4.2, 190.0, "t"),
                ("Slate Row", 8.0, 300.0, "t"),
                ("Raven Edge", 12.3, 470.0, "t"),
                ("Thrush Gap", 16.0, 560.0, "t"),
                ("Lower Beck", 20.1, 380.0, "tc"),
                ("Beck Mill", 24.0, 260.0, "t"),
                ("Stang Foot", 28.2, 310.0, "t"),
                ("Hollin Brow", 32.0, 450.0, "t"),
                ("Mossdale", 36.1, 520.0, "t"),
                ("Tarn Foot", 40.0, 410.0, "t"),
                ("Upper Tarn", 44.0, 430.0, "tcs"),
            ],
        ),
        road(
            "Ashmere to Low Farrow",
            5,
            0,
            false,
            None,
            &[
                ("Ashmere", 0.0, 0.0, "tcs"),
                ("Penfold", 5.1, 0.0, "t"),
                ("Hatch Green", 10.0, 0.0, "t"),
                ("Dunmarsh", 15.2, 0.0, "t"),
                ("Long Holt", 20.0, 0.0, "t"),
                ("Quern Hill", 25.3, 0.0, "t"),
                ("Whinstead", 30.0, 0.0, "t"),
                ("Cutler's Ash", 35.1, 0.0, "t"),
                ("Marl Pit", 40.0, 0.0, "t"),
                ("Harrow Top", 45.2, 0.0, "t"),
                ("Ivel Cross", 50.0, 0.0, "t"),
                ("Low Farrow", 55.0, 0.0, "tcs"),
            ],
        ),
        road(
            "Saltby to Eastrigg, one side at a time",
            6,
            0,
            false,
            None,
            &[
                ("Saltby", 0.0, 0.0, "tc"),
                ("Saltby Weigh Station", 2.0, 0.0, "s"),
                ("Norwick", 6.2, 0.0, "o"),
                ("Carr Side", 9.0, 0.0, "b"),
                ("Ember Lane", 12.1, 0.0, "t"),
                ("Goosegate", 18.0, 0.0, "o"),
                ("Flaxley", 21.3, 0.0, "b"),
                ("Midholme", 24.0, 0.0, "t>s"),
                ("Otter Sluice", 30.2, 0.0, "o"),
                ("Tansy Moor", 33.0, 0.0, "b"),
                ("Ridding", 36.1, 0.0, "t"),
                ("Hallgarth", 42.0, 0.0, "o"),
                ("Swale Head", 45.2, 0.0, "b"),
                ("Eastrigg", 48.0, 0.0, "tcs"),
            ],
        ),
        road(
            "Port Hallow to Kestrel Cross, chargers by sides",
            8,
            0,
            false,
            None,
            &[
                ("Port Hallow", 0.0, 0.0, "tcs"),
                ("Gannet Row", 8.1, 0.0, "t"),
                ("Ferry Oak", 16.0, 0.0, "t"),
                ("Ferry Oak Services", 18.4, 0.0, ">r"),
                ("Withy Bed", 24.2, 0.0, "t"),
                ("Tern Bank", 32.0, 0.0, "t"),
                ("Tern Bank Services", 35.0, 0.0, "<l"),
                ("Chalk Lane", 40.1, 0.0, "t"),
                ("Dray Cross", 48.0, 0.0, "tc"),
                ("Plover Stone", 56.2, 0.0, "t"),
                ("Heron Fleet", 64.0, 0.0, "t"),
                ("Kestrel Cross", 72.0, 0.0, "tcs"),
            ],
        ),
        road(
            "Farne Gate to Skerry Point",
            12,
            0,
            false,
            None,
            &[
                ("Farne Gate", 0.0, 0.0, "tcs"),
                ("Abbot's Weir", 12.2, 0.0, "t"),
                ("Cinder Hill", 24.0, 0.0, "t"),
                ("Lanthorn", 36.1, 0.0, "t"),
                ("Mere End", 48.0, 0.0, "t"),
                ("Bracken Heath", 60.3, 0.0, "tcs"),
                ("Tollard", 72.0, 0.0, "t"),
                ("Whitecairn", 84.2, 0.0, "t"),
                ("Gorse Down", 96.0, 0.0, "t"),
                ("Sandwath", 108.1, 0.0, "t"),
                ("Maddock", 120.0, 0.0, "tcs"),
                ("Holm Ferry", 132.2, 0.0, "t"),
                ("Skerry Point", 144.0, 0.0, "tc"),
            ],
        ),
    ]
}
