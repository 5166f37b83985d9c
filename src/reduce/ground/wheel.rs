//! The wheels' distance at any moment of a run, and where it was not observed.
//!
//! Moments are asked for in rising order. Fills no gap: the estimates for gaps are others', added where they lie.

use super::super::fill::Fill;
use super::super::fold::Second;
use super::super::input::{Missing, RunInput};

/// Distance by the wheel speed over run time.
pub struct Wheel<'a> {
    seconds: &'a [Second],
    fills: Vec<&'a Fill>,
    at: usize,
    /// Whether there is a wheel speed at all.
    pub exists: bool,
}

impl<'a> Wheel<'a> {
    /// Of a run.
    pub fn of(run: &'a RunInput, fills: &'a [Fill]) -> Self {
        let seconds = &run.summary.seconds[..];
        let moved = |second: &Second| second.sums.distance;
        let way = seconds.last().map_or(0.0, moved) - seconds.first().map_or(0.0, moved);
        let fills = fills.iter().filter(|fill| fill.gap.missing == Missing::Speed).collect();
        Self { seconds, fills, at: 0, exists: way > 0.0 }
    }

    /// Distance so far, m, linear within a second; no moment asked for is earlier than the one before by more than a minute.
    pub fn distance(&mut self, t: f64) -> f64 {
        while self.at + 1 < self.seconds.len() && self.seconds[self.at + 1].t < t {
            self.at += 1;
        }
        while self.at > 0 && self.seconds[self.at].t > t {
            self.at -= 1;
        }
        let Some(a) = self.seconds.get(self.at) else { return f64::NAN };
        let Some(b) = self.seconds.get(self.at + 1) else { return a.sums.distance };
        let share = ((t - a.t) / (b.t - a.t)).clamp(0.0, 1.0);
        a.sums.distance + (b.sums.distance - a.sums.distance) * share
    }

    /// The second that the moment last asked for lies in.
    pub fn second(&self) -> Option<&'a Second> {
        self.seconds.get(self.at + 1).or(self.seconds.last())
    }

    /// Whether a stretch is free of gaps.
    pub fn is_observed(&self, from: f64, to: f64) -> bool {
        self.exists && !self.fills.iter().any(|fill| fill.gap.from_s < to && from < fill.gap.to_s)
    }

    /// Distance over a stretch, the estimates for gaps in it, m.
    pub fn filled(&mut self, from: f64, to: f64) -> f64 {
        let way = self.distance(to) - self.distance(from);
        let part = |fill: &&Fill| {
            let length = fill.gap.to_s - fill.gap.from_s;
            let inside = fill.gap.to_s.min(to) - fill.gap.from_s.max(from);
            if length > 0.0 { fill.distance[0] * (inside / length).clamp(0.0, 1.0) } else { 0.0 }
        };
        way + self.fills.iter().map(part).sum::<f64>()
    }
}
