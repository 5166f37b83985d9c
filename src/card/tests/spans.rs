//! Cards held against the times of their runs, every contradiction word for word.

use super::*;

fn at(text: &str) -> WallClock {
    WallClock::parse_iso(&format!("2027-03-14T{text}Z")).unwrap()
}

fn against_runs(text: &str) -> (Card, Vec<String>) {
    let runs = [
        RunSpan { start: at("06:00:00"), end: at("07:30:00") },
        RunSpan { start: at("07:40:00"), end: at("09:00:00") },
    ];
    let (card, found) = contradictions(&sound(text), &runs);
    (card, found.iter().map(Contradiction::to_string).collect())
}

#[test]
fn times_that_contradict_the_runs_are_named_and_not_used() {
    let (card, found) = against_runs(
        "[counting]\nstart = 2027-03-14T09:10:00Z\nend = 2027-03-14T10:00:00Z\n[charge]\nend = 2026-03-14T05:00:00Z\n\
         [recharge]\nstart = 2027-03-14T05:00:00Z\n[[leave_out]]\nfrom = 2027-03-14T07:32:00Z\nto = 2027-03-14T07:36:00Z\n",
    );
    assert_eq!(
        found,
        [
            "the card's counting.start is 2027-03-14T09:10:00Z, after the last run ended at 2027-03-14T09:00:00Z; it is not used",
            "the card's counting.end is 2027-03-14T10:00:00Z, but the last run ends at 2027-03-14T09:00:00Z; counted until then",
            "the card's charge.end is 2026-03-14T05:00:00Z, 365 days before the first run; it is not used",
            "the card's recharge.start is 2027-03-14T05:00:00Z, before the first run began at 2027-03-14T06:00:00Z; it is not used",
            "the card's leave_out names 2027-03-14T07:32:00Z to 2027-03-14T07:36:00Z, which is in no run; it is not used",
        ]
    );
    assert!(card.counting.is_everything() && card.leave_out.is_empty());
    assert_eq!((card.charge.end, card.recharge.start), (None, None));

    let (card, found) = against_runs(
        "[counting]\nstart = 2027-03-14T05:00:00Z\nend = 2027-03-14T05:30:00Z\n[recharge]\nstart = 2027-07-14T05:00:00Z\n",
    );
    assert_eq!(
        found,
        [
            "the card's counting.start is 2027-03-14T05:00:00Z, but the first run begins at 2027-03-14T06:00:00Z; counted from there",
            "the card's counting.end is 2027-03-14T05:30:00Z, before the first run began at 2027-03-14T06:00:00Z; it is not used",
            "the card's recharge.start is 2027-07-14T05:00:00Z, 121 days after the last run; it is not used",
        ]
    );
    assert!(card.counting.is_everything());
    let (_, found) = against_runs("[charge]\nend = 2027-03-14T09:30:00Z\n");
    assert_eq!(
        found,
        [
            "the card's charge.end is 2027-03-14T09:30:00Z, after the last run ended at 2027-03-14T09:00:00Z; it is not used"
        ]
    );
}

#[test]
fn times_that_fit_the_runs_stay() {
    let text = "[counting]\nstart = 2027-03-14T06:10:00Z\nend = 2027-03-14T09:00:30Z\n[charge]\nend = 2027-03-14T05:50:00Z\n\
                [recharge]\nstart = 2027-03-14T09:20:00Z\n[[leave_out]]\nfrom = 2027-03-14T07:20:00Z\nto = 2027-03-14T07:36:00Z\n";
    let (card, found) = against_runs(text);
    assert_eq!((found, card), (vec![], sound(text)));
    let late = sound("[counting]\nstart = 2099-03-14T06:10:00Z\n");
    assert_eq!(contradictions(&late, &[]), (late.clone(), vec![]), "without a clock nothing contradicts");
}
