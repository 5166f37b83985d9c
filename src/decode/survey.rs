//! What a recording holds of a map: which signals were seen, how often, in which range; and what no map knows.
//!
//! Prints nothing; its report is plain data.

use std::collections::BTreeMap;

use super::counts::SignalCounts;
use super::decoder::{Decoded, Decoder};
use crate::map::Map;
use crate::observation::{Bus, BusNames, CanId, Frame, Reply, Row};
use crate::time::{Span, Steady};

/// The periods of which the median is taken, so that memory stays flat: a message's first ones.
const PERIODS_MAX: usize = 4096;

/// Looks at a recording, observation by observation in time order.
#[derive(Clone, Debug)]
pub struct Survey {
    decoder: Decoder,
    buses: usize,
    /// By message.
    timings: Vec<Timing>,
    /// By message and signal: the least and the greatest value.
    extremes: Vec<Vec<Option<(f64, f64)>>>,
    unknown: BTreeMap<(Bus, CanId), Timing>,
    whole: Timing,
}

/// What a survey found.
#[derive(Clone, PartialEq, Debug)]
pub struct SurveyReport {
    /// From the first observation to the last.
    pub duration: Span,
    /// By the map's messages.
    pub messages: Vec<MessageReport>,
    /// Identifiers that no message of the map claims, by bus name, then identifier.
    pub unknown: Vec<UnknownReport>,
}

/// What was seen of one message; where several buses carry it, of all of them together.
#[derive(Clone, PartialEq, Debug)]
pub struct MessageReport {
    /// Frames, replies or rows.
    pub frames: u64,
    /// Frames a second between the first and the last; `None` for fewer than two.
    pub rate_hz: Option<f64>,
    /// The times between frames; `None` for fewer than two.
    pub periods: Option<Periods>,
    /// By the message's signals.
    pub signals: Vec<SignalReport>,
}

/// Times between the frames of one message.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Periods {
    /// The shortest.
    pub min: Span,
    /// The median of the first 4,096.
    pub median: Span,
    /// The longest.
    pub max: Span,
}

/// What was seen of one signal.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SignalReport {
    /// How often it was in a frame, and what became of it.
    pub counts: SignalCounts,
    /// How often a second; `None` where its message has no rate.
    pub rate_hz: Option<f64>,
    /// The least and the greatest value in the signal's unit; `None` where none was available.
    pub extremes: Option<(f64, f64)>,
}

/// An identifier that no message claims.
#[derive(Clone, PartialEq, Debug)]
pub struct UnknownReport {
    /// The bus's name.
    pub bus: String,
    /// The identifier.
    pub id: CanId,
    /// Data frames.
    pub frames: u64,
    /// Frames a second between the first and the last; `None` for fewer than two.
    pub rate_hz: Option<f64>,
}

/// When something was seen.
#[derive(Clone, Debug, Default)]
struct Timing {
    count: u64,
    first: Steady,
    last: Steady,
    shortest: Option<Span>,
    longest: Span,
    periods: Vec<i64>,
}

impl Survey {
    /// A survey of a map that has seen nothing yet.
    pub fn new(map: &Map) -> Self {
        Self {
            decoder: Decoder::new(map),
            buses: 0,
            timings: vec![Timing::default(); map.messages.len()],
            extremes: map.messages.iter().map(|message| vec![None; message.signals.len()]).collect(),
            unknown: BTreeMap::new(),
            whole: Timing::default(),
        }
    }

    /// Looks at a frame; `names` are the buses known by now.
    pub fn frame(&mut self, frame: &Frame, payload: &[u8], names: &BusNames) {
        self.name_buses(names);
        self.whole.see(frame.at, false);
        match self.decoder.frame(frame, payload) {
            Some(decoded) => note(&mut self.timings, &mut self.extremes, frame.at, decoded),
            None if frame.flags.is_data() => {
                self.unknown.entry((frame.bus, frame.can_id())).or_default().see(frame.at, false);
            }
            None => {}
        }
    }

    /// Looks at a reply to a poll.
    pub fn reply(&mut self, at: Steady, reply: &Reply, names: &BusNames) {
        self.name_buses(names);
        self.whole.see(at, false);
        if let Some(decoded) = self.decoder.reply(reply) {
            note(&mut self.timings, &mut self.extremes, at, decoded);
        }
    }

    /// Looks at a row of a table.
    pub fn row(&mut self, at: Steady, row: &Row) {
        self.whole.see(at, false);
        if let Some(decoded) = self.decoder.row(row) {
            note(&mut self.timings, &mut self.extremes, at, decoded);
        }
    }

