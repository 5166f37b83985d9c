//! How many observations a second each source gave over the last seconds.
//!
//! Counts nothing itself: it is given the sources' own counts, about once a second.

use std::collections::{HashMap, VecDeque};

use crate::time::Steady;

/// Looks back over so many looks, about 5 s.
const LOOKS: usize = 6;

/// The counts of the last looks.
#[derive(Debug, Default)]
pub struct Rates(HashMap<String, VecDeque<(Steady, u64)>>);

impl Rates {
    /// Takes a source's count so far; its rate, 0 before there is a second look.
    pub fn look(&mut self, now: Steady, name: &str, count: u64) -> f64 {
        let looks = match self.0.get_mut(name) {
            Some(looks) => looks,
            None => self.0.entry(name.to_owned()).or_default(),
        };
        if looks.len() == LOOKS {
            looks.pop_front();
        }
        looks.push_back((now, count));
        let Some((from, before)) = looks.front() else { return 0.0 };
        let seconds = (now - *from).seconds();
        if seconds > 0.0 { count.saturating_sub(*before) as f64 / seconds } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rate_is_that_of_the_last_five_seconds() {
        let mut rates = Rates::default();
        let mut look = |second: i64, count| rates.look(Steady(second * 1_000_000), "can0", count);
        // 100 a second for 10 s, then silence: by hand.
        assert_eq!((look(0, 0), look(1, 100)), (0.0, 100.0));
        assert!((2..=10).all(|second| look(second, 100 * second as u64) == 100.0));
        assert_eq!([11, 12, 13, 14, 15].map(|second| look(second, 1_000)), [80.0, 60.0, 40.0, 20.0, 0.0]);
        // A count that began anew is no negative rate.
        assert_eq!(look(16, 3), 0.0);
    }
}
