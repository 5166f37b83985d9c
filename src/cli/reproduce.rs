//! `drawdown reproduce`: every figure of a bundle formed again by this program, and whether it came out equal.
//!
//! Only calls the store and the reduce room. The bundle is unpacked aside and removed; nothing of it is run or kept.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::interrupt::Making;
use super::recompute::{self, Recomputed};
use super::{Outcome, say};
use crate::document::Fault;
use crate::format::{self, count, line};
use crate::reduce::again::{self, Line, Verdict};
use crate::store::bundle::Packed;
use crate::store::bundle::archive::{self, Aside, Limits};
use crate::store::data_set::RunFolder;
use crate::store::verify;

/// What this program is.
const PROGRAM: &str = concat!("drawdown ", env!("CARGO_PKG_VERSION"));

#[derive(clap::Args)]
#[command(
    after_help = "Holds every file against its digest, looks whether the trace follows from the samples, forms every figure again from what the \
    bundle holds, and says which came out equal: to the last digit, or within 1e-12 of the value on a machine with another library of sines. It does not believe the \
    bundle: what leads outside its folder, links, devices and absurd sizes are refused.\n\n\
    Examples:\n  \
    drawdown reproduce test.tar.zst\n  \
    drawdown reproduce test.tar.zst --all\n  \
    drawdown reproduce test.tar.zst --json | jq '.figures[] | select(.equal | not)'\n\n\
    Exit status: 0 all figures came out equal; 1 some did not, or a file is not as it was packed; 2 not done."
)]
pub struct Arguments {
    /// The bundle, as `drawdown bundle` wrote it
    #[arg(value_name = "BUNDLE")]
    bundle: PathBuf,
    /// List every figure, not only those that differ
    #[arg(long)]
    all: bool,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
    /// The most that the bundle may unpack to, GB
    #[arg(long, value_name = "GB", default_value_t = 4, value_parser = clap::value_parser!(u64).range(1..=1_000))]
    at_most_gb: u64,
}

pub fn run(arguments: &Arguments) -> Outcome {
    match reproduce(arguments) {
        Ok(report) => {
            if arguments.json {
                say::json(&report.json());
            } else {
                print!("{}", report.text(&arguments.bundle, arguments.all));
            }
            if report.is_equal() { Outcome::Done } else { Outcome::WithFaults }
        }
        Err(fault) => say::not_done(&fault),
    }
}

/// What came of it.
struct Report {
    packed: Packed,
    again: Recomputed,
    lines: Vec<Line>,
    /// What of the runs' tables does not follow from each other.
    unsound: Vec<String>,
}

/// Whether sums and trace follow from the samples, run by run, as `drawdown verify` looks at it: who changes a trace and makes every
/// digest and every figure anew is found by that.
fn unsound(folder: &Path, runs: &[String]) -> Vec<String> {
    let mut told = Vec::new();
    for name in runs {
        let report = RunFolder::open(&folder.join(name)).and_then(|run| verify::run(&run, &mut |_| {}));
        let faults = report.map_or_else(
            |error| vec![error.to_string()],
            |report| report.faults.iter().map(Fault::to_string).collect(),
        );
        told.extend(faults.into_iter().map(|fault| fault.replace(&format!("{}/", folder.display()), "")));
    }
    told
}

fn reproduce(arguments: &Arguments) -> Result<Report, Fault> {
    let path = &arguments.bundle;
    let file = File::open(path).map_err(|error| Fault::io(path, "open", &error))?;
    let aside = Aside::make(&std::env::temp_dir())?;
    let _making = Making::of(aside.path());
    let folder = aside.path();
    let limits = Limits { bytes: arguments.at_most_gb << 30, ..Limits::default() };
    let names = archive::unpack(BufReader::new(file), folder, limits).map_err(|unfit| {
        let remedy = match unfit {
            archive::Unfit::TooLarge { .. } => "give more with --at-most-gb if you trust who packed it",
            archive::Unfit::Unreadable(_) => "ask for another copy of it",
            _ => "do not unpack it: no bundle holds such a thing",
        };
        Fault::whole(path.display().to_string(), unfit.to_string()).remedy(remedy)
    })?;
    let inside = |fault: Fault| {
        let begin = format!("{}/", folder.display());
        Fault { file: fault.file.replace(&begin, &format!("{}: ", path.display())), ..fault }
    };
    let packed = Packed::read(folder, &names).map_err(|error| inside(error.into()))?;
    let figures = folder.join(&packed.manifest.figures);
    let bytes = std::fs::read(&figures).map_err(|error| inside(Fault::io(&figures, "read", &error)))?;
    let published: Value = serde_json::from_slice(&bytes)
        .map_err(|error| inside(Fault::whole(figures.display().to_string(), error.to_string())))?;
    let again = recompute::of(folder, &packed.manifest).map_err(inside)?;
    let lines = again::compare(&published, &again.value, &again.not_possible);
    let unsound = unsound(folder, &packed.manifest.runs);
    Ok(Report { packed, again, lines, unsound })
}

impl Report {
    fn is_equal(&self) -> bool {
        let steps = &self.again.steps;
        let is_whole = self.packed.faults.is_empty() && self.unsound.is_empty();
        is_whole && steps.equal == steps.all && self.lines.iter().all(Line::is_equal)
    }