    /// What was found so far.
    pub fn report(&self, names: &BusNames) -> SurveyReport {
        let counted = self.decoder.counts().messages.iter();
        let messages = counted.zip(&self.timings).zip(&self.extremes).map(|((counts, timing), extremes)| {
            let rate_hz = timing.rate_hz();
            let signals = counts.signals.iter().zip(extremes).map(|(signal, extremes)| {
                let share = signal.seen() as f64 / counts.frames.max(1) as f64;
                SignalReport { counts: *signal, rate_hz: rate_hz.map(|rate| rate * share), extremes: *extremes }
            });
            let signals = signals.collect();
            MessageReport { frames: counts.frames, rate_hz, periods: timing.periods(), signals }
        });
        let mut unknown: Vec<UnknownReport> = self
            .unknown
            .iter()
            .map(|((bus, id), timing)| UnknownReport {
                bus: names.name(*bus).to_owned(),
                id: *id,
                frames: timing.count,
                rate_hz: timing.rate_hz(),
            })
            .collect();
        unknown.sort_by(|a, b| (&a.bus, a.id).cmp(&(&b.bus, b.id)));
        SurveyReport { duration: self.whole.last - self.whole.first, messages: messages.collect(), unknown }
    }

    fn name_buses(&mut self, names: &BusNames) {
        if names.names().len() != self.buses {
            self.buses = names.names().len();
            self.decoder.set_buses(names);
        }
    }
}

fn note(timings: &mut [Timing], extremes: &mut [Vec<Option<(f64, f64)>>], at: Steady, decoded: Decoded<'_>) {
    if let Some(timing) = timings.get_mut(decoded.message) {
        timing.see(at, true);
    }
    let Some(extremes) = extremes.get_mut(decoded.message) else { return };
    for (extremes, value) in extremes.iter_mut().zip(decoded.values).filter(|(_, value)| !value.is_nan()) {
        let (low, high) = extremes.unwrap_or((*value, *value));
        *extremes = Some((low.min(*value), high.max(*value)));
    }
}

impl Timing {
    fn see(&mut self, at: Steady, with_periods: bool) {
        if self.count == 0 {
            self.first = at;
        } else {
            let period = at - self.last;
            self.shortest = Some(self.shortest.map_or(period, |shortest| shortest.min(period)));
            self.longest = self.longest.max(period);
            if with_periods && self.periods.len() < PERIODS_MAX {
                self.periods.push(period.0);
            }
        }
        self.last = at;
        self.count += 1;
    }

    fn rate_hz(&self) -> Option<f64> {
        let seconds = (self.last - self.first).seconds();
        (self.count > 1 && seconds > 0.0).then(|| (self.count - 1) as f64 / seconds)
    }

    fn periods(&self) -> Option<Periods> {
        let mut sorted = self.periods.clone();
        sorted.sort_unstable();
        let median = Span(*sorted.get(sorted.len() / 2)?);
        Some(Periods { min: self.shortest?, median, max: self.longest })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::observation::{Batch, FrameFlags};

    #[test]
    fn a_survey_tells_what_was_seen_and_what_was_not() {
        let text = r#"
            [[message]]
            name = "FAST"
            id = 0x100
            length = 2
            signal = [
                { name = "Page", start = 0, length = 4 },
                { name = "A", start = 8, length = 8, switch = "Page", when = [1], not_available = [255] },
            ]
            [[message]]
            name = "NEVER"
            id = 0x101
            length = 1
        "#;
        let map = crate::map::from_text("map.toml", text, None).map.unwrap();
        let mut survey = Survey::new(&map);
        let mut names = BusNames::default();
        let mut batch = Batch::default();
        let bus = names.intern("can0").unwrap();
        // Four frames 10 ms apart, two of page 1: one value, one not available; and one that no map knows.
        for (at, payload) in [(0, [1, 7]), (10_000, [0, 9]), (20_000, [1, 255]), (30_000, [0, 9])] {
            batch.push(Steady(at), bus, 0x100, FrameFlags(0), &payload);
        }
        batch.push(Steady(30_000), bus, 0x7FF, FrameFlags(FrameFlags::EXTENDED), &[]);
        batch.push(Steady(30_000), bus, 0x100, FrameFlags(FrameFlags::REMOTE), &[]);
        for frame in &batch.frames {
            survey.frame(frame, batch.payload(frame), &names);
        }
        let report = survey.report(&names);
        assert_eq!(report.duration, Span(30_000));
        let (fast, never) = (&report.messages[0], &report.messages[1]);
        assert_eq!((fast.frames, fast.rate_hz), (4, Some(100.0)));
        let ten = Span::of_millis(10);
        assert_eq!(fast.periods, Some(Periods { min: ten, median: ten, max: ten }));
        assert_eq!((fast.signals[0].counts.available, fast.signals[0].extremes), (4, Some((0.0, 1.0))));
        let a = fast.signals[1];
        assert_eq!((a.counts.seen(), a.counts.available, a.counts.not_available), (2, 1, 1));
        assert_eq!((a.rate_hz, a.extremes), (Some(50.0), Some((7.0, 7.0))));
        assert_eq!((never.frames, never.rate_hz, never.periods), (0, None, None));
        let unknown = UnknownReport { bus: "can0".into(), id: CanId::Extended(0x7FF), frames: 1, rate_hz: None };
        assert_eq!(report.unknown, [unknown]);
    }
}
