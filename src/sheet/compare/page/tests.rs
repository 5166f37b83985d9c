//! The page: whole, nothing loaded, what it says is what the terminal says, and no vehicle number.

use super::super::tests::comparison;
use super::*;
use crate::reduce::compare::{Options, compare, tests};

#[test]
fn a_page_says_what_the_terminal_says() {
    let comparison = comparison(&Options::default());
    let text = page(&comparison, ConsumptionUnit::WhPerKm, Publish::default());
    let words = Words { comparison: &comparison, units: ConsumptionUnit::WhPerKm };
    for figure in &comparison.figures {
        for told in words.pairs(figure) {
            let escaped = html! { (told) }.into_string();
            assert!(text.contains(&escaped), "the page lacks {told}");
        }
        for (at, _) in comparison.sides.iter().enumerate() {
            assert!(text.contains(&words.mean(figure, at)), "the page lacks {}", words.mean(figure, at));
        }
    }
    for name in ["range", "consumption", "usable"] {
        assert!(text.contains(&format!("id=\"plot-{name}\"")), "{name}");
    }
    assert!(text.contains("<h1>heron, wren, siskin and finch</h1>") && !text.contains("class=\"rehearsal\""));
    for reference in ["href=", "src=", "<script", "<link", "@import"] {
        assert!(!text.contains(reference), "{reference}");
    }
    assert_eq!(text, page(&comparison, ConsumptionUnit::WhPerKm, Publish::default()), "the same bytes");
}

#[test]
fn p_values_are_no_coordinates() {
    let days = [("monday", 1.0, 1.0), ("tuesday", 1.22, 1.0), ("wednesday", 1.07, 0.96)]
        .map(|(name, consumption, usable)| tests::fairness::sized(tests::facts(name, "heron"), consumption, usable));
    let comparison = compare(&days, &Options { each: true, ..Options::default() });
    let text = page(&comparison, ConsumptionUnit::WhPerKm, Publish::default());
    let words = Words { comparison: &comparison, units: ConsumptionUnit::WhPerKm };
    let told: Vec<String> = comparison.figures.iter().flat_map(|figure| words.pairs(figure)).collect();
    let is_pair = |told: &&String| told.contains(", corrected 0.0");
    assert!(told.iter().filter(is_pair).count() > 2, "{told:?}");
    assert!(told.iter().all(|told| text.contains(told.as_str())) && !text.contains("left out"));
}

#[test]
fn no_vehicle_number_and_a_rehearsal_said_aloud() {
    let mut pair = [("monday", "heron"), ("tuesday", "wren")]
        .map(|(name, car)| tests::fairness::sized(tests::facts(name, car), 1.0, 1.0));
    pair[0].facts.setup.label = Some("ZZ9HERN27RA000042".into());
    pair.iter_mut().for_each(|test| test.facts.is_rehearsal = true);
    let comparison = compare(&pair, &Options::default());
    let text = page(&comparison, ConsumptionUnit::WhPerKm, Publish::default());
    assert!(!text.contains("ZZ9HERN27RA000042") && text.contains("vehicle number removed"), "{text}");
    assert!(text.contains("No real car drove: monday and tuesday."), "{text}");
    assert!(
        page(&comparison, ConsumptionUnit::WhPerKm, Publish { vehicle_numbers: true, ..Publish::default() })
            .contains("ZZ9HERN27RA000042")
    );
}
