//! Holm's step-down correction (S. Holm, Scandinavian Journal of Statistics 6, 1979, 65-70).
//!
//! Holds the chance of any false alarm among all pairs at the level asked for, however the p values depend on each other.
//! Tests nothing itself.

/// The corrected p values, in the order given: at most 1, never less than as given; at a level a pair is rejected by
/// Holm's procedure exactly where its corrected value is not above the level.
pub fn holm(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]));
    let mut corrected = vec![1.0; p.len()];
    let mut largest: f64 = 0.0;
    for (rank, at) in order.into_iter().enumerate() {
        largest = largest.max(p[at] * (p.len() - rank) as f64).min(1.0);
        corrected[at] = largest;
    }
    corrected
}

#[cfg(test)]
mod tests {
    use super::holm;

    /// Holm's procedure as he words it: from the smallest p on, reject while p is not above level / (number left).
    fn rejects(p: &[f64], level: f64) -> Vec<bool> {
        let mut left: Vec<usize> = (0..p.len()).collect();
        let mut rejected = vec![false; p.len()];
        while let Some(at) = left.iter().copied().min_by(|a, b| p[*a].total_cmp(&p[*b])) {
            if p[at] > level / left.len() as f64 {
                break;
            }
            rejected[at] = true;
            left.retain(|other| *other != at);
        }
        rejected
    }

    #[test]
    fn published_examples() {
        // The reference manual of the R package HDLSSkST 2.1.0, `Holm`: at 0.05 the third and the seventh are rejected. (Its
        // second is exactly at the limit, 5 times 0.01, and that package rejects what lies below it alone.)
        let p = [0.50, 0.01, 0.001, 0.69, 0.02, 0.05, 0.0025];
        let found: Vec<bool> = holm(&p).into_iter().map(|p| p < 0.05).collect();
        assert_eq!(found, [false, false, true, false, false, false, true]);
        // A widely told example of four (from memory): 0.03, 0.06, 0.06, 0.02 for 0.01, 0.04, 0.03, 0.005.
        let found = holm(&[0.01, 0.04, 0.03, 0.005]);
        let wanted = [0.03, 0.06, 0.06, 0.02];
        assert!(found.iter().zip(wanted).all(|(found, wanted)| (found - wanted).abs() < 1e-15), "{found:?}");
        assert_eq!((holm(&[]), holm(&[0.7]), holm(&[0.9, 0.8])), (vec![], vec![0.7], vec![1.0, 1.0]));
    }

    proptest::proptest! {
        #[test]
        fn corrected_values_reject_as_the_procedure_does(
            p in proptest::collection::vec(0.0..0.2f64, 1..12), level in 0.001..0.2f64,
        ) {
            let corrected = holm(&p);
            // A corrected value within rounding of the level may fall either way.
            let near = corrected.iter().any(|p| (p - level).abs() < 1e-12);
            let found: Vec<bool> = corrected.iter().map(|p| *p <= level).collect();
            proptest::prop_assert!(near || found == rejects(&p, level), "{p:?} at {level}");
            proptest::prop_assert!(corrected.iter().zip(&p).all(|(corrected, p)| corrected >= p));
        }
    }
}
