//! What the reduction needs of a run's satellite fixes, without where they were: for those who recompute a test that was
//! published without positions.
//!
//! Formed by the code that forms the figures: metres of the ground way, fix by fix; heights; the place along the course; where
//! the path turned; of directions what the wind asks for: the axis, sums, and means over half minutes. Holds no latitude, no longitude
//! and no direction of any moment; the rough shape of the road can be guessed from it, where on earth it lies not. The step from
//! positions to metres cannot be checked with it.

use std::path::Path as FilePath;

use serde::{Deserialize, Serialize};

use super::conditions::Directions;
use super::ground;
use super::ground::path::{How, Path, Stretch};
use super::input::{Fix, RunInput};
use super::legs::along::{Along, Matcher, Track};
use super::reduction::{Options, Test, with_test};
use crate::card::Card;
use crate::store::{StoreError, reader};

/// How a row of the table `way` says what ends there, by its place in [`BY`].
pub const BY: [&str; 5] = ["aside", "fix", "speed", "line", "unknown"];
/// The table's columns of numbers, in their order.
pub const COLUMNS: [&str; 8] =
    ["from_us", "metres", "speed_from", "speed_to", "dilution", "altitude", "along", "turned"];

/// A fix without its place.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Row {
    /// When, s of run time.
    pub t: f64,
    /// Whether it was believed.
    pub believed: bool,
    /// What of the way ends at it.
    pub stretch: Option<Stretch>,
    /// Height above mean sea level, m.
    pub altitude: f32,
    /// Distance along the course, m; NaN where none was kept.
    pub along: f64,
    /// The path turned here, as far as only the path tells.
    pub turned: bool,
}

/// What is known of a run beside its rows.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Sums {
    /// Fixes put aside because they jump, and because they stood still.
    pub jumps: usize,
    /// See `jumps`.
    pub stuck: usize,
    /// Fixes on the course and off it.
    pub on_course: usize,
    /// See `on_course`.
    pub off_course: usize,
    /// What the wind asks for.
    pub directions: RunDirections,
}

/// What the wind asks for of a run.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct RunDirections {
    /// The main axis of all of the test's way, rad from north over east; null where it has none.
    pub axis: Option<f64>,
    /// Of all driving.
    pub all: Directions,
    /// Of the driving that held the target.
    pub held: Directions,
    /// Stretches of steady driving.
    pub steady: Vec<Steady>,
}

/// A stretch of steady driving.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Steady {
    /// Its end, s of run time.
    pub t: f64,
    /// Mean cosine of its direction to the axis; null where not known.
    #[serde(deserialize_with = "or_nan")]
    pub along: f64,
    /// Mean squared speed of the air along it in the card's wind, m²/s².
    #[serde(deserialize_with = "or_nan")]
    pub air_squared: f64,
}

fn or_nan<'de, D: serde::Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    Ok(Option::<f64>::deserialize(from)?.unwrap_or(f64::NAN))
}

/// A run's fixes without their places.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Unplaced {
    /// One for each fix that had a place.
    pub rows: Vec<Row>,
    /// The rest.
    pub sums: Sums,
}

/// Of each run that takes part in a test, by its name: what stands in for the places of its fixes.
pub fn of(runs: &[RunInput], card: Option<&Card>, options: &Options) -> Vec<(String, Unplaced)> {
    with_test(runs, card, options, |test, reduction| {
        let mut directions = super::conditions::directions(test, &reduction.way);
        let by_path = reduction.legs.by == Some(super::legs::By::Path);
        let of = |(number, run): (usize, &RunInput)| {
            let turns = reduction.legs.turns.iter().filter(|turn| by_path && turn.run == number).map(|turn| turn.t);
            let turns: Vec<f64> = turns.collect();
            let mut unplaced = one(test, number, &turns);
            unplaced.sums.directions = std::mem::take(&mut directions[number]);
            (run.name.clone(), unplaced)
        };
        test.runs.iter().enumerate().map(of).collect()
    })
}

