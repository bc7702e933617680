//! Two shares compared, and many comparisons made at once.

use std::cmp::Ordering;

use serde::Serialize;
use statrs::distribution::{Discrete, Hypergeometric};

/// So many of so many.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct LeakCount {
    /// How many leaked.
    pub leaking: u32,
    /// Of how many valves.
    pub of: u32,
}

impl LeakCount {
    /// The share; 0 of none.
    pub fn share(self) -> f64 {
        if self.of == 0 { 0.0 } else { f64::from(self.leaking) / f64::from(self.of) }
    }
}

/// How much likelier a table may come out by rounding and still count as no likelier than the one that was found.
const ALIKE: f64 = 1.0 + 1e-7;

/// The two-sided p of Fisher's exact test (Fisher, The Design of Experiments, 1935, chapter II, from memory): with both margins fixed, the
/// probability of this table and of all that are no likelier. That rule for the second side is the usual one among several.
pub fn fisher_two_sided(one: LeakCount, other: LeakCount) -> f64 {
    let (one_leaking, other_leaking) = (one.leaking.min(one.of), other.leaking.min(other.of));
    let all = u64::from(one.of) + u64::from(other.of);
    let leaking = u64::from(one_leaking) + u64::from(other_leaking);
    let drawn = u64::from(one.of);
    let Ok(tables) = Hypergeometric::new(all, leaking, drawn) else { return 1.0 };
    let found = tables.pmf(one_leaking.into());
    let least = (drawn + leaking).saturating_sub(all);
    let p: f64 = (least..=drawn.min(leaking)).map(|k| tables.pmf(k)).filter(|p| *p <= found * ALIKE).sum();
    p.clamp(0.0, 1.0)
}

/// Adjusted so that among all comparisons the chance of any false alarm is no more than the adjusted p that is acted upon, whatever they have to
/// do with each other (Holm, Scandinavian Journal of Statistics 6, 1979, p. 65, from memory): the smallest of m times m, the next times
/// m − 1, and so on; none smaller than one before it. In the order given.
pub fn holm(raw: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..raw.len()).collect();
    order.sort_by(|a, b| raw[*a].partial_cmp(&raw[*b]).unwrap_or(Ordering::Equal));
    let mut adjusted = vec![1.0; raw.len()];
    let mut least = 0.0f64;
    for (place, at) in order.into_iter().enumerate() {
        least = least.max((raw.len() - place) as f64 * raw[at]).min(1.0);
        adjusted[at] = least;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn fisher(a: u32, b: u32, c: u32, d: u32) -> f64 {
        fisher_two_sided(LeakCount { leaking: a, of: a + b }, LeakCount { leaking: c, of: c + d })
    }

    /// Fisher's cups of tea, 3 of 4 told right: 34/70 (R's documentation of `fisher.test` has 0.4857). His convicts with twins, 2 of 17
    /// against 10 of 13: 0.0005367 (the same page). And by hand: none of 3 against 3 of 3, 2 tables of 20.
    #[test]
    fn published_tables() {
        assert!((fisher(3, 1, 1, 3) - 34.0 / 70.0).abs() < 1e-12);
        assert!((fisher(2, 15, 10, 3) - 0.000_536_7).abs() < 5e-8, "{}", fisher(2, 15, 10, 3));
        assert!((fisher(0, 3, 3, 0) - 0.1).abs() < 1e-12);
        assert!((fisher(4, 0, 0, 4) - 2.0 / 70.0).abs() < 1e-12);
        assert_eq!((fisher(0, 0, 0, 0), fisher(5, 0, 7, 0), fisher(0, 5, 0, 7)), (1.0, 1.0, 1.0));
    }

    /// By hand: sorted 0.01, 0.02, 0.03, 0.04 become 0.04, 0.06, 0.06, 0.06.
    #[test]
    fn holm_by_hand() {
        let found = holm(&[0.04, 0.01, 0.03, 0.02]);
        for (found, expected) in found.iter().zip([0.06, 0.04, 0.06, 0.06]) {
            assert!((found - expected).abs() < 1e-12, "{found}");
        }
        assert_eq!((holm(&[]), holm(&[0.7, 0.9])), (vec![], vec![1.0, 1.0]));
    }

    /// The sum over tables, with binomials as whole numbers.
    fn slowly(a: u32, b: u32, c: u32, d: u32) -> f64 {
        let choose = |n: u32, k: u32| (0..k).fold(1u128, |of, i| of * u128::from(n - i) / u128::from(i + 1));
        let (drawn, leaking, all) = (a + b, a + c, a + b + c + d);
        let ways = |k: u32| {
            if k > leaking || k > drawn || drawn - k > all - leaking {
                0
            } else {
                choose(leaking, k) * choose(all - leaking, drawn - k)
            }
        };
        let counted: u128 = (0..=drawn).map(ways).filter(|ways_of| *ways_of <= ways(a)).sum();
        counted as f64 / choose(all, drawn) as f64
    }

    proptest! {
        #[test]
        fn fisher_is_exact_and_symmetric(a in 0u32..15, b in 0u32..15, c in 0u32..15, d in 0u32..15) {
            let p = fisher(a, b, c, d);
            prop_assert!((0.0..=1.0).contains(&p));
            prop_assert!((p - slowly(a, b, c, d)).abs() < 1e-9, "{} {}", p, slowly(a, b, c, d));
            prop_assert!((p - fisher(c, d, a, b)).abs() < 1e-9, "rows swapped");
            prop_assert!((p - fisher(b, a, d, c)).abs() < 1e-9, "leaking and tight swapped");
        }

        #[test]
        fn large_tables_have_a_p_too(a in 0u32..3_000, b in 0u32..3_000, c in 0u32..3_000, d in 0u32..3_000) {
            let p = fisher(a, b, c, d);
            prop_assert!((0.0..=1.0).contains(&p), "{}", p);
        }

        #[test]
        fn holm_keeps_the_order_and_only_raises(raw in prop::collection::vec(0.0f64..=1.0, 0..30)) {
            let adjusted = holm(&raw);
            prop_assert_eq!(adjusted.len(), raw.len());
            for (i, p) in raw.iter().enumerate() {
                prop_assert!(adjusted[i] >= *p && adjusted[i] <= 1.0);
                for (j, q) in raw.iter().enumerate() {
                    prop_assert!(p > q || adjusted[i] <= adjusted[j]);
                }
            }
        }
    }
}
