//! The report of a test for a terminal: plain words, at most 80 columns, every figure with its uncertainty.
//!
//! Computes no figure and rounds none (`format` does); units are chosen once for all of it.

mod along;
mod charging;
mod conditions;
mod hold;
mod legs;
mod speed_check;

use crate::card::Verdict;
use crate::format::{self, line, wrap};
use crate::ledger::Phase;
use crate::quantity::{ConsumptionUnit, Coulomb, Joule, Metre};
use crate::reduce::Reduction;
use crate::reduce::checkpoints::Checkpoints;
use crate::reduce::estimate::Estimate;
use crate::reduce::input::Missing;
use crate::reduce::usable::{FULL_NOT_CONFIRMED, Method, Tenth, Usable};
use crate::time::Span;

/// Gaps shorter than this are left out of the report, s.
const GAP_WORTH_A_WORD_S: f64 = 0.5;
/// Sources that add less than this part of a figure's variance are not listed.
const WORTH_A_WORD: f64 = 0.01;

/// A smaller share of the usable capacity that was estimated is said with the gaps alone.
const SHARE_WORTH_A_WORD: f64 = 0.001;

/// The report; ends with a line end.
pub fn table(reduction: &Reduction, units: ConsumptionUnit) -> String {
    let report = Report { reduction, units };
    let mut text = String::new();
    for part in [
        report.what(),
        report.headline(),
        report.capacity(),
        report.measured(),
        report.checkpoints(),
        report.conditions(),
        report.charging(),
        report.speed_check(),
        report.hold(),
        report.legs(),
        report.tenths(),
        report.notes(),
        report.shares(),
        report.between(),
        report.gaps(),
        report.rests_on(),
        report.card_leaves_open(),
        report.problems(),
    ] {
        if !part.is_empty() {
            if !text.is_empty() {
                text.push('\n');
            }
            text.push_str(&part);
        }
    }
    text
}

/// Whether a test is sealed, and every change since.
pub fn seal(seal: &Verdict) -> String {
    let mut text = match &seal.code {
        Some(code) if seal.is_sealed => line("Seal", &format!("{}; code {code}", seal.why)),
        Some(code) => line("Seal", &format!("not sealed: {}; code {code}", seal.why)),
        None => line("Seal", &format!("not sealed: {}", seal.why)),
    };
    let since = match &seal.changes {
        _ if seal.code.is_none() => Vec::new(),
        None => vec!["not known".into()],
        Some(changes) if changes.is_empty() => vec!["nothing".into()],
        Some(changes) => changes.iter().map(ToString::to_string).collect(),
    };
    for (index, change) in since.iter().enumerate() {
        text += &line(if index == 0 { "  changed since" } else { "" }, change);
    }
    text
}

struct Report<'a> {
    reduction: &'a Reduction,
    units: ConsumptionUnit,
}

fn energy(estimate: &Estimate) -> String {
    format::figure(Joule(estimate.value).kwh(), Some(Joule(estimate.u95()).kwh()), "kWh")
}

fn charge(estimate: &Estimate) -> String {
    format::figure(Coulomb(estimate.value).ah(), Some(Coulomb(estimate.u95()).ah()), "Ah")
}

fn or_not_measured(figure: Option<&Estimate>, written: impl Fn(&Estimate) -> String) -> String {
    figure.map_or("not measured".into(), written)
}