/// Where positions are told beside the way: the step from them to metres, taken again.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Steps {
    /// Stretches of the way that the positions tell.
    pub all: usize,
    /// Of those, the ones that came out as they were kept, to the last digit.
    pub equal: usize,
    /// The first that did not: the run, and run time, s.
    pub differs: Option<(String, f64)>,
}

/// At both ends of what is told, what is believed of a fix rests on those before it, s.
const SETTLED_S: f64 = 60.0;

/// Forms the way anew of the positions that are told of each run, by its name, and holds it against what was kept.
pub fn steps(runs: &[RunInput], card: Option<&Card>, options: &Options, told: &[(String, Vec<Fix>)]) -> Steps {
    with_test(runs, card, options, |test, _| {
        let mut steps = Steps::default();
        for (run, fills) in test.runs.iter().zip(&test.fills) {
            let fixes = told.iter().find(|(name, _)| *name == run.name).map(|(_, fixes)| fixes);
            let (Some(fixes), Some(kept)) = (fixes.filter(|fixes| !fixes.is_empty()), &run.unplaced) else { continue };
            let placed = RunInput { fixes: fixes.clone(), unplaced: None, ..run.clone() };
            let (from, to) = (fixes[0].t + SETTLED_S, fixes[fixes.len() - 1].t - SETTLED_S);
            let inside = |stretch: &&Stretch| stretch.from >= from && stretch.to <= to;
            let formed = ground::path(&placed, fills).stretches;
            let mut formed = formed.iter().filter(inside).peekable();
            for stretch in kept.path().stretches.iter().filter(inside) {
                while formed.next_if(|other| other.to < stretch.to).is_some() {}
                steps.all += 1;
                if formed.next_if(|other| same(other, stretch)).is_some() {
                    steps.equal += 1;
                } else if steps.differs.is_none() {
                    steps.differs = Some((run.name.clone(), stretch.to));
                }
            }
        }
        steps
    })
}

/// The same stretch, to the last digit; what is not known of both is the same.
fn same(one: &Stretch, other: &Stretch) -> bool {
    let bits = |stretch: &Stretch| {
        let row =
            Row { t: stretch.to, believed: true, stretch: Some(*stretch), altitude: 0.0, along: 0.0, turned: false };
        let (by, numbers) = row.cells();
        (by, stretch.to.to_bits(), numbers.map(f64::to_bits))
    };
    bits(one) == bits(other)
}

fn one(test: &Test<'_>, number: usize, turns: &[f64]) -> Unplaced {
    let (run, fills) = (&test.runs[number], &test.fills[number]);
    let path = ground::path(run, fills);
    let mut matcher = test.options.course.as_ref().and_then(Matcher::new);
    let mut believed = Vec::new();
    ground::line(run, fills, |fix| {
        matcher.iter_mut().for_each(|matcher| matcher.see(number, fix));
        believed.push(fix.t);
    });
    let track = matcher.map(Matcher::finish).unwrap_or_default();
    let mut stretches = path.stretches.iter().peekable();
    let mut points = track.points.iter().peekable();
    let mut believed = believed.into_iter().peekable();
    let row = |fix: &Fix| {
        let is_believed = believed.next_if_eq(&fix.t).is_some();
        Row {
            t: fix.t,
            believed: is_believed,
            stretch: stretches.next_if(|stretch| is_believed && stretch.to == fix.t).copied(),
            altitude: fix.altitude,
            along: points.next_if(|point| is_believed && point.t == fix.t).map_or(f64::NAN, |point| point.at),
            turned: is_believed && turns.contains(&fix.t),
        }
    };
    let rows = run.fixes.iter().map(row).collect();
    let sums = Sums {
        jumps: path.jumps,
        stuck: path.stuck,
        on_course: track.on,
        off_course: track.off,
        directions: RunDirections::default(),
    };
    Unplaced { rows, sums }
}

