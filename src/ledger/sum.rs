//! A compensated sum: what rounding loses from each addition is kept beside the sum.
//!
//! Knows nothing of what it adds.

use serde::{Deserialize, Serialize};

/// A running sum whose error does not grow with the number of terms.
///
/// The compensated summation of Neumaier (ZAMM 54, 1974), with the branch-free error term of Knuth (TAOCP 2, 4.2.2,
/// theorem B), which gives the same two numbers. While every term is at least 0, [`Self::value`] never decreases: a term
/// too small to move `sum` goes to `lost` whole, and one that moves it is larger than the rounding of `lost`.
#[derive(Clone, Copy, Default, PartialEq, Debug, Serialize, Deserialize)]
pub struct Sum {
    sum: f64,
    lost: f64,
}

impl Sum {
    /// Adds a finite term.
    #[inline]
    pub fn add(&mut self, term: f64) {
        let sum = self.sum + term;
        let taken = sum - self.sum;
        self.lost += (self.sum - (sum - taken)) + (term - taken);
        self.sum = sum;
    }

    /// The sum.
    #[inline]
    pub fn value(self) -> f64 {
        self.sum + self.lost
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn sum(terms: &[f64]) -> f64 {
        let mut sum = Sum::default();
        terms.iter().for_each(|term| sum.add(*term));
        sum.value()
    }

    #[test]
    fn keeps_what_plain_addition_loses() {
        // Neumaier's own kind of example, by arithmetic: the exact sum is 2.
        assert_eq!(sum(&[1.0, 1e100, 1.0, -1e100]), 2.0);
        // Ten million tenths: the double nearest 0.1, times 1e7, is 1e6 + 5.6e-11, which rounds to 1e6; plain addition is off by 1.6e-4.
        assert_eq!(sum(&vec![0.1; 10_000_000]), 1e6);
    }

    proptest! {
        #[test]
        fn never_decreases_over_terms_that_are_not_negative(
            exponents in prop::collection::vec((-300i32..20, 1.0f64..2.0), 1..200)
        ) {
            let mut sum = Sum::default();
            for (exponent, mantissa) in exponents {
                let before = sum.value();
                sum.add(mantissa * 2f64.powi(exponent));
                prop_assert!(sum.value() >= before);
            }
        }

        #[test]
        fn mirrored_terms_give_the_mirrored_sum(terms in prop::collection::vec(-1e9f64..1e9, 0..100)) {
            let mirrored: Vec<f64> = terms.iter().map(|term| -term).collect();
            prop_assert_eq!(sum(&terms), -sum(&mirrored));
        }
    }
}
