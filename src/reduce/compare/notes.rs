//! What a reader of a comparison must know besides its figures.
//!
//! Refuses nothing.

use super::{Compared, Facts, What};
use crate::reduce::usable::Method;

/// In plain words.
pub fn of(tests: &[Facts], figures: &[Compared]) -> Vec<String> {
    let mut open: Vec<(String, Vec<&str>)> = Vec::new();
    for test in tests {
        let Some(what) = not_known(test) else { continue };
        match open.iter_mut().find(|(known, _)| *known == what) {
            Some((_, names)) => names.push(&test.name),
            None => open.push((what, vec![&test.name])),
        }
    }
    let mut notes: Vec<String> =
        open.into_iter().map(|(what, names)| format!("{}: {what}", names.join(", "))).collect();
    let usable = figures.iter().find(|figure| figure.asked.what == What::Usable);
    notes.extend(usable.and_then(|usable| methods(tests, usable)));
    notes
}

/// What is not known of a test and could make it unlike another.
fn not_known(test: &Facts) -> Option<String> {
    if !test.has_card {
        let what = "no card says how it was driven, so speed, trailer, road and weather are taken as alike";
        return Some(what.into());
    }
    let open = [
        (test.target.is_none(), "target speed"),
        (test.course.is_none(), "course"),
        (test.wet_percent.is_none(), "wet share of the road"),
        (test.degc.is_none(), "temperature of the air"),
        (test.wind.is_none(), "wind"),
    ];
    let open: Vec<&str> = open.iter().filter(|(open, _)| *open).map(|(_, what)| *what).collect();
    (!open.is_empty()).then(|| format!("not known, so taken as alike: {}", open.join(", ")))
}

/// Full discharges beside partial ones.
fn methods(tests: &[Facts], usable: &Compared) -> Option<String> {
    let of = |method: Method| {
        let used = usable.used.iter().flatten().filter(|test| tests[**test].method == method);
        used.map(|test| tests[*test].name.as_str()).collect::<Vec<_>>()
    };
    let (full, partial) = (of(Method::Full), of(Method::Partial));
    (!full.is_empty() && !partial.is_empty()).then(|| {
        format!(
            "usable capacity of {} is from full to displayed 0 %, of {} from a part of that and the rest extrapolated",
            full.join(", "),
            partial.join(", ")
        )
    })
}
