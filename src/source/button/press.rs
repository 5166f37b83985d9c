//! Presses of a button from the levels of its contact: short or long, bounces left out.
//!
//! Pure: it is given levels and times, in order, and opens nothing. A level counts once it has stood for a while; a press
//! begins when its level came.

use crate::time::{Span, Steady};

/// A press.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Press {
    /// Let go before [`Presses::LONG`].
    Short,
    /// Held for that; told while it is still held.
    Long,
}

/// Tells presses from levels.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Presses {
    /// How long a level must stand to count.
    settles: Span,
    /// The level as it is, and since when.
    level: bool,
    since: Steady,
    /// When the press under way began, by a level that counts.
    pressed: Option<Steady>,
    /// It has been told as a long one.
    told: bool,
}

impl Presses {
    /// Held for this long it is a long press.
    pub const LONG: Span = Span::of_millis(1_500);

    /// Not pressed; a level that stands for less than this is a bounce.
    pub fn new(settles: Span) -> Self {
        Self { settles, level: false, since: Steady(i64::MIN), pressed: None, told: false }
    }

    /// The contact changed to a level at a moment; what that ends.
    pub fn edge(&mut self, at: Steady, down: bool) -> Option<Press> {
        // What stood long enough until now counts, even where nobody looked meanwhile.
        let ended = self.look(at);
        if down != self.level {
            (self.level, self.since) = (down, at);
        }
        ended.or_else(|| if self.settles <= Span(0) { self.look(at) } else { None })
    }

    /// Time has come to a moment without a change; what that makes of it.
    pub fn look(&mut self, now: Steady) -> Option<Press> {
        let stands = now - self.since >= self.settles;
        match (self.level, self.pressed) {
            (true, None) if stands => {
                (self.pressed, self.told) = (Some(self.since), false);
                self.long(self.since, now)
            }
            (true, Some(began)) => self.long(began, now),
            (false, Some(began)) if stands => {
                self.pressed = None;
                if self.told {
                    return None;
                }
                Some(if self.since - began >= Self::LONG { Press::Long } else { Press::Short })
            }
            _ => None,
        }
    }

    /// Whether a press is under way, by a level that counts or may come to.
    pub fn is_busy(&self) -> bool {
        self.level || self.pressed.is_some()
    }

    fn long(&mut self, began: Steady, now: Steady) -> Option<Press> {
        let long = !self.told && now - began >= Self::LONG;
        self.told |= long;
        long.then_some(Press::Long)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const SETTLES: Span = Span::of_millis(30);

    fn ms(ms: i64) -> Steady {
        Steady(ms * 1_000)
    }

    /// What edges (ms, level) give when it is looked every so many ms.
    fn presses(edges: &[(i64, bool)], every: i64, until: i64) -> Vec<(i64, Press)> {
        let (mut presses, mut told, mut edges) = (Presses::new(SETTLES), Vec::new(), edges.iter().peekable());
        for now in 0..until {
            while let Some((at, down)) = edges.next_if(|(at, _)| *at <= now) {
                told.extend(presses.edge(ms(*at), *down).map(|press| (now, press)));
            }
            if now % every == 0 {
                told.extend(presses.look(ms(now)).map(|press| (now, press)));
            }
        }
        told
    }

    #[test]
    fn short_long_and_bounced() {
        assert_eq!(presses(&[(100, true), (400, false)], 1, 3_000), [(430, Press::Short)]);
        assert_eq!(presses(&[(100, true), (2_400, false)], 1, 3_000), [(1_600, Press::Long)]);
        // Let go 1 ms before it is long, seen only once that has stood.
        assert_eq!(presses(&[(100, true), (1_599, false)], 1, 3_000), [(1_629, Press::Short)]);
        let bounces = [(100, true), (103, false), (105, true), (400, false), (404, true), (409, false)];
        assert_eq!(presses(&bounces, 1, 3_000), [(439, Press::Short)]);
        assert_eq!(presses(&[(100, true), (120, false)], 1, 3_000), [], "a glitch");
        // Stuck: told once.
        assert_eq!(presses(&[(100, true)], 1, 60_000), [(1_600, Press::Long)]);
        // A hand that trembles once while holding.
        assert_eq!(
            presses(&[(100, true), (800, false), (810, true), (2_400, false)], 1, 3_000),
            [(1_600, Press::Long)]
        );
        // Nobody looked in time, the edges tell all the same.
        assert_eq!(presses(&[(100, true), (2_400, false)], 2_900, 3_000), [(2_400, Press::Long)]);
    }

    /// The same, sample by sample: a level counts once the last 30 samples had it.
    fn naive(edges: &[(i64, bool)], until: i64) -> Vec<Press> {
        let (mut raw, mut counts, mut began, mut stood) = (false, false, 0, 1_000);
        let (mut told, mut long) = (Vec::new(), false);
        for now in 0..until {
            if raw != counts && stood >= 30 {
                counts = raw;
                if counts {
                    (began, long) = (now - stood, false);
                } else if !long {
                    told.push(Press::Short);
                }
            }
            if counts && raw && !long && now - began >= 1_500 {
                told.push(Press::Long);
                long = true;
            }
            let before = raw;
            edges.iter().filter(|(at, _)| *at == now).for_each(|(_, down)| raw = *down);
            stood = if raw == before { stood + 1 } else { 1 };
        }
        told
    }

    fn edges() -> impl Strategy<Value = Vec<(i64, bool)>> {
        let step = prop_oneof![4 => 1..40_i64, 3 => 40..900_i64, 1 => 1_000..4_000_i64];
        prop::collection::vec(step, 0..40).prop_map(|steps| {
            let mut at = 0;
            let mut edge = |(index, step): (usize, &i64)| {
                at += step;
                (at, index % 2 == 0)
            };
            steps.iter().enumerate().map(&mut edge).collect()
        })
    }

    proptest! {
        #[test]
        fn as_counted_sample_by_sample(edges in edges()) {
            let until = edges.last().map_or(0, |(at, _)| *at) + 5_000;
            let told: Vec<Press> = presses(&edges, 1, until).into_iter().map(|(_, press)| press).collect();
            prop_assert_eq!(told, naive(&edges, until));
        }

        #[test]
        fn how_often_it_is_looked_changes_no_press(edges in edges(), every in 2..60_i64) {
            let until = edges.last().map_or(0, |(at, _)| *at) + 5_000;
            let of = |every| presses(&edges, every, until).into_iter().map(|(_, press)| press).collect::<Vec<_>>();
            let (often, seldom) = (of(1), of(every));
            // Only one let go within a look of 1.5 s, or of a bounce's end, may be told otherwise.
            let at_the_limit = edges.windows(2).any(|pair| {
                let lasted = pair[1].0 - pair[0].0;
                (lasted - 30).abs() <= every || (lasted - 1_500).abs() <= every + 30
            });
            prop_assert!(often == seldom || at_the_limit, "{often:?} {seldom:?}");
        }

        #[test]
        fn never_more_presses_than_were_begun(edges in edges()) {
            let until = edges.last().map_or(0, |(at, _)| *at) + 5_000;
            let begun = edges.iter().filter(|(_, down)| *down).count();
            prop_assert!(presses(&edges, 7, until).len() <= begun);
        }
    }
}
