//! Where a run's positions may be told: what lies around its start and end is where someone lives or sleeps.
//!
//! Measures by the way driven. Takes nothing out itself, and knows no home: one who drives by it in the middle of a run is seen there.

use std::path::Path;

use super::{StoreError, reader};
use crate::geodesy::geodesic;

/// A stretch of run time, us, both ends in it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Window {
    /// From.
    pub from: i64,
    /// To; before `from` where nothing is left.
    pub to: i64,
}

impl Window {
    /// All of a run.
    pub const ALL: Self = Self { from: i64::MIN, to: i64::MAX };
    /// Nothing of it.
    pub const NOTHING: Self = Self { from: i64::MAX, to: i64::MIN };

    /// Whether a moment is in it.
    pub fn holds(&self, at: i64) -> bool {
        (self.from..=self.to).contains(&at)
    }
}

/// The part of a run that begins and ends `trim` metres of way from its start and end: by the wheels, else by the straight line from
/// the first and the last fix, which is never longer than the way.
pub fn window(run_folder: &Path, trim: f64) -> Result<Window, StoreError> {
    if trim <= 0.0 {
        return Ok(Window::ALL);
    }
    let mut way: Vec<(i64, f64)> = Vec::new();
    reader::read_floats(run_folder, "trace", &["distance"], |chunk| {
        let rows = chunk.t_us.iter().zip(&chunk.columns[0]);
        way.extend(rows.map(|(at, metres)| (*at, *metres)).filter(|(_, metres)| metres.is_finite()));
    })?;
    let ends = way.first().zip(way.last()).map(|(first, last)| (first.1, last.1));
    if let Some((first, last)) = ends.filter(|(first, last)| last > first) {
        let from = way.iter().find(|(_, metres)| metres - first >= trim);
        let to = way.iter().rev().find(|(_, metres)| last - metres >= trim);
        return Ok(between(from, to));
    }
    let mut fixes: Vec<(i64, (f64, f64))> = Vec::new();
    reader::read_fixes(run_folder, |at, fix| fixes.push((at, (fix.latitude, fix.longitude))))?;
    let Some(((_, start), (_, end))) = fixes.first().zip(fixes.last()) else { return Ok(Window::NOTHING) };
    let from = fixes.iter().find(|(_, at)| geodesic(*start, *at) >= trim);
    let to = fixes.iter().rev().find(|(_, at)| geodesic(*end, *at) >= trim);
    Ok(between(from, to))
}

fn between<T>(from: Option<&(i64, T)>, to: Option<&(i64, T)>) -> Window {
    from.zip(to).map_or(Window::NOTHING, |(from, to)| Window { from: from.0, to: to.0 })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::{Phase, Sums, TraceRow};
    use crate::observation::Fix;
    use crate::schema::Role;
    use crate::store::writer::RunWriter;
    use crate::time::RunTime;

    /// A run of 100 s at 50 m/s, by the wheels or by its fixes alone. A degree of longitude on the equator is 111,319.49 m.
    fn run(wheels: bool) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        let mut writer = RunWriter::create(folder.path(), Vec::new(), false).unwrap();
        for second in 0..=100i64 {
            let metres = 50.0 * second as f64;
            let row = TraceRow {
                at: RunTime(second * 1_000_000),
                phase: Phase::Drive,
                sums: Sums::from_column_order([
                    0.0,
                    0.0,
                    0.0,
                    0.0,
                    0.0,
                    0.0,
                    if wheels { metres } else { f64::NAN },
                    0.0,
                ]),
                roles: [f64::NAN; Role::COUNT],
                latitude_deg: 0.0,
                longitude_deg: 0.0,
            };
            writer.trace(&row).unwrap();
            let fix =
                Fix { latitude_deg: Some(0.0), longitude_deg: Some(metres / 111_319.49), mode: 3, ..Fix::default() };
            writer.fix(row.at, &fix).unwrap();
        }
        writer.finish().unwrap();
        folder
    }

    #[test]
    fn a_kilometre_at_both_ends_goes() {
        for wheels in [true, false] {
            let run = run(wheels);
            let window = window(run.path(), 1_000.0).unwrap();
            assert!((20_000_000..=21_000_000).contains(&window.from), "{window:?}");
            assert!((79_000_000..=80_000_000).contains(&window.to), "{window:?}");
            assert!(window.holds(50_000_000) && !window.holds(19_000_000) && !window.holds(81_000_000));
            assert_eq!(super::window(run.path(), 0.0).unwrap(), Window::ALL);
            let none = super::window(run.path(), 2_600.0).unwrap();
            assert!((0..=100).all(|second| !none.holds(second * 1_000_000)), "{none:?}");
        }
    }
}
