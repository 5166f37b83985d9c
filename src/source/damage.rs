//! How far a recording has been read, and what of it could not be.
//!
//! Plain values; prints nothing.

use crate::document::Fault;

/// How far a recording has been read, in bytes of the file as stored (compressed, if it is).
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Progress {
    /// Bytes read so far.
    pub done: u64,
    /// Bytes in all; `None` where that is not known (a pipe).
    pub total: Option<u64>,
}

impl Progress {
    /// Both together; the total is known where both are.
    pub fn and(self, other: Self) -> Self {
        let total = self.total.zip(other.total).map(|(one, two)| one.saturating_add(two));
        Self { done: self.done.saturating_add(other.done), total }
    }
}

/// The parts of a recording that could not be read: all counted, the first few told.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Damage {
    /// How many lines, packets or cells could not be read.
    pub count: u64,
    /// The first [`Self::TOLD`] of them, each with its place and reason.
    pub first: Vec<Fault>,
}

impl Damage {
    /// How many are told.
    pub const TOLD: usize = 8;

    /// Counts one more; the fault is made only if it is one of the first.
    pub fn add(&mut self, fault: impl FnOnce() -> Fault) {
        self.count += 1;
        if self.first.len() < Self::TOLD {
            self.first.push(fault().warning());
        }
    }

    /// Counts `count` more, of which these are the first: all, or [`Self::TOLD`].
    pub fn add_all(&mut self, count: u64, first: impl Iterator<Item = Fault>) {
        self.count += count;
        let room = Self::TOLD.saturating_sub(self.first.len());
        self.first.extend(first.take(room).map(Fault::warning));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_are_counted_and_the_first_few_told() {
        let mut damage = Damage::default();
        for number in 0..20 {
            damage.add(|| Fault::whole("log", number.to_string()));
        }
        assert_eq!((damage.count, damage.first.len()), (20, Damage::TOLD));
        assert_eq!(damage.first[7].to_string(), "log: warning: 7");
    }
}
