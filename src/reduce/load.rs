//! From a run's folder to what the reduction is given: `run.json`, the trace and the samples of voltage and current.
//!
//! By the card's counting a run's trace is read again, from and to the moments that count alone.
//!
//! Reads through the store, a few thousand rows at a time, so memory stays at a few megabytes however long the run.
//! Forms no figure. A run that cannot be read is a fault; the others go on.

use std::path::Path;

use super::counted;
use super::fold::{Folder, Noted, RunSummary, TraceChunk, columns, seconds};
use super::input::{Fix, Gap, Missing, RoleUse, RunInput};
use super::sampling::{Sampling, SamplingError, Thinner};
use super::unplaced::Unplaced;
use crate::card::Card;
use crate::document::Fault;
use crate::ledger::{self, GapOf, Phase};
use crate::map::{Basis, Sent};
use crate::observation::MarkKind;
use crate::schema::Role;
use crate::store::StoreError;
use crate::store::data_set::RunFolder;
use crate::store::pieces::{self, Memory, Wanted};
use crate::store::reader::{self, Chunk};
use crate::store::run_file::{self, Ended, RoleUsed, RunFile};
use crate::time::WallClock;

/// The runs that could be read, and what was wrong with the others.
#[derive(Debug, Default)]
pub struct Loaded {
    /// Ready to be reduced.
    pub runs: Vec<RunInput>,
    /// One for each run that could not be read.
    pub faults: Vec<Fault>,
}

/// Reads runs, each given by its folder, and cuts off what does not count by the card's word.
pub fn counted<P: AsRef<Path>>(folders: &[P], card: Option<&Card>) -> Loaded {
    let mut loaded = Loaded::default();
    let mut paths = Vec::new();
    for folder in folders {
        match run(folder.as_ref()) {
            Ok(run) => {
                paths.push(folder.as_ref());
                loaded.runs.push(run);
            }
            Err(error) => loaded.faults.push(fault(folder.as_ref(), error)),
        }
    }
    if card.is_none_or(|card| card.counting.is_everything()) {
        return loaded;
    }
    // Only the card as far as it does not contradict the runs cuts anything, and only runs that take part.
    let sorted = counted::sort_out(&loaded.runs, card);
    let Some(card) = sorted.card.filter(|card| !card.counting.is_everything()) else { return loaded };
    let windows = counted::windows(&sorted.runs, &card);
    for (run, window) in sorted.runs.iter().zip(windows) {
        let same = |other: &&mut (&mut RunInput, &&Path)| other.0.name == run.name && other.0.vehicle == run.vehicle;
        let mut places = loaded.runs.iter_mut().zip(&paths).collect::<Vec<_>>();
        let Some(((from, to), (place, path))) = window.zip(places.iter_mut().find(same)) else { continue };
        if let Err(error) = cut(place, path, from, to) {
            place.problems.push(format!("it counts whole: {error}"));
        }
    }
    loaded
}

/// Folds a run's trace again, between two moments of its run time, s. What sampling may cost stays that of the whole run.
fn cut(run: &mut RunInput, folder: &Path, from: f64, to: f64) -> Result<(), StoreError> {
    let mut noted = run.summary.noted.clone();
    noted.retain(from, to);
    let part = Folder::between(from, to).noting(noted);
    run.summary = trace(folder, None, part, &mut Memory::default(), &mut Vec::new())?.into();
    run.fixes.retain(|fix| (from..=to).contains(&fix.t));
    if let Some(unplaced) = &mut run.unplaced {
        unplaced.rows.retain(|row| (from..=to).contains(&row.t));
    }
    run.turned.retain(|t| (from..=to).contains(t));
    run.cut = true;
    let clip = |gap: &Gap| Gap { from_s: gap.from_s.max(from), to_s: gap.to_s.min(to), ..*gap };
    run.gaps = run.gaps.iter().map(clip).filter(|gap| gap.from_s < gap.to_s).collect();
    Ok(())
}

/// Reads runs, each given by its folder, all of each.
pub fn runs<P: AsRef<Path>>(folders: &[P]) -> Loaded {
    counted(folders, None)
}

fn fault(folder: &Path, error: StoreError) -> Fault {
    if !folder.join("run.json").exists() {
        let what =
            if folder.exists() { "holds no run.json: it is not a finished run" } else { "there is no such folder" };
        return Fault::whole(folder.display().to_string(), what)
            .remedy("name a run's folder, DATA/vehicle=NAME/run=NAME");
    }
    error.into()
}