impl Report<'_> {
    fn distance(&self, estimate: &Estimate) -> String {
        format::distance(Metre(estimate.value), Some(Metre(estimate.u95())), self.units.in_miles())
    }

    fn plain_distance(&self, metres: f64) -> String {
        let (value, unit) =
            if self.units.in_miles() { (Metre(metres).miles(), "mi") } else { (Metre(metres).km(), "km") };
        format!("{} {unit}", format::significant(value, 3))
    }

    fn per_distance(&self, estimate: &Estimate) -> String {
        let value = self.units.from_joule_per_metre(estimate.value);
        // A proportional or a reciprocal unit keeps the relative uncertainty (first order).
        let u95 = value.abs() * estimate.u95() / estimate.value.abs();
        format::figure(value, Some(u95), self.units.symbol())
    }

    fn what(&self) -> String {
        let Reduction { vehicle, card, runs, .. } = self.reduction;
        let mut text = line("Vehicle", if vehicle.is_empty() { "not named" } else { vehicle });
        if let Some(card) = card {
            text += &line("Test card", card);
        }
        text += &self.reduction.seal.as_ref().map(seal).unwrap_or_default();
        if let Some((start, end)) = self.reduction.counted.filter(|_| self.reduction.is_cut) {
            // The trace's rows lie some tenths of a second from the moments that the card names.
            let [start, end] = [start, end].map(|at| (at + Span::of_millis(500)).second());
            text += &line("Counted", &format!("from {start} to {end}, by the card"));
        }
        for (index, run) in runs.iter().enumerate() {
            let label = if index > 0 {
                ""
            } else if runs.len() > 1 {
                "Runs"
            } else {
                "Run"
            };
            text += &line(label, &format!("{}, {}", run.name, format::duration(run.duration)));
        }
        text
    }

    /// What a test is driven for comes first.
    fn headline(&self) -> String {
        let Reduction { consumption, .. } = self.reduction;
        let per_distance = |figure: &Option<Estimate>| or_not_measured(figure.as_ref(), |e| self.per_distance(e));
        let mut text = line("Energy per distance", &format!("{}, net while driving", per_distance(&consumption.net)));
        text += &line("", &format!("{}, out while driving", per_distance(&consumption.gross)));
        text += &line("", &format!("{}, net with standing", per_distance(&consumption.with_standing)));
        text + &line("Distance", &self.way())
    }

    fn measured(&self) -> String {
        let Reduction { energy: moved, soc, way, .. } = self.reduction;
        let reading = |value: Option<f64>| value.map_or("not known".into(), format::percent);
        let which = if soc.role == crate::schema::Role::Soc { "displayed" } else { "the battery computer's" };
        let mut text = self.time();
        let by = if soc.noted { " and noted by people" } else { "" };
        text += &line("State of charge", &format!("{} to {}, {which}{by}", reading(soc.first), reading(soc.last)));
        text += &self.temperatures();
        text += &line("Energy out", &or_not_measured(moved.out.as_ref(), energy));
        text += &line("Energy back in", &or_not_measured(moved.back.as_ref(), energy));
        text += &line("Energy net", &or_not_measured(moved.net.as_ref(), energy));
        if let Some(charged) = &moved.charged {
            text += &line("Charged from a plug", &energy(charged));
        }
        text += &line("Charge net", &or_not_measured(moved.charge.as_ref(), charge));
        for (label, other) in [("odometer", &way.odometer), ("integrated speed", &way.speed), ("fixes", &way.fixes)] {
            if let Some(other) = other.as_ref().filter(|other| Some(*other) != way.counting()) {
                text += &line("Other distance", &format!("{}, by {label}", self.distance(other)));
            }
        }
        text
    }

    fn time(&self) -> String {
        let Reduction { duration, phases, unobserved, .. } = self.reduction;
        let phases: Vec<String> = phases
            .iter()
            .filter(|phase| phase.duration > 0.0)
            .map(|line| format!("{} {}", word(line.phase), format::duration(line.duration)))
            .collect();
        let phases = if phases.is_empty() { String::new() } else { format!(" ({})", phases.join(", ")) };
        let unobserved = match *unobserved {
            0.0 => "none".into(),
            short if short < GAP_WORTH_A_WORD_S => format::time(short),
            longer => format!("{}, more on it below", format::time(longer)),
        };
        line("Time", &format!("{}{phases}", format::duration(*duration))) + &line("  unobserved", &unobserved)
    }

    fn way(&self) -> String {
        let way = &self.reduction.way;
        match way.counting().zip(way.counts) {
            Some((distance, counts)) => {
                let why = if way.by_card { "as the card says" } else { "the least uncertain" };
                format!("{}, by {}, {why}", self.distance(distance), counts.text())
            }
            None => "not measured".into(),
        }
    }

    fn capacity(&self) -> String {
        let usable = &self.reduction.usable;
        if usable.method == Method::NotMeasured {
            return line("Usable capacity", &format!("not measured: {}", usable.why));
        }
        let mut text = line("Usable capacity", &or_not_measured(usable.energy.as_ref(), energy));
        text += &line("", &or_not_measured(usable.charge.as_ref(), charge));
        text += &line("", &how(usable));
        if usable.estimated_share >= SHARE_WORTH_A_WORD {
            text += &line("", &format!("{} of it estimated, not measured", format::share(usable.estimated_share)));
        }
        if let Some((claimed, found)) = self.reduction.claimed_usable_kwh.zip(usable.energy.as_ref()) {
            let claim = format::significant(claimed, 3);
            let ratio = found.scale(100.0 / Joule::from_kwh(claimed).0);
            let ratio = format::figure(ratio.value, Some(ratio.u95()), "%");
            let said = format!("{ratio} of the {claim} kWh claimed; not the certified procedure (UN GTR No. 22)");
            text += &line("", &said);
        }
        let Checkpoints { beyond, last, .. } = &self.reduction.checkpoints;
        if let Some(beyond) = beyond.as_ref().filter(|beyond| beyond.energy.value > 0.0) {
            let way = beyond.distance.as_ref().map_or(String::new(), |way| format!(" in {}", self.distance(way)));
            let rest =
                last.1.map_or(String::new(), |rest| format!("; the car showed {} left", self.plain_distance(rest)));
            let beyond = format!("{}{way}, not in usable capacity{rest}", energy(&beyond.energy));
            text += &line("Beyond displayed 0 %", &beyond);
        }
        text
    }

    fn tenths(&self) -> String {
        let known: Vec<&Tenth> = self.reduction.tenths.iter().filter(|tenth| tenth.energy.is_some()).collect();
        if known.is_empty() {
            return String::new();
        }
        let mut text = String::from("By tenth of the charge\n");
        for tenth in known {
            let cells = [
                or_not_measured(tenth.energy.as_ref(), energy),
                or_not_measured(tenth.charge.as_ref(), charge),
                or_not_measured(tenth.distance.as_ref(), |distance| self.distance(distance)),
            ];
            let row = format!(
                "  {:>3} % to {:>2} %  {:>19} {:>19} {:>19}",
                tenth.from, tenth.to, cells[0], cells[1], cells[2]
            );
            text += &format!("{}\n", row.trim_end());
        }
        text
    }

    fn between(&self) -> String {
        let joins = &self.reduction.joins;
        if joins.is_empty() {
            return String::new();
        }
        let mut text = String::from("Between runs (in usable capacity alone)\n");
        for join in joins {
            let time = join.seconds.map_or("unknown time".into(), format::duration);
            let change = match join.soc_change {
                None => "state of charge not known".into(),
                Some(0.0) => "the same state of charge".into(),
                Some(change) => {
                    let way = if change < 0.0 { "more" } else { "less" };
                    format!("{} {way} state of charge", format::percent(change.abs()))
                }
            };
            let drawn = match join.energy {
                Some((value, u)) => {
                    let estimate = Estimate::exact(value).with_b(crate::reduce::sources::JOINS, u);
                    format!("{} by {}, an estimate", energy(&estimate), join.from)
                }
                None if join.charged => "charged".into(),
                None => "energy not known".into(),
            };
            text += &wrap("  ", &format!("{} to {}: {time}, {change}, {drawn}", join.runs.0, join.runs.1), 4);
        }
        text
    }

    fn gaps(&self) -> String {
        let Reduction { gaps, energy, .. } = self.reduction;
        let mut text = String::new();
        for missing in [Missing::Power, Missing::Speed] {
            let of: Vec<f64> = gaps
                .iter()
                .filter(|(_, fill)| fill.gap.missing == missing)
                .map(|(_, fill)| fill.gap.to_s - fill.gap.from_s)
                // The moments before a run's first sample and after its last are gaps too, and not worth a word.
                .filter(|seconds| *seconds >= GAP_WORTH_A_WORD_S)
                .collect();
            let (share, of_what) = match missing {
                Missing::Power => (energy.estimated_share, "energy"),
                Missing::Speed => (self.reduction.way.estimated_share, "distance by speed"),
            };
            let longest = format::time(of.iter().copied().fold(0.0, f64::max));
            let when = match of.len() {
                0 => continue,
                1 => format!("for {longest}, once"),
                many => {
                    let total = format::time(of.iter().sum());
                    format!("for {total} in {} gaps, the longest {longest}", format::count(many as u64))
                }
            };
            let said = format!("{when}; {} of the {of_what} is estimated for it", format::share(share));
            text += &line(&format!("No {}", missing.text()), &said);
        }
        text
    }

    fn rests_on(&self) -> String {
        let Reduction { energy, usable, consumption, assumed, stated, open_current, .. } = self.reduction;
        let mut text = String::from("What the uncertainty rests on (one standard uncertainty)\n");
        let figures =
            [("net energy", &energy.net), ("energy per distance", &consumption.net), ("usable", &usable.energy)];
        for (name, figure) in figures {
            if let Some(figure) = figure.as_ref().filter(|figure| figure.u() > 0.0) {
                text += &wrap("  ", &format!("{name}: {}", budget(figure)), 4);
            }
        }
        let by_card = stated.iter().any(|word| word.contains("(card: "));
        let stated_by = if by_card { "stated by card and map" } else { "stated by the map" };
        for (word, list) in [(stated_by, stated), ("assumed (common practice, no source)", assumed)] {
            if !list.is_empty() {
                text += &wrap("  ", &format!("{word}: {}", list.join(", ")), 4);
            }
        }
        if let (Some((current, seconds)), None) = (open_current, &self.reduction.zero) {
            let current = format::significant(*current, 2);
            let time = format::duration(*seconds);
            text += &wrap(
                "  ",
                &format!("with the contactors open ({time}) the current read {current} A; not corrected for"),
                4,
            );
        }
        text
    }

    fn card_leaves_open(&self) -> String {
        let limited = &self.reduction.limited;
        if limited.is_empty() {
            return String::new();
        }
        limited.iter().fold("Limited by what the card leaves open\n".into(), |text, (figure, keys)| {
            text + &wrap("  ", &format!("{figure}: {}", keys.join(", ")), 4)
        })
    }

    fn problems(&self) -> String {
        let problems = &self.reduction.problems;
        if problems.is_empty() {
            return "Problems: none\n".into();
        }
        problems.iter().fold("Problems\n".into(), |text, problem| text + &wrap("  - ", problem, 4))
    }
}

/// How usable capacity was found, as a sentence.
fn how(usable: &Usable) -> String {
    let unconfirmed = "from displayed 100 % to 0 %; no card says that the car itself ended the charge";
    match usable.method {
        Method::Full => format!("measured directly, {}", usable.why.replace(FULL_NOT_CONFIRMED, unconfirmed)),
        _ => format!("worked out from a part: {}", usable.why),
    }
}

fn word(phase: Phase) -> &'static str {
    match phase {
        Phase::Drive => "driving",
        Phase::Stand => "standing",
        Phase::Charge => "charging",
    }
}

/// The sources that matter, largest first, as shares of the figure.
fn budget(figure: &Estimate) -> String {
    let variance = figure.u().powi(2);
    let mut lines: Vec<(f64, &str)> = figure
        .components()
        .iter()
        .filter(|line| line.contribution.powi(2) > WORTH_A_WORD * variance)
        .map(|line| ((line.contribution / figure.value).abs(), &*line.source.0))
        .collect();
    lines.sort_by(|a, b| b.0.total_cmp(&a.0));
    lines.iter().map(|(share, name)| format!("{name} {}", format::share(*share))).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests;
