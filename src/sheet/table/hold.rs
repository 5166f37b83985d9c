//! How the target speed was held, in a few lines.
//!
//! Computes no figure.

use super::{Report, or_not_measured};
use crate::format::{self, line};
use crate::reduce::hold::Outside;

/// Shorter times outside are not listed, s.
const WORTH_A_WORD_S: f64 = 1.0;

impl Report<'_> {
    pub(super) fn hold(&self) -> String {
        let Some(held) = self.reduction.hold.held() else { return String::new() };
        let (unit, name) = self.speed_unit();
        let [target, tolerance, spread] =
            [(held.target, 4), (held.tolerance, 2), (held.spread, 2)].map(|(v, n)| format::significant(v / unit, n));
        let percent =
            |share: &crate::reduce::Estimate| format::figure(share.value * 100.0, Some(share.u95() * 100.0), "%");
        let by = if held.corrected { "true speed" } else { "by the wheels alone, no satellites" };
        let tolerance_by = if held.tolerance_by_card { "" } else { " (assumed)" };
        let mut text = line(
            "Hold",
            &format!(
                "{} of the distance, {} of the time within {tolerance} {name}{tolerance_by} of {target}, {by}",
                percent(&held.share_of_distance),
                percent(&held.share_of_time),
            ),
        );
        let mean = format::figure(held.mean.value / unit, Some(held.mean.u95() / unit), name);
        let longest = format!("{} in {}", self.plain_distance(held.longest.0), format::duration(held.longest.1));
        text += &line("", &format!("mean {mean}, spread {spread} {name}; longest {longest}"));
        let told = |part: &Outside| {
            let left_out = if part.left_out { ", left out" } else { "" };
            format!(
                "{} {} ({}{left_out})",
                part.why.text(),
                format::time(part.seconds),
                self.plain_distance(part.metres)
            )
        };
        let outside: Vec<String> =
            held.outside.iter().filter(|part| part.seconds >= WORTH_A_WORD_S).map(told).collect();
        if !outside.is_empty() {
            text += &line("  outside", &outside.join(", "));
        }
        let alone = or_not_measured(held.consumption.as_ref(), |figure| self.per_distance(figure));
        text + &line("  held alone", &format!("{alone}, net"))
    }
}