/// Reads one run.
pub fn run(folder: &Path) -> Result<RunInput, StoreError> {
    let file = RunFile::load(folder)?;
    let mut problems: Vec<String> =
        file.set_aside.iter().map(|aside| format!("{} was damaged and put aside: {}", aside.file, aside.why)).collect();
    if !file.tables.is_empty() && !file.tables.iter().any(|table| table.folder == "trace") {
        let what = "the trace is missing; make the run again from its frames with `drawdown ingest RUN`";
        return Err(StoreError::Damaged { path: folder.join("trace"), what: what.into() });
    }
    // Before the trace is folded, whose summary stays: the samples are gone by then.
    let mut memory = Memory::default();
    let thinned = thinned(folder, &file, &mut memory);
    let noted = noted(folder, &file).unwrap_or_else(|error| {
        problems.push(error.to_string());
        Noted::default()
    });
    let turned = noted.marks.iter().filter(|(_, mark)| mark.kind == MarkKind::Turned).map(|(at, _)| *at).collect();
    let rows =
        file.tables.iter().filter(|table| table.folder == "trace").map(|table| table.rows).fold(0, u64::saturating_add);
    let folded = Folder::default().noting(noted).expecting(rows);
    let summary = trace(folder, Some(&file), folded, &mut memory, &mut problems)?;
    // What follows has its own use for it.
    drop(memory);
    let packs = packs(&file.roles);
    let gaps = gaps(&file, packs, &mut problems);
    let mut run = RunInput {
        name: file.run.clone(),
        vehicle: file.vehicle.clone(),
        start: file.start_utc.as_deref().and_then(WallClock::parse_iso),
        soc_counts: Role::from_key(&file.soc_counts).unwrap_or(Role::Soc),
        roles: roles(&file.roles),
        gaps,
        summary: summary.into(),
        fixes: Vec::new(),
        unplaced: None,
        turned,
        sampling: None,
        cut: false,
        problems,
    };
    match as_listed(folder, &file, "way").and_then(|()| unplaced(folder, &file)) {
        Ok(None) => match as_listed(folder, &file, "fixes").and_then(|()| fixes(folder)) {
            Ok(fixes) => run.fixes = fixes,
            Err(error) => run.problems.push(error.to_string()),
        },
        Ok(Some(unplaced)) => {
            run.fixes = unplaced.fixes();
            run.unplaced = Some(unplaced);
        }
        Err(error) => run.problems.push(error.to_string()),
    }
    match thinned {
        Ok(thinned) => run.sampling = sampling(&thinned, &run.summary),
        Err(error) => run.problems.push(error.to_string()),
    }
    if file.is_rehearsal() {
        run.problems.push("a rehearsal: an invented car was driven, nothing was measured".into());
    }
    if file.ended == Ended::Recovered {
        run.problems.push("the recording was cut; up to about a second before the cut is missing".into());
    }
    for damage in file.damage.iter().filter(|damage| damage.count > 0) {
        let count = crate::format::count(damage.count);
        run.problems.push(format!("{}: {count} lines or packets could not be read", damage.source));
    }
    Ok(run)
}

/// Whether a table's files are byte for byte those that were written: what a figure rests on is held against its digest.
fn as_listed(folder: &Path, file: &RunFile, table: &str) -> Result<(), StoreError> {
    RunFolder::open(folder)?.check(file, table)
}

/// The samples tables of voltage, current and power.
fn messages(used: &[RoleUsed]) -> impl Iterator<Item = String> {
    let power = [Role::PackVoltage, Role::PackCurrent, Role::PackPower].map(Role::key);
    let used = used.iter().filter(move |used| power.contains(&base(&used.role)));
    used.filter_map(Column::of).map(|column| format!("samples/message={}", column.message))
}

