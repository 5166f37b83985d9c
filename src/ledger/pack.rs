//! One pack: voltage aligned with current, and the exact integral of their product.
//!
//! Does not know of phases, gaps' lengths or the trace's grid: it is told up to when to integrate.

use serde::{Deserialize, Serialize};

use super::books::Moved;
use super::track::Piece;

/// A pack's signals, as indices of tracks, and how far it is integrated.
#[derive(Clone, Copy, Default, Debug, Serialize, Deserialize)]
pub struct Pack {
    /// Its number, from 0.
    pub number: u8,
    /// Its voltage.
    pub voltage: Option<u8>,
    /// Its current.
    pub current: Option<u8>,
    /// Its power.
    pub power: Option<u8>,
    /// Integrated up to here, us.
    pub at: i64,
    /// Whether every signal that it needs is observed in the present stretch.
    pub observed: bool,
}

impl Pack {
    /// Whether voltage times current is its power; if so, a power that the car sends is only shown.
    pub fn by_product(&self) -> bool {
        self.voltage.is_some() && self.current.is_some()
    }

    /// Whether its energy can be integrated.
    pub fn measures_energy(&self) -> bool {
        self.by_product() || self.power.is_some()
    }

    /// The signals that it integrates: voltage and current; else power, current, or both, each by itself.
    pub fn needs(&self) -> impl Iterator<Item = u8> + use<> {
        let voltage = self.voltage.filter(|_| self.by_product());
        let power = self.power.filter(|_| !self.by_product());
        [voltage, self.current, power].into_iter().flatten()
    }

    /// The signal whose sign says whether the pack gives or takes.
    pub fn flow(&self) -> Option<u8> {
        self.current.or(self.power)
    }

    /// Integrates up to `to`, us, which lies within the present piece of every signal that it needs.
    #[inline]
    pub fn integrate(&mut self, pieces: &[Piece], to: i64) -> Moved {
        let from = self.at;
        if to <= from {
            return Moved::default();
        }
        self.at = to;
        if !self.observed {
            return Moved::default();
        }
        let duration = (to - from) as f64;
        let ends = |track: Option<u8>| {
            let piece = track.and_then(|track| pieces.get(usize::from(track)))?;
            Some((piece.value_at(from), piece.value_at(to)))
        };
        match (ends(self.voltage), ends(self.current)) {
            (Some(voltage), Some(current)) => product(duration, voltage, current),
            (_, current) => {
                let (charge_out, charge_in) = current.map_or((0.0, 0.0), |current| split(duration, current));
                let (energy_out, energy_in) = ends(self.power).map_or((0.0, 0.0), |power| split(duration, power));
                Moved { energy_out: 3.0 * energy_out, energy_in: 3.0 * energy_in, charge_out, charge_in }
            }
        }
    }
}

/// Twice the integral of a linear value over `duration`, positive and negative part apart.
pub fn split(duration: f64, (start, end): (f64, f64)) -> (f64, f64) {
    if start >= 0.0 && end >= 0.0 {
        (duration * (start + end), 0.0)
    } else if start <= 0.0 && end <= 0.0 {
        (0.0, -(duration * (start + end)))
    } else {
        let before = duration * (start / (start - end));
        let first = (before * start).abs();
        let second = ((duration - before) * end).abs();
        if start > 0.0 { (first, second) } else { (second, first) }
    }
}

/// Six times the integral of the product of two linear values.
#[inline]
fn six_integral(duration: f64, (v0, v1): (f64, f64), (i0, i1): (f64, f64)) -> f64 {
    duration * (v0 * (2.0 * i0 + i1) + v1 * (i0 + 2.0 * i1))
}

/// What a voltage and a current, both linear, move over `duration` us.
///
/// Energy h/6 (2 v0 i0 + v0 i1 + v1 i0 + 2 v1 i1), the exact integral of the product; in and out apart at the exact
/// zero of the current (and, should a sensor read below zero, of the voltage: so that neither part can shrink).
#[inline]
fn product(duration: f64, voltage: (f64, f64), current: (f64, f64)) -> Moved {
    let (i0, i1) = current;
    if voltage.0 >= 0.0 && voltage.1 >= 0.0 {
        if i0 >= 0.0 && i1 >= 0.0 {
            let energy_out = six_integral(duration, voltage, current);
            return Moved { energy_out, charge_out: duration * (i0 + i1), ..Moved::default() };
        }
        if i0 <= 0.0 && i1 <= 0.0 {
            let energy_in = -six_integral(duration, voltage, current);
            return Moved { energy_in, charge_in: -(duration * (i0 + i1)), ..Moved::default() };
        }
    }
    product_with_zeros(duration, voltage, current)
}

