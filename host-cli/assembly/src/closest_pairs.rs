//! So many pairs of numbers as close as possible to a wanted sum, where there could be more. Exact, by the argument of
//! [`nested_pairs`](crate::nested_pairs): a table over all stretches of the sorted numbers, and over how many pairs lie in each.

use crate::nested_pairs::place;

/// The most cells of a table that counts pairs too: 96 MB.
const CELLS_MAX: usize = 12_000_000;

/// No way to have so many pairs.
const NONE: u64 = u64::MAX;

/// So many pairs, or as many as there can be, whose squared distances from `wanted` have the least sum. `None` where the table would
/// be too large, or the distances are.
pub fn closest(sorted: &[i64], within: (i64, i64), wanted: i64, count: usize) -> Option<Vec<(usize, usize)>> {
    let n = sorted.len();
    if n < 2 || count == 0 {
        return Some(Vec::new());
    }
    let depth = count.min(n / 2);
    let cells = (n * (n - 1) / 2).checked_mul(depth).filter(|cells| *cells <= CELLS_MAX)?;
    let farthest = within.0.abs_diff(wanted).max(within.1.abs_diff(wanted));
    farthest.checked_mul(farthest)?.checked_mul(depth as u64).filter(|most| *most < NONE)?;
    // By the stretch, and by how many pairs there are in it, from one on.
    let mut least = vec![NONE; cells];
    let at = |first: usize, last: usize, pairs: usize, all: &[u64]| match pairs {
        0 => 0,
        _ if first >= last || (last - first).div_ceil(2) < pairs => NONE,
        _ => all[place(n, first, last) * depth + pairs - 1],
    };
    // Both paired, the last left out, the first left out: of equals the first of these.
    let ways = |first: usize, last: usize, pairs: usize, all: &[u64]| {
        let sum = sorted[first] + sorted[last];
        let own = (within.0..=within.1).contains(&sum).then(|| sum.abs_diff(wanted).pow(2));
        // Between two that are neighbours there is nothing.
        let inside =
            if last - first < 2 { [0, NONE][usize::from(pairs > 1)] } else { at(first + 1, last - 1, pairs - 1, all) };
        let both = own.filter(|_| inside != NONE).map_or(NONE, |own| inside + own);
        [both, at(first, last - 1, pairs, all), at(first + 1, last, pairs, all)]
    };
    for length in 2..=n {
        for first in 0..=n - length {
            let last = first + length - 1;
            for pairs in 1..=depth.min(length / 2) {
                let [a, b, c] = ways(first, last, pairs, &least);
                least[place(n, first, last) * depth + pairs - 1] = a.min(b).min(c);
            }
        }
    }
    let mut left = (1..=depth).rev().find(|pairs| at(0, n - 1, *pairs, &least) != NONE).unwrap_or(0);
    let (mut first, mut last, mut pairs) = (0, n - 1, Vec::new());
    while left > 0 && first < last {
        let [both, without_last, without_first] = ways(first, last, left, &least);
        if both != NONE && both <= without_last.min(without_first) {
            pairs.push((first, last));
            (first, last, left) = (first + 1, last.saturating_sub(1), left - 1);
        } else if without_last <= without_first {
            last -= 1;
        } else {
            first += 1;
        }
    }
    Some(pairs)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The least sum of squares of so many pairs, of every way there is.
    fn so_many(numbers: &[i64], within: (i64, i64), wanted: i64, count: usize) -> Option<u128> {
        if count == 0 {
            return Some(0);
        }
        let (first, rest) = numbers.split_first()?;
        let mut found = so_many(rest, within, wanted, count);
        for (i, other) in rest.iter().enumerate() {
            let sum = first + other;
            if (within.0..=within.1).contains(&sum) {
                let others: Vec<i64> = rest.iter().enumerate().filter(|(k, _)| *k != i).map(|(_, n)| *n).collect();
                let this = so_many(&others, within, wanted, count - 1);
                let this = this.map(|squares| squares + u128::from(sum.abs_diff(wanted)).pow(2));
                found = [found, this].into_iter().flatten().min();
            }
        }
        found
    }

    proptest! {
        /// Of a given count none are closer.
        #[test]
        fn no_so_many_are_closer(
            numbers in prop::collection::vec(-20..20_i64, 0..=8),
            least in -20..20_i64, width in 0..16_i64, wanted in -20..20_i64, count in 0..5_usize,
        ) {
            let mut sorted = numbers;
            sorted.sort_unstable();
            let within = (least, least + width);
            let pairs = closest(&sorted, within, wanted, count).unwrap();
            let possible = (0..=count).rev().find_map(|k| so_many(&sorted, within, wanted, k).map(|least| (k, least)));
            let mut used: Vec<usize> = pairs.iter().flat_map(|(a, b)| [*a, *b]).collect();
            used.sort_unstable();
            prop_assert!(used.windows(2).all(|w| w[0] < w[1]), "none twice: {pairs:?}");
            let sums = || pairs.iter().map(|(a, b)| sorted[*a] + sorted[*b]);
            prop_assert!(sums().all(|sum| (within.0..=within.1).contains(&sum)));
            let squares: u128 = sums().map(|sum| u128::from(sum.abs_diff(wanted)).pow(2)).sum();
            prop_assert_eq!(Some((pairs.len(), squares)), possible);
        }
    }
}
