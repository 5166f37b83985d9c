//! The test sheet: a test to publish, as one HTML page with figures, plots, conditions, budgets and how to get it all again.
//!
//! Reads no file and computes no figure: every number comes from the JSON of `drawdown reduce --json`, the card or a run's
//! `run.json`, and says so where it stands. Names no position, and no vehicle number, unless it is told to.

mod along;
mod budgets;
mod card;
mod charging;
mod conditions;
mod drive;
mod headline;
mod json;
mod prose;
mod quality;
mod reproduce;
mod scope;

use maud::{Markup, html};
use serde_json::Value;

use self::json::Json;
pub use self::prose::Publish;
use super::html as shell;
use super::plot::Plot;
use crate::digest::Digest;
use crate::quantity::ConsumptionUnit;
use crate::store::run_file::RunFile;

/// A file that figures rest on.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct FileOf {
    /// What it is: `test card`, `course`.
    pub what: &'static str,
    /// Its name without folder.
    pub name: String,
    /// SHA-256 of its bytes.
    pub digest: Digest,
}

/// What a sheet is made of.
#[derive(Clone, Copy, Debug)]
pub struct Input<'a> {
    /// The figures, as [`crate::reduce::Reduction::to_value`] gives them.
    pub value: &'a Value,
    /// The card's text.
    pub card: Option<&'a str>,
    /// What was asked for beside the test, as the command line has it: with a space before each word.
    pub asked: &'a str,
    /// What was wrong with the card, in words.
    pub faults: &'a [String],
    /// What each run's `run.json` says.
    pub runs: &'a [RunFile],
    /// Files besides the runs'.
    pub files: &'a [FileOf],
    /// The names of the course's places, in order, where they may be published.
    pub places: &'a [String],
    /// The plots, as [`Publish::plot`] leaves them.
    pub plots: &'a [Plot],
    /// Units of energy per distance and distance.
    pub units: ConsumptionUnit,
    /// What of the words of others may be published.
    pub publish: Publish,
}

/// A page in the making.
struct Sheet<'a> {
    input: &'a Input<'a>,
    json: Json<'a>,
    card: Option<toml::Table>,
    run_values: Vec<Value>,
}

/// The sheet as one HTML file; ends with a line end.
pub fn page(input: &Input<'_>) -> String {
    let sheet = Sheet {
        input,
        json: Json { value: input.value, units: input.units, publish: input.publish, of: None },
        card: input.card.and_then(|text| text.parse().ok()),
        run_values: input.runs.iter().map(|run| serde_json::to_value(run).unwrap_or_default()).collect(),
    };
    let label = sheet.card.as_ref().and_then(|card| card.get("label")?.as_str().map(str::to_owned));
    shell::shell(&headline::title(input, label.as_deref()), "en-GB", &sheet.body())
}

impl Sheet<'_> {
    fn body(&self) -> Markup {
        let sections = [
            ("scope", "Measured, and not", self.scope()),
            ("drive", "The drive", self.drive()),
            ("along", "Down the charge", self.along()),
            ("plots", "Plots", self.plots()),
            ("conditions", "Conditions", self.conditions()),
            ("charging", "Charging", self.charging()),
            ("claims", "Claims", self.claims()),
            ("card", "Test card", self.card()),
            ("budgets", "Uncertainty", self.budgets()),
            ("quality", "Recording", self.quality()),
            ("reproduce", "Reproduce", self.reproduce()),
            ("cautions", "Cautions", self.cautions()),
        ];
        let sections: Vec<_> = sections.into_iter().filter(|(_, _, part)| !part.0.is_empty()).collect();
        html! {
            (self.head())
            nav aria-label="Sections" {
                ul { @for (id, name, _) in &sections { li { a href={ "#" (id) } { (name) } } } }
            }
            @for (_, _, part) in &sections { (part) }
        }
    }

    fn plots(&self) -> Markup {
        html! {
            @if !self.input.plots.is_empty() {
                section #plots {
                    h2 { "Plots" }
                    div.plots { @for plot in self.input.plots { (shell::figure(plot)) } }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests;
