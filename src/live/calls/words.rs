//! The sentences: short, with units spoken out, numbers of as many digits as an ear takes in.
//!
//! Decides nothing; the digits are [`crate::format`]'s.

use crate::course::Direction;
use crate::format;
use crate::live::moment::Moment;
use crate::observation::{Mark, MarkKind};
use crate::plan::advice::{Advice, State};
use crate::plan::turning::Act;
use crate::quantity::Metre;

/// Less than this to spare is nothing, m.
const NOTHING: f64 = 500.0;

fn distance(metres: f64, moment: &Moment) -> String {
    format::spoken_distance(Metre(metres), moment.units.in_miles())
}

/// The name of a place of the course.
fn place(index: usize, moment: &Moment) -> String {
    let place = moment.course.as_ref().and_then(|course| course.places.get(index));
    place.map_or_else(|| "the next place".into(), |place| place.name.clone())
}

/// `turn at Orrindale`.
fn act(advice: &Advice, moment: &Moment) -> String {
    match advice.plan.as_ref().and_then(|plan| plan.sequence.acts.first()) {
        Some((index, Act::Turn)) => format!("turn at {}", place(*index, moment)),
        Some((index, Act::Round)) => format!("drive the short way round at {}", place(*index, moment)),
        Some((index, Act::Arrive)) => format!("the charger at {}", place(*index, moment)),
        None => "no way to a charger".into(),
    }
}

/// What is left on arrival, as a distance at what the last leg takes; nothing where that is not known.
fn leeway(advice: &Advice, moment: &Moment) -> Option<String> {
    let plan = advice.plan.as_ref()?;
    let [out, back] = moment.picture.per_metre.ahead?;
    let per_metre = if plan.sequence.arriving == Direction::Out { out.mean } else { back.mean };
    let metres = plan.left.mean / per_metre;
    Some(match metres {
        none if !none.is_finite() => return None,
        short if short < -NOTHING => format!("about {} short of the charger", distance(-short, moment)),
        none if none < NOTHING => "nothing to spare at the charger".into(),
        left => format!("about {} to spare at the charger", distance(left, moment)),
    })
}

/// A sentence of parts.
fn sentence(parts: impl IntoIterator<Item = String>) -> String {
    let text = parts.into_iter().collect::<Vec<_>>().join(", ");
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect::<String>() + ".")
}

/// What has become the next act.
pub fn far(advice: &Advice, changed: bool, moment: &Moment) -> String {
    let what = format!("{} in {}", act(advice, moment), distance(advice.ahead, moment));
    let first = if changed { format!("changed plan: {what}") } else { format!("next: {what}") };
    sentence([Some(first), leeway(advice, moment)].into_iter().flatten())
}

/// An act that is near; `near` is 0 for the furthest of the distances.
pub fn near(advice: &Advice, near: usize, moment: &Moment) -> String {
    let what = format!("{} in {}", act(advice, moment), distance(advice.ahead, moment));
    let turn = advice.plan.as_ref().and_then(|plan| plan.sequence.acts.first()).filter(|(_, act)| *act == Act::Turn);
    let is_last = turn.zip(advice.last).is_some_and(|((index, _), last)| last.place == *index);
    let more = match near {
        0 => leeway(advice, moment),
        1 if is_last => Some("the last place to turn that is safe".into()),
        _ => None,
    };
    sentence([Some(what), more].into_iter().flatten())
}

/// That nothing but the charger is safe, or not even that.
pub fn state(advice: &Advice, moment: &Moment) -> String {
    let way = || format!("{} in {}", act(advice, moment), distance(advice.ahead, moment));
    match advice.state {
        State::Safe => sentence([way()]),
        State::GoNow => {
            sentence([Some(format!("go to the charger now: {}", way())), leeway(advice, moment)].into_iter().flatten())
        }
        State::NoSpare => sentence([
            format!("go to the charger now: {}", way()),
            "if it is taken, what is left does not reach another".into(),
        ]),
        State::TooLate => sentence([format!("too late to be sure of the charger: drive slower, {}", way())]),
        State::NoWay => "No charger can be reached from here on this course.".into(),
    }
}

/// The voltage promises less than the display.
pub fn cliff(energy: f64, moment: &Moment) -> String {
    let per_metre = moment.picture.per_metre.ahead.map(|[out, back]| (out.mean + back.mean) / 2.0);
    let metres = per_metre.map(|per_metre| energy / per_metre).filter(|metres| metres.is_finite());
    let left = metres.map(|metres| format!("about {} are left", distance(metres.max(0.0), moment)));
    let first = "the voltage gives out before the display".to_owned();
    sentence([Some(first), left].into_iter().flatten())
}

/// A mark, confirmed.
pub fn noted(mark: &Mark, moment: &Moment) -> String {
    let number = format::spoken_number;
    let what = match (mark.kind, mark.value) {
        (MarkKind::Soc, Some(percent)) => format!("{} percent displayed", number(percent)),
        (MarkKind::Soc, None) => "state of charge".into(),
        (MarkKind::DisplayedRest, Some(metres)) => format!("{} to go displayed", distance(metres, moment)),
        (MarkKind::DisplayedRest, None) => "distance to go".into(),
        (MarkKind::ShowsZero, _) => "the display shows zero".into(),
        (MarkKind::TripFigure, Some(value)) => format!("trip computer {}", number(value)),
        (MarkKind::TripFigure, None) => "trip computer".into(),
        (MarkKind::PowerWarning, _) => "warning of less power".into(),
        (MarkKind::Turned, _) => "turned".into(),
        (MarkKind::Climate, _) => "climate".into(),
        (MarkKind::Note, _) => return "Noted.".into(),
    };
    format!("Noted: {what}.")
}