/// Folds the trace; its files are held against what lists them, if that is given.
fn trace(
    folder: &Path,
    listed: Option<&RunFile>,
    mut folded: Folder,
    memory: &mut Memory,
    problems: &mut Vec<String>,
) -> Result<RunSummary, StoreError> {
    let mut columns = columns();
    columns.push("phase");
    let mut phases: Vec<Phase> = Vec::new();
    let mut known: Vec<Option<Phase>> = Vec::new();
    let mut unknown = 0;
    // The power says which way the current flows only where the current itself is not known.
    let instead = Some((Role::PackPower.key(), Role::PackCurrent.key()));
    pieces::read(folder, Wanted { table: "trace", columns: &columns, instead, listed }, memory, |chunk| {
        let Some((cells, floats)) = chunk.columns.split_last() else { return };
        let names = chunk.names.last().map_or(&[][..], Vec::as_slice);
        known.extend(names.iter().skip(known.len()).map(|name| Phase::from_key(name)));
        phases.clear();
        // Most often it is the same for row after row.
        for alike in cells.chunk_by(|a, b| a.to_bits() == b.to_bits()) {
            let phase = known.get(alike[0] as usize).copied().flatten();
            unknown += if phase.is_none() { alike.len() } else { 0 };
            phases.resize(phases.len() + alike.len(), phase.unwrap_or_default());
        }
        let views: Vec<&[f64]> = floats.iter().map(Vec::as_slice).collect();
        folded.push(&TraceChunk { t_us: chunk.t_us, phase: &phases, columns: &views });
    })?;
    if unknown > 0 {
        problems.push(format!("{unknown} rows of the trace name no known phase and count as standing"));
    }
    Ok(folded.finish())
}

/// What people noted; it stands in for the roles that the map did not fill.
fn noted(folder: &Path, file: &RunFile) -> Result<Noted, StoreError> {
    as_listed(folder, file, "marks")?;
    let marks = reader::read_marks(folder)?;
    let lacks = |role: Role| !file.roles.iter().any(|used| used.role == role.key());
    let speaks = |kinds: &[MarkKind]| marks.iter().any(|(_, mark)| kinds.contains(&mark.kind));
    Ok(Noted {
        soc: lacks(Role::Soc) && speaks(&[MarkKind::Soc, MarkKind::ShowsZero]),
        rest: lacks(Role::DisplayedRest) && speaks(&[MarkKind::DisplayedRest]),
        marks: marks.into_iter().map(|(at, mark)| (at.0 as f64 / 1e6, mark)).collect(),
    })
}

/// What stands in for the places of the fixes in a run out of a bundle.
fn unplaced(folder: &Path, file: &RunFile) -> Result<Option<Unplaced>, StoreError> {
    let Some(bundled) = &file.bundled else { return Ok(None) };
    let sums = serde_json::from_value(bundled.way.clone()).map_err(|error| StoreError::Damaged {
        path: folder.join(run_file::NAME),
        what: format!("what it says of the way cannot be read: {error}"),
    })?;
    Unplaced::read(folder, sums).map(Some)
}

/// The fixes of a run's folder that have a place.
pub fn fixes(folder: &Path) -> Result<Vec<Fix>, StoreError> {
    let mut fixes = Vec::new();
    reader::read_fixes(folder, |t_us, fix| {
        let [altitude, speed, hdop] = [fix.altitude, fix.speed, fix.hdop].map(|value| value as f32);
        let t = t_us as f64 / 1e6;
        fixes.push(Fix { t, latitude: fix.latitude, longitude: fix.longitude, altitude, speed, hdop });
    })?;
    Ok(fixes)
}

/// How many packs the roles speak of.
fn packs(roles: &[RoleUsed]) -> u8 {
    roles.iter().filter_map(|used| used.role.split_once('.')?.1.parse().ok()).max().unwrap_or(1)
}

fn gaps(file: &RunFile, packs: u8, problems: &mut Vec<String>) -> Vec<Gap> {
    let listed: Vec<ledger::Gap> = match serde_json::from_value(file.gaps.clone()) {
        Ok(listed) => listed,
        Err(error) => {
            problems.push(format!("the gaps in run.json cannot be read ({error}); they are estimated from the trace"));
            Vec::new()
        }
    };
    let gap = |gap: ledger::Gap| {
        let (missing, part) = match gap.what {
            GapOf::Pack(_) => (Missing::Power, 1.0 / f64::from(packs.max(1))),
            GapOf::Speed => (Missing::Speed, 1.0),
        };
        Gap { missing, from_s: gap.from.0 as f64 / 1e6, to_s: gap.to.0 as f64 / 1e6, part }
    };
    listed.into_iter().map(gap).collect()
}