    fn numbers(&self) -> (usize, usize, usize) {
        let figures = || self.lines.iter().filter(|line| line.is_figure());
        let differ = figures().filter(|line| !line.is_equal()).count();
        let words = self.lines.iter().filter(|line| !line.is_figure() && !line.is_equal()).count();
        (figures().count(), differ, words)
    }

    fn verdict(&self) -> String {
        let (figures, differ, words) = self.numbers();
        let near = self.lines.iter().filter(|line| line.verdict == Verdict::Near).count();
        let mut said = Vec::new();
        if !self.packed.faults.is_empty() {
            let files = self.packed.faults.len();
            said.push(format!("{files} file{} not as packed", if files == 1 { " is" } else { "s are" }));
        }
        if !self.unsound.is_empty() && self.packed.faults.is_empty() {
            said.push("the tables do not follow from each other".into());
        }
        let figures = count(figures as u64);
        match (differ, words) {
            (0, 0) if near == 0 => said.push(format!("all {figures} figures came out again, to the last digit")),
            (0, 0) => said.push(format!("all {figures} figures came out again, {near} of them within 1e-12")),
            (0, words) => said.push(format!("all {figures} figures came out again, {words} words did not")),
            (differ, 0) => said.push(format!("{differ} of {figures} figures did not come out again")),
            (differ, words) => {
                said.push(format!("{differ} of {figures} figures and {words} words did not come out again"))
            }
        }
        let steps = &self.again.steps;
        if steps.equal < steps.all {
            let (off, all) = (count((steps.all - steps.equal) as u64), count(steps.all as u64));
            said.push(format!("{off} of {all} steps from positions to metres did not"));
        }
        format!("{}: {}", if self.is_equal() { "Equal" } else { "NOT equal" }, said.join("; "))
    }

    fn text(&self, bundle: &Path, all: bool) -> String {
        let manifest = &self.packed.manifest;
        let mut text = format!("{}\n\n", self.verdict());
        for fault in self.packed.faults.iter().chain(&self.unsound) {
            text += &format!("  {fault}\n");
        }
        let listed: Vec<&Line> = self.lines.iter().filter(|line| all || !line.is_equal()).collect();
        listed.iter().for_each(|line| text += &format!("  {}\n", recompute::told(line)));
        if !listed.is_empty() || !self.packed.faults.is_empty() || !self.unsound.is_empty() {
            text.push('\n');
        }
        text += &line("Bundle", &format!("{}, code {}", bundle.display(), self.packed.code));
        let test = [&manifest.card].into_iter().flatten().chain(&manifest.runs).cloned().collect::<Vec<_>>();
        text += &line("Test", &test.join(", "));
        let by = if manifest.program == PROGRAM { "the same as this".into() } else { format!("this is {PROGRAM}") };
        text += &line("Packed by", &format!("{}, {by}", manifest.program));
        let steps = &self.again.steps;
        if steps.all > 0 {
            let (equal, all) = (count(steps.equal as u64), count(steps.all as u64));
            let first = steps
                .differs
                .as_ref()
                .map_or(String::new(), |(run, t)| format!(", the first that is not at {t} s of {run}"));
            text += &line("Positions", &format!("{equal} of {all} steps from them to metres came out equal{first}"));
        }
        for (at, said) in manifest.says.iter().enumerate() {
            text += &line(if at == 0 { "It says" } else { "" }, said);
        }
        for fault in &self.again.faults {
            text += &format::wrap("", fault, 2);
        }
        text
    }

    fn json(&self) -> Value {
        let manifest = &self.packed.manifest;
        let (figures, differ, words) = self.numbers();
        let one = |line: &Line| {
            let (verdict, off, why) = match &line.verdict {
                Verdict::Equal => ("equal", None, None),
                Verdict::Near => ("within 1e-12", None, None),
                Verdict::Differs(off) => ("differs", off.filter(|off| off.is_finite()), None),
                Verdict::Missing => ("missing", None, None),
                Verdict::Surplus => ("not published", None, None),
                Verdict::NotPossible(why) => ("not possible", None, Some(why)),
            };
            json!({
                "figure": line.figure, "equal": line.is_equal(), "verdict": verdict, "published": line.published,
                "again": line.again, "relative_difference": off, "why": why,
            })
        };
        json!({
            "equal": self.is_equal(),
            "verdict": self.verdict(),
            "code": self.packed.code,
            "packed_by": manifest.program,
            "formed_by": PROGRAM,
            "same_program": manifest.program == PROGRAM,
            "files_not_as_packed": self.packed.faults,
            "tables_not_sound": self.unsound,
            "figures_in_all": figures,
            "figures_not_equal": differ,
            "words_not_equal": words,
            "positions": manifest.positions,
            "steps_from_positions": self.again.steps.all,
            "steps_equal": self.again.steps.equal,
            "trimmed_km": manifest.trimmed_km,
            "says": manifest.says,
            "faults": self.again.faults,
            "figures": self.lines.iter().map(one).collect::<Vec<_>>(),
        })
    }
}
