//! How to get the same figures again: programs, files by their digests, commands. And the cautions.
//!
//! Runs nothing and checks nothing; `drawdown reproduce` does.

use maud::{Markup, html};

use super::json::Form;
use super::prose::prose;
use super::{FileOf, Sheet};
use crate::digest::Digest;
use crate::schema::SCHEMA_VERSION;
use crate::sheet::html as shell;
use crate::store::run_file::{FileDigest, MadeBy};

impl Sheet<'_> {
    pub(super) fn reproduce(&self) -> Markup {
        let json = &self.json;
        html! {
            section #reproduce {
                h2 { "How to reproduce it" }
                p {
                    "Formed by " span.word { (concat!("drawdown ", env!("CARGO_PKG_VERSION"))) } "; shape of the figures' JSON "
                    (json.plain("schema", Form::Count)) ", layout of the data set " span.word { (SCHEMA_VERSION) } "."
                }
                (shell::table("Files, each by its digest", &["What", "Name", "Digest, and what prints it"], &self.files()))
                p { "The commands:" }
                pre tabindex="0" role="group" aria-label="Commands" { code { (self.commands()) } }
                p { (prose("Whoever is given a bundle of this test needs neither card nor recording:")) }
                pre { code { "drawdown reproduce BUNDLE" } }
                p {
                    (prose("Every number of this page stands in an element that names its path in the JSON of drawdown reduce: \
                        data-of the path, value the number before it was rounded."))
                }
            }
        }
    }

    fn files(&self) -> Markup {
        let row = |what: &str, name: &str, digest: Option<&Digest>, printed_by: &str| {
            html! {
                tr {
                    th scope="row" { (what) }
                    td { code { (self.json.publish.text(name)) } }
                    td {
                        @if let Some(digest) = digest { code.digest { (digest.hex()) } " " code { (printed_by) } }
                        @else { "read live, no file" }
                    }
                }
            }
        };
        let file = |what: &str, name: &str, digest: Option<&Digest>| {
            row(what, name, digest, digest.map_or("", Digest::printed_by))
        };
        let is_dbc = |file: &FileDigest| file.name.to_lowercase().ends_with(".dbc");
        html! {
            @for FileOf { what, name, digest } in self.input.files { (file(what, name, Some(digest))) }
            @for run in self.input.runs {
                @let both = if run.source_files.iter().any(is_dbc) { "cat MAP DBC | sha256sum" } else { "sha256sum" };
                (row("map and its DBC", &run.map.name, Some(&run.map.digest), both))
                @for source in &run.sources { (file("recording", &source.name, source.digest.as_ref())) }
                @for table in run.tables.iter().filter(|table| table.folder == "trace") {
                    @for part in &table.files {
                        (file("trace of the run", &format!("run={}/trace/{}", run.run, part.name), Some(&part.digest)))
                    }
                }
            }
        }
    }

    fn commands(&self) -> String {
        let folder = |run: &crate::store::run_file::RunFile| format!("DATA/vehicle={}/run={}", run.vehicle, run.run);
        let mut text = String::new();
        for run in self.input.runs.iter().filter(|run| run.made_by == MadeBy::Ingest) {
            let recordings: Vec<&str> = run.sources.iter().map(|source| &*source.name).collect();
            let map = &run.map.name;
            let line = format!(
                "drawdown ingest {} --map {} --vehicle {} --into DATA\n",
                words(recordings),
                word(map),
                run.vehicle
            );
            if !text.contains(&line) {
                text += &line;
            }
        }
        let test = match self.json.text("card") {
            Some(card) => word(card),
            None => self.input.runs.iter().map(folder).collect::<Vec<_>>().join(" "),
        };
        let asked = self.input.asked;
        text += &format!("drawdown reduce {test}{asked}\ndrawdown reduce {test}{asked} --json\n");
        text += &format!("drawdown sheet {test}{asked} -o sheet.html\n");
        self.json.publish.text(&text)
    }

    pub(super) fn cautions(&self) -> Markup {
        html! {
            section #cautions {
                h2 { "What these figures are not, and cautions" }
                p { (prose(NOT_THIS)) }
                ul {
                    @for caution in CAUTIONS { li { (prose(caution)) } }
                }
            }
        }
    }
}

/// A word of a command as a shell takes it for one (POSIX, Shell Command Language, 2.2.2).
fn word(text: &str) -> String {
    let is_plain = |c: char| c.is_ascii_alphanumeric() || "_-./=:,+@%".contains(c);
    match !text.is_empty() && text.chars().all(is_plain) {
        true => text.to_owned(),
        false => format!("'{}'", text.replace('\'', "'\\''")),
    }
}

fn words(texts: Vec<&str>) -> String {
    texts.into_iter().map(word).collect::<Vec<_>>().join(" ")
}

const NOT_THIS: &str = "They are not the figures of any certified procedure, and no promise of what another car, day, road or driver will \
    find. They say what this car did on this drive, as far as its own sensors and the assumptions named above can tell.";

const CAUTIONS: [&str; 5] = [
    "The driver drives; a passenger works the computer. Local law, speed limits and rules of the road come before any test plan.",
    "Never let a car stop in traffic. Keep the reserve that local law and your own judgement ask for, and know the shoulder, the \
     recovery service's number and the weather.",
    "What lies beyond a displayed 0 % is different in every car and on every day. It is no reserve to count on.",
    "High voltage is for trained people only. This measurement needs the diagnostic socket and nothing else.",
    "A device on that socket must not hang near the pedals.",
];