fn roles(used: &[RoleUsed]) -> Vec<RoleUse> {
    let mut roles: Vec<RoleUse> = Vec::new();
    for used in used {
        let Some(role) = Role::from_key(base(&used.role)) else { continue };
        let basis = match &*used.tolerance.basis {
            "data sheet" => Basis::DataSheet,
            "balanced against a meter" => Basis::BalancedAgainstMeter,
            _ => Basis::Assumed,
        };
        // Assumed to be perfect is no statement: this room's own assumption stands in.
        let given = basis != Basis::Assumed || used.tolerance.gain != 0.0 || used.tolerance.offset != 0.0;
        let (gain, offset) = (given.then_some(used.tolerance.gain), given.then_some(used.tolerance.offset));
        let sent = if used.sent == "on change" { Sent::OnChange } else { Sent::Cyclic };
        match roles.iter_mut().find(|known| known.role == role) {
            // Of several packs the zeros add.
            Some(known) => known.offset = known.offset.zip(offset).map(|(a, b)| a + b).or(known.offset).or(offset),
            None => roles.push(RoleUse { role, gain, offset, basis, sent }),
        }
    }
    roles
}

fn base(role: &str) -> &str {
    role.split_once('.').map_or(role, |(base, _)| base)
}

/// A role's signal in the samples: its message, its column, and the column that is taken off it.
struct Column<'a> {
    message: &'a str,
    plus: &'a str,
    minus: Option<&'a str>,
    factor: f64,
    offset: f64,
}

impl<'a> Column<'a> {
    fn of(used: &'a RoleUsed) -> Option<Self> {
        let (first, second) = match used.signal.split_once(" - ") {
            Some((first, second)) => (first, Some(second)),
            None => (&*used.signal, None),
        };
        let (message, plus) = first.split_once('.')?;
        let minus = second.and_then(|second| Some(second.split_once('.')?.1));
        Some(Self { message, plus, minus, factor: used.factor, offset: used.offset })
    }

    fn names(&self) -> impl Iterator<Item = &'a str> {
        std::iter::once(self.plus).chain(self.minus)
    }

    /// The values of a chunk's rows; `at` is where its first column stands. A column without cells is null.
    fn values(&self, columns: &[Vec<f64>], at: usize, rows: usize, values: &mut Vec<f64>) {
        let cells = |column: usize| columns.get(column).filter(|cells| cells.len() == rows);
        values.clear();
        match (cells(at), self.minus.map(|_| cells(at + 1))) {
            (Some(plus), None) => values.extend(plus.iter().map(|raw| raw * self.factor + self.offset)),
            (Some(plus), Some(Some(minus))) => {
                let raw = plus.iter().zip(minus).map(|(plus, minus)| plus - minus);
                values.extend(raw.map(|raw| raw * self.factor + self.offset));
            }
            _ => values.resize(rows, f64::NAN),
        }
    }
}

/// What thinning showed of a pack.
enum Thinned {
    /// Of voltage and current in one message.
    Together(Sampling),
    /// Of current and voltage each by itself.
    Apart { current: SamplingError, volt: SamplingError },
    /// Of power alone.
    Power(SamplingError),
}

/// Thins the samples of every pack; the samples of every role of voltage, current and power are held against what lists them.
fn thinned(folder: &Path, file: &RunFile, memory: &mut Memory) -> Result<Vec<Thinned>, StoreError> {
    let used = &file.roles[..];
    let find = |role: Role, pack: u8| {
        let key = role.key();
        let numbered = format!("{key}.{}", pack + 1);
        let found = used.iter().find(|used| used.role == numbered || (pack == 0 && used.role == key));
        found.filter(|used| used.sent != "on change").and_then(Column::of)
    };
    let mut samples = Samples { folder, file, memory, checked: Vec::new() };
    let mut all = Vec::new();
    for pack in 0..packs(used) {
        all.push(match (find(Role::PackVoltage, pack), find(Role::PackCurrent, pack), find(Role::PackPower, pack)) {
            (Some(volt), Some(current), _) if volt.message == current.message => {
                Thinned::Together(samples.together(&volt, &current)?)
            }
            (Some(volt), Some(current), _) => {
                Thinned::Apart { current: samples.alone(&current)?, volt: samples.alone(&volt)? }
            }
            (_, _, Some(power)) => Thinned::Power(samples.alone(&power)?),
            _ => continue,
        });
    }
    messages(used)
        .filter(|table| !samples.checked.contains(table))
        .try_for_each(|table| as_listed(folder, file, &table))?;
    Ok(all)
}