impl Unplaced {
    /// The way, as the fixes told it.
    pub fn path(&self) -> Path {
        let believed = || self.rows.iter().filter(|row| row.believed).map(|row| row.t);
        Path {
            ends: believed().next().zip(believed().next_back()),
            stretches: self.rows.iter().filter_map(|row| row.stretch).collect(),
            jumps: self.sums.jumps,
            stuck: self.sums.stuck,
        }
    }

    /// Where the car was along the course.
    pub fn track(&self, run: usize) -> Track {
        let known = self.rows.iter().filter(|row| row.along.is_finite());
        let points = known.map(|row| Along { run, t: row.t, at: row.along }).collect();
        Track { points, on: self.sums.on_course, off: self.sums.off_course }
    }

    /// When the path turned, as far as only the path tells.
    pub fn turned(&self) -> impl Iterator<Item = f64> {
        self.rows.iter().filter(|row| row.turned).map(|row| row.t)
    }

    /// The fixes, as far as the rest of the reduction asks for them.
    pub fn fixes(&self) -> Vec<Fix> {
        let fix = |row: &Row| Fix {
            t: row.t,
            latitude: f64::NAN,
            longitude: f64::NAN,
            altitude: row.altitude,
            speed: f32::NAN,
            hdop: f32::NAN,
        };
        self.rows.iter().map(fix).collect()
    }

    /// Reads it of a run's folder; `sums` are what its `run.json` says.
    pub fn read(run_folder: &FilePath, sums: Sums) -> Result<Self, StoreError> {
        let mut rows = Vec::new();
        let columns: Vec<&str> = std::iter::once("by").chain(COLUMNS).collect();
        reader::read_floats(run_folder, "way", &columns, |chunk| {
            for (row, t_us) in chunk.t_us.iter().enumerate() {
                let by = chunk.names[0].get(chunk.columns[0][row] as usize).map_or("", String::as_str);
                let numbers = std::array::from_fn(|at| chunk.columns[at + 1][row]);
                rows.push(Row::of(*t_us as f64 / 1e6, by, numbers));
            }
        })?;
        Ok(Self { rows, sums })
    }
}

impl Row {
    /// As the table holds it: the place of its name in [`BY`], and the numbers of [`COLUMNS`].
    pub fn cells(&self) -> (u8, [f64; COLUMNS.len()]) {
        let mut numbers = [f64::NAN; COLUMNS.len()];
        numbers[5] = f64::from(self.altitude);
        numbers[6] = self.along;
        numbers[7] = f64::from(u8::from(self.turned));
        let Some(stretch) = &self.stretch else { return (u8::from(self.believed), numbers) };
        numbers[0] = (stretch.from * 1e6).round();
        match stretch.how {
            How::Speed(speeds) => {
                numbers[2..4].copy_from_slice(&speeds);
                (2, numbers)
            }
            How::Line { metres, dilution } => {
                (numbers[1], numbers[4]) = (metres, dilution);
                (3, numbers)
            }
            How::Unknown { straight } => {
                numbers[1] = straight.unwrap_or(f64::NAN);
                (4, numbers)
            }
        }
    }

    fn of(t: f64, by: &str, numbers: [f64; COLUMNS.len()]) -> Self {
        let [from_us, metres, speed_from, speed_to, dilution, altitude, along, turned] = numbers;
        let how = match by {
            "speed" => Some(How::Speed([speed_from, speed_to])),
            "line" => Some(How::Line { metres, dilution }),
            "unknown" => Some(How::Unknown { straight: metres.is_finite().then_some(metres) }),
            _ => None,
        };
        Self {
            t,
            believed: how.is_some() || by == "fix",
            stretch: how.map(|how| Stretch { from: from_us / 1e6, to: t, how }),
            altitude: altitude as f32,
            along,
            turned: turned == 1.0,
        }
    }
}

#[cfg(test)]
mod tests;
