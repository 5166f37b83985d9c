//! `drawdown bundle`: a test as one archive with what a sceptic needs to form its figures again, and nothing that is nobody's business.
//!
//! Forms the published figures once more from what it packs, before it says that it is done. Computes no figure of its own.

mod stage;

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::interrupt::Making;
use super::output::{self, Output};
use super::test::{Reduced, TestArguments};
use super::{Outcome, recompute, say};
use crate::document::Fault;
use crate::format;
use crate::reduce::again::{self, Line};
use crate::reduce::unplaced;
use crate::store::bundle::archive::{self, Aside};
use crate::store::bundle::{Manifest, SCHEMA};
use stage::Stage;

pub(super) use stage::scrub;

#[derive(clap::Args)]
#[command(
    after_help = "Without --positions no latitude and no longitude leaves this computer: of the fixes the metres between them are kept, \
    heights, the place along the course, and for the wind the road's axis with means over half minutes, so that every figure can still \
    be formed again; only the step from positions to metres cannot be checked. Vehicle numbers and coordinates in words are taken out, raw frames and replies are \
    left out. Of each file left out or changed the digest is kept, so that you can show later that yours is the one.\n\n\
    Examples:\n  \
    drawdown bundle test.toml -o test.tar.zst\n  \
    drawdown bundle RUN -o run.tar.zst --at 80,60,40,20,0\n  \
    drawdown bundle test.toml -o test.tar.zst --positions --trim-km 3 --replace\n  \
    drawdown reproduce test.tar.zst\n\n\
    Exit status: 0 done; 1 done, but something was wrong with the input, or not every figure can be formed again from the bundle; \
    2 not done."
)]
pub struct Arguments {
    #[command(flatten)]
    test: TestArguments,
    /// The archive to write, tar in zstd
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Replace the file if it is there
    #[arg(long)]
    replace: bool,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
    /// With positions, but for the way around start and end of every run
    #[arg(long)]
    positions: bool,
    /// How much of the way around start and end is trimmed, km; 0 trims nothing
    #[arg(long, value_name = "KM", default_value_t = 1.0, value_parser = trim, requires = "positions")]
    trim_km: f64,
    /// With raw frames and replies: they can hold a vehicle number and positions, which are not taken out of them
    #[arg(long)]
    frames: bool,
}

/// A length to trim, km.
pub(super) fn trim(text: &str) -> Result<f64, String> {
    let km: Option<f64> = text.parse().ok();
    km.filter(|km| (0.0..=1_000.0).contains(km)).ok_or_else(|| "write a length in km, 0 to 1000".into())
}

pub fn run(arguments: &Arguments) -> Outcome {
    if arguments.output.as_os_str() == "-" {
        let fault = Fault::whole("-o -", "a bundle is a file, and what it holds is told on standard output");
        return say::not_done(&fault.remedy("name a file"));
    }
    if let Err(fault) = output::is_free(&arguments.output, arguments.replace) {
        return say::not_done(&fault);
    }
    let test = match arguments.test.reduced() {
        Ok(test) => test,
        Err(outcome) => return outcome,
    };
    match bundle(arguments, &test) {
        Ok(done) => {
            if arguments.json {
                say::json(&done.json(&arguments.output));
            } else {
                print!("{}", done.text(&arguments.output));
            }
            if test.is_faulty || done.not_equal() > 0 { Outcome::WithFaults } else { Outcome::Done }
        }
        Err(fault) => say::not_done(&fault),
    }
}

/// What the card, its map and its course lie in.
pub(super) const BESIDE_THE_CARD: &str = "test";

/// What was packed.
struct Done {
    manifest: Manifest,
    code: String,
    lines: Vec<Line>,
    bytes: u64,
}

fn bundle(arguments: &Arguments, test: &Reduced) -> Result<Done, Fault> {
    let aside = Aside::make(output::folder_of(&arguments.output))?;
    let _making = Making::of(aside.path());
    let folder = aside.path();
    let mut stage = Stage::new(folder, test);
    stage.card()?;
    let positions = arguments.positions.then_some(arguments.trim_km);
    let kept = unplaced::of(&test.runs, test.card.as_ref(), &test.options);
    stage.course(positions)?;
    stage.runs(&kept, arguments.frames, positions)?;
    let figures = stage.figures()?;
    let mut manifest = Manifest {
        schema: SCHEMA,
        program: concat!("drawdown ", env!("CARGO_PKG_VERSION")).into(),
        data_schema: crate::schema::SCHEMA_VERSION,
        figures_schema: crate::reduce::json::SCHEMA,
        figures: stage::FIGURES.into(),
        checkpoints: test.options.checkpoints.clone(),
        charge_windows: test.options.charge_windows.clone(),
        card: stage.card.clone(),
        course: stage.course.clone(),
        runs: stage.runs.clone(),
        positions: arguments.positions,
        trimmed_km: positions,
        frames: arguments.frames,
        says: stage.says(positions, arguments.frames),
        members: Vec::new(),
        originals: std::mem::take(&mut stage.originals),
    };
    stage.read_me(&manifest)?;
    let again = recompute::of(folder, &manifest)?;
    let lines = again::compare(&figures, &again.value, &again.not_possible);
    manifest.list(folder)?;
    let code = manifest.save(folder)?;
    let files = archive::files(folder)?;
    let mut written = 0;
    output::write(&Output::File(arguments.output.clone()), arguments.replace, |path| {
        let file = File::create(path).map_err(|error| Fault::io(path, "write", &error))?;
        archive::pack(&files, &stage.name(), BufWriter::new(&file))?;
        written = file.metadata().map_or(0, |found| found.len());
        Ok(())
    })?;
    Ok(Done { manifest, code, lines, bytes: written })
}

impl Done {
    fn not_equal(&self) -> usize {
        self.lines.iter().filter(|line| !line.is_equal()).count()
    }

    fn json(&self, output: &Path) -> Value {
        let not_equal = self.lines.iter().filter(|line| !line.is_equal()).map(recompute::told);
        json!({
            "bundle": output.display().to_string(),
            "bytes": self.bytes,
            "code": self.code,
            "files": self.manifest.members.len(),
            "runs": self.manifest.runs,
            "figures_in_all": self.lines.iter().filter(|line| line.is_figure()).count(),
            "not_equal": not_equal.collect::<Vec<_>>(),
            "positions": self.manifest.positions,
            "trimmed_km": self.manifest.trimmed_km,
            "frames": self.manifest.frames,
            "says": self.manifest.says,
        })
    }

    fn text(&self, output: &Path) -> String {
        let line = format::line;
        let figures = self.lines.iter().filter(|line| line.is_figure()).count();
        let mut text = line("Bundle", &format!("{}, {}", output.display(), format::bytes(self.bytes)));
        text += &line("Code", &format!("{} (publish it beside the figures)", self.code));
        let (files, runs) = (self.manifest.members.len(), self.manifest.runs.len());
        let held = format!("{} files, {runs} run{}", format::count(files as u64), if runs == 1 { "" } else { "s" });
        text += &line("Holds", &held);
        let again = match self.not_equal() {
            0 => format!("all {figures} figures came out equal from what was packed"),
            several => format!("{several} of {} figures and words cannot be formed again from it:", self.lines.len()),
        };
        text += &line("Formed again", &again);
        for line in self.lines.iter().filter(|line| !line.is_equal()).take(20) {
            text += &format!("  {}\n", recompute::told(line));
        }
        for said in &self.manifest.says {
            text += &format::wrap("", &format!("  {said}\n"), 2);
        }
        text
    }
}