/// A run's samples, each table of which is held against what lists it when it is read for the first time.
struct Samples<'a> {
    folder: &'a Path,
    file: &'a RunFile,
    memory: &'a mut Memory,
    checked: Vec<String>,
}

impl Samples<'_> {
    fn read(&mut self, message: &str, columns: &[&str], each: impl FnMut(Chunk<'_>)) -> Result<(), StoreError> {
        let table = format!("samples/message={message}");
        let listed = (!self.checked.contains(&table)).then_some(self.file);
        pieces::read(self.folder, Wanted { table: &table, columns, instead: None, listed }, self.memory, each)?;
        self.checked.push(table);
        Ok(())
    }

    fn alone(&mut self, column: &Column<'_>) -> Result<SamplingError, StoreError> {
        let mut thinner = Thinner::default();
        let names: Vec<&str> = column.names().collect();
        let (mut times, mut values) = (Vec::new(), Vec::new());
        self.read(column.message, &names, |chunk| {
            seconds(chunk.t_us, &mut times);
            column.values(chunk.columns, 0, times.len(), &mut values);
            thinner.extend(&times, &values);
        })?;
        Ok(thinner.finish())
    }

    /// Voltage and current of one message: their product is thinned.
    fn together(&mut self, volt: &Column<'_>, current: &Column<'_>) -> Result<Sampling, StoreError> {
        let (mut power, mut charge) = (Thinner::default(), Thinner::default());
        let names: Vec<&str> = volt.names().chain(current.names()).collect();
        let second = volt.names().count();
        let (mut times, mut volts, mut amperes) = (Vec::new(), Vec::new(), Vec::new());
        self.read(volt.message, &names, |chunk| {
            seconds(chunk.t_us, &mut times);
            volt.values(chunk.columns, 0, times.len(), &mut volts);
            current.values(chunk.columns, second, times.len(), &mut amperes);
            charge.extend(&times, &amperes);
            volts.iter_mut().zip(&amperes).for_each(|(volt, ampere)| *volt *= ampere);
            power.extend(&times, &volts);
        })?;
        let power = power.finish();
        let energy = [power.net, power.positive, power.negative];
        Ok(Sampling { energy, charge: charge.finish().net, blocks: power.blocks })
    }
}

/// What sampling may have cost, pack by pack, in squares.
fn sampling(thinned: &[Thinned], run: &RunSummary) -> Option<Sampling> {
    let mut squares = [0.0; 4];
    let mut blocks = 0;
    for pack in thinned {
        let errors = match pack {
            Thinned::Together(errors) => *errors,
            Thinned::Apart { current, volt } => apart(current, volt, run),
            Thinned::Power(error) => {
                Sampling { energy: [error.net, error.positive, error.negative], charge: 0.0, blocks: error.blocks }
            }
        };
        let [net, out, back] = errors.energy;
        squares.iter_mut().zip([net, out, back, errors.charge]).for_each(|(sum, u)| *sum += u * u);
        blocks += errors.blocks;
    }
    let [net, out, back, charge] = squares.map(f64::sqrt);
    (blocks > 0).then_some(Sampling { energy: [net, out, back], charge, blocks })
}

/// Voltage and current of two messages: each is thinned by itself, the other taken at its mean.
///
/// Weak step: what both lose at the same moments (voltage sags as current rises) is left out; it is of second order.
fn apart(by_current: &SamplingError, by_volt: &SamplingError, run: &RunSummary) -> Sampling {
    let means = run.last().map(|last| {
        let observed = (last.t - last.sums.time_unobserved).max(1.0);
        (last.volt_seconds / observed, (last.charge() / observed).abs())
    });
    let (mean_volt, mean_current) = means.unwrap_or((0.0, 0.0));
    let energy = [by_current.net, by_current.positive, by_current.negative];
    let energy = energy.map(|u| (u * mean_volt).hypot(by_volt.net * mean_current));
    Sampling { energy, charge: by_current.net, blocks: by_current.blocks }
}

#[cfg(test)]
mod tests;