/// [`product`] where a sign changes or the voltage is negative.
#[cold]
fn product_with_zeros(duration: f64, voltage: (f64, f64), current: (f64, f64)) -> Moved {
    let zero = |(start, end): (f64, f64)| if start * end < 0.0 { start / (start - end) } else { 1.0 };
    let (of_voltage, of_current) = (zero(voltage), zero(current));
    let mut cuts = [of_voltage.min(of_current), of_voltage.max(of_current), 1.0];
    // Tiny values whose product rounds to zero count as having none.
    cuts.iter_mut().for_each(|cut| *cut = cut.clamp(0.0, 1.0));
    let at = |(start, end): (f64, f64), share: f64, zero: f64| {
        if share == 1.0 {
            end
        } else if share == zero {
            0.0
        } else {
            start + (end - start) * share
        }
    };
    let (charge_out, charge_in) = split(duration, current);
    let mut moved = Moved { charge_out, charge_in, ..Moved::default() };
    let (mut share, mut v0, mut i0) = (0.0, voltage.0, current.0);
    for cut in cuts {
        let (v1, i1) = (at(voltage, cut, of_voltage), at(current, cut, of_current));
        let six = six_integral(duration * (cut - share), (v0, v1), (i0, i1));
        if six > 0.0 {
            moved.energy_out += six;
        } else {
            moved.energy_in -= six;
        }
        (share, v0, i0) = (cut, v1, i1);
    }
    moved
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn close(a: f64, b: f64) {
        assert!((a - b).abs() <= 1e-12 * b.abs().max(1e-9), "{a} is not {b}");
    }

    fn joule(six: f64) -> f64 {
        six / Moved::PER_JOULE
    }

    #[test]
    fn two_ramps_identity_by_arithmetic() {
        // 10 s, 400 to 360 V, 0 to 300 A: 560 000 J. 1 s, 400 to 380 V, 100 to 200 A: 175 000/3 J.
        close(joule(product(10e6, (400.0, 360.0), (0.0, 300.0)).energy_out), 560_000.0);
        close(joule(product(1e6, (400.0, 380.0), (100.0, 200.0)).energy_out), 175_000.0 / 3.0);
    }

    #[test]
    fn sign_split_identity_by_arithmetic() {
        // 400 V, -50 to +100 A in 3 s, zero after 1 s: 11.1111 Wh out, 2.7778 Wh in.
        let moved = product(3e6, (400.0, 400.0), (-50.0, 100.0));
        close(joule(moved.energy_out) / 3600.0, 100.0 / 9.0);
        close(joule(moved.energy_in) / 3600.0, 25.0 / 9.0);
        close(moved.charge_out / Moved::PER_COULOMB, 100.0);
        close(moved.charge_in / Moved::PER_COULOMB, 25.0);
    }

    #[test]
    fn a_voltage_below_zero_identity_by_arithmetic() {
        // (10 - 20 s)(-10 + 30 s) over s = 0..1 s: zeros at 1/3 and 1/2; net integral 0/1: -100 + 250 - 200 = -50 J;
        // the positive part between the zeros is 600/6 (1/2 - 1/3)^3 = 100/216 J.
        let moved = product(1e6, (10.0, -10.0), (-10.0, 20.0));
        close(joule(moved.energy_out), 100.0 / 216.0);
        close(joule(moved.energy_out - moved.energy_in), -50.0);
    }

    proptest! {
        #[test]
        fn nothing_is_negative_and_the_net_is_the_whole_integral(
            v in (-10f64..500.0, -10f64..500.0), i in (-300f64..300.0, -300f64..300.0)
        ) {
            let moved = product(1e4, v, i);
            prop_assert!(moved.energy_out >= 0.0 && moved.energy_in >= 0.0);
            prop_assert!(moved.charge_out >= 0.0 && moved.charge_in >= 0.0);
            let scale = 1e4 * 500.0 * 300.0 * 6.0;
            let net = moved.energy_out - moved.energy_in;
            prop_assert!((net - six_integral(1e4, v, i)).abs() <= 1e-14 * scale);
        }

        #[test]
        fn the_current_turned_round_swaps_in_and_out_to_the_bit(
            v in (-10f64..500.0, -10f64..500.0), i in (-300f64..300.0, -300f64..300.0)
        ) {
            let there = product(1e4, v, i);
            let back = product(1e4, v, (-i.0, -i.1));
            prop_assert_eq!((there.energy_out, there.energy_in), (back.energy_in, back.energy_out));
            prop_assert_eq!((there.charge_out, there.charge_in), (back.charge_in, back.charge_out));
        }
    }
}
