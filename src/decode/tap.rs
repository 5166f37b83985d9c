//! From a message's values to a role's.
//!
//! Keeps no state.

use crate::map::{RoleBinding, RoleSignal};

/// A role that a message feeds.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Tap {
    /// Index into the map's roles.
    pub role: usize,
    signal: RoleSignal,
    factor: f64,
    offset: f64,
}

impl Tap {
    /// The tap of a binding, which is the map's role of this index.
    pub fn new(role: usize, binding: &RoleBinding) -> Self {
        Self { role, signal: binding.signal, factor: binding.factor, offset: binding.offset }
    }

    /// The role's value in its base unit, sign applied; `None` where the message's values don't hold it now.
    #[inline]
    pub fn value(&self, values: &[f64]) -> Option<f64> {
        let value = match self.signal {
            RoleSignal::One(signal) => *values.get(signal)?,
            RoleSignal::Difference(plus, minus) => values.get(plus)? - values.get(minus)?,
        };
        (!value.is_nan()).then_some(value * self.factor + self.offset)
    }
}
