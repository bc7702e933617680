//! Which two of many numbers to add, so that as many sums as possible lie in an interval, and those as close as possible to a
//! wanted one. Exact.
//!
//! **Why nested pairs are enough.** Take any set of numbers that is to be paired. Of all ways to do so, the largest with the
//! smallest, the next largest with the next smallest and so on has the least greatest sum and the greatest least sum (exchange two
//! pairs that are not so, and neither gets worse): if any way has every sum in the interval, this one has. And it has the least
//! sum of squared distances from any wanted sum: the sums' own total is the same for all ways, and of the products the rearrangement
//! inequality says it (Hardy, Littlewood & Pólya, *Inequalities*, 10.2, *memory*). So only *which* numbers are left out is to be
//! found, and in sorted order what is taken is paired from outside inwards.
//!
//! That is a table over all stretches of the sorted numbers: in the best solution of a stretch its first is left out, or its last,
//! or both are a pair. n²/2 cells, each looked at once; a row needs the two before it, and two bits a cell say what was done.

use std::ops::Add;

/// The most numbers that are taken: their table is 50 MB.
pub const NUMBERS_MAX: usize = 20_000;

/// What was done with a stretch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Done {
    FirstLeftOut = 1,
    LastLeftOut = 2,
    Paired = 3,
}

/// The place of a stretch of at least two of `n` numbers: those of the same length lie side by side.
pub(crate) const fn place(n: usize, first: usize, last: usize) -> usize {
    // Of length 2 there are n − 1, of length 3 n − 2, …
    let shorter = last - first - 1;
    shorter * (n - 1) - shorter * shorter.saturating_sub(1) / 2 + first
}

/// Two bits for every stretch of at least two numbers.
struct Table {
    bits: Vec<u8>,
    n: usize,
}

impl Table {
    fn new(n: usize) -> Self {
        Self { bits: vec![0; (n * n.saturating_sub(1) / 2).div_ceil(4)], n }
    }

    /// What was done with the stretch of this place.
    fn put(&mut self, place: usize, done: u8) {
        if let Some(byte) = self.bits.get_mut(place / 4) {
            *byte |= done << (place % 4 * 2);
        }
    }

    fn get(&self, first: usize, last: usize) -> Done {
        let place = place(self.n, first, last);
        match self.bits.get(place / 4).map_or(0, |byte| byte >> (place % 4 * 2) & 3) {
            3 => Done::Paired,
            2 => Done::LastLeftOut,
            _ => Done::FirstLeftOut,
        }
    }
}

/// What is to be done with every stretch, so that what its pairs are worth together is most. What a sum is worth that does not lie in the
/// interval does not matter.
fn filled<W: Copy + Ord + Default + Add<Output = W>>(
    sorted: &[i64],
    (least, most): (i64, i64),
    worth_of: impl Fn(i64) -> W,
) -> Table {
    let n = sorted.len();
    let mut table = Table::new(n);
    // By the stretch's first number; of a single number, and of none, nothing is worth anything.
    let (mut inner, mut shorter) = (vec![W::default(); n + 1], vec![W::default(); n]);
    for length in 2..=n {
        let base = place(n, 0, length - 1);
        let mut row = Vec::with_capacity(n + 1 - length);
        for first in 0..=n - length {
            // Chosen without a jump, since nothing foretells which it is: that is most of the time.
            let (without_first, without_last) = (shorter[first + 1], shorter[first]);
            let alone = without_first.max(without_last);
            let done = Done::FirstLeftOut as u8 + u8::from(without_last > without_first);
            let sum = sorted[first] + sorted[first + length - 1];
            let paired = inner[first + 1] + worth_of(sum);
            // Of equals the pair, and so the outermost: one answer, in whatever order the numbers came.
            let pair = (least <= sum) & (sum <= most) & (paired >= alone);
            table.put(base + first, if pair { Done::Paired as u8 } else { done });
            row.push(if pair { paired } else { alone });
        }
        (inner, shorter) = (shorter, row);
    }
    table
}

/// Pairs of places in `sorted`, the outermost first: as many as possible with a sum of `least` to `most`, and of those as
/// close to `wanted` as possible, by the sum of squares. More than [`NUMBERS_MAX`] numbers give no pairs.
pub fn best(sorted: &[i64], (least, most): (i64, i64), wanted: i64) -> Vec<(usize, usize)> {
    let n = sorted.len();
    if !(2..=NUMBERS_MAX).contains(&n) || least > most {
        return Vec::new();
    }
    debug_assert!(sorted.is_sorted(), "pairs are nested only in order");
    // A pair is worth more than all squares there can be, less its own: more pairs come first, then the lesser sum.
    let farthest = least.abs_diff(wanted).max(most.abs_diff(wanted));
    let pairs = (n / 2) as u128;
    let a_pair = pairs * u128::from(farthest).pow(2) + 1;
    let off = |sum: i64| sum.abs_diff(wanted).min(farthest);
    let table = match u64::try_from(pairs * a_pair) {
        // Faster, and enough for a millimetre and ten thousand pairs.
        Ok(_) => filled(sorted, (least, most), |sum| a_pair as u64 - off(sum).pow(2)),
        Err(_) => filled(sorted, (least, most), |sum| a_pair - u128::from(off(sum)).pow(2)),
    };
    let (mut first, mut last, mut pairs) = (0, n - 1, Vec::new());
    while first < last {
        match table.get(first, last) {
            Done::FirstLeftOut => first += 1,
            Done::LastLeftOut => last -= 1,
            Done::Paired => {
                pairs.push((first, last));
                (first, last) = (first + 1, last - 1);
            }
        }
        if last == 0 {
            break;
        }
    }
    pairs
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn worth(sorted: &[i64], pairs: &[(usize, usize)], wanted: i64) -> (usize, u128) {
        let squares = pairs.iter().map(|(a, b)| u128::from((sorted[*a] + sorted[*b]).abs_diff(wanted)).pow(2));
        (pairs.len(), squares.sum())
    }

    /// Every way there is: the first number is left out, or paired with any other.
    fn every_way(numbers: &[i64], within: (i64, i64), wanted: i64) -> (usize, u128) {
        let Some((first, rest)) = numbers.split_first() else { return (0, 0) };
        let mut found = every_way(rest, within, wanted);
        for (i, other) in rest.iter().enumerate() {
            let sum = first + other;
            if sum < within.0 || sum > within.1 {
                continue;
            }
            let others: Vec<i64> = rest.iter().enumerate().filter(|(k, _)| *k != i).map(|(_, n)| *n).collect();
            let (pairs, squares) = every_way(&others, within, wanted);
            let this = (pairs + 1, squares + u128::from(sum.abs_diff(wanted)).pow(2));
            if this.0 > found.0 || this.0 == found.0 && this.1 < found.1 {
                found = this;
            }
        }
        found
    }

    /// How many pairs there can be, another way: the number farthest from half the wanted sum has the fewest others that fit, so it
    /// takes the farthest of those on the other side; or none fits.
    fn most_pairs(sorted: &[i64], (least, most): (i64, i64)) -> usize {
        // Twice the number, less the middle of the interval: its sums are to be within the interval's width of zero.
        let mut left: Vec<i64> = sorted.iter().map(|n| 2 * n - (least + most) / 2).collect();
        let mut pairs = 0;
        while let Some(at) = (0..left.len()).max_by_key(|i| left[*i].abs()) {
            let one = left.swap_remove(at);
            let fits = |other: i64| (one + other).abs() <= most - least;
            let farthest = (0..left.len()).filter(|i| fits(left[*i])).max_by_key(|i| -left[*i] * one.signum());
            if let Some(at) = farthest {
                left.swap_remove(at);
                pairs += 1;
            }
        }
        pairs
    }

    proptest! {
        /// Never worse than any other way, of up to ten numbers.
        #[test]
        fn no_way_is_better(
            numbers in prop::collection::vec(-20..20_i64, 0..=10),
            least in -20..20_i64, width in 0..16_i64, wanted in -20..20_i64,
        ) {
            let mut sorted = numbers;
            sorted.sort_unstable();
            let within = (least, least + width);
            let pairs = best(&sorted, within, wanted);
            let mut used: Vec<usize> = pairs.iter().flat_map(|(a, b)| [*a, *b]).collect();
            used.sort_unstable();
            prop_assert!(used.windows(2).all(|w| w[0] < w[1]), "none twice: {pairs:?}");
            prop_assert!(pairs.iter().all(|(a, b)| (within.0..=within.1).contains(&(sorted[*a] + sorted[*b]))));
            prop_assert_eq!(worth(&sorted, &pairs, wanted), every_way(&sorted, within, wanted));
        }

        /// As many as another method finds, of many.
        #[test]
        fn as_many_as_another_method(
            numbers in prop::collection::vec(-1_000..1_000_i64, 0..200),
            middle in -200..200_i64, half in 0..200_i64,
        ) {
            let mut sorted = numbers;
            sorted.sort_unstable();
            let within = (2 * middle - 2 * half, 2 * middle + 2 * half);
            prop_assert_eq!(best(&sorted, within, 2 * middle).len(), most_pairs(&sorted, within));
        }
    }

    #[test]
    fn the_table_has_one_place_for_each_stretch() {
        let mut places: Vec<usize> =
            (0..7).flat_map(|a| (a + 1..7).map(move |b| (a, b))).map(|(a, b)| place(7, a, b)).collect();
        places.sort_unstable();
        assert_eq!(places, (0..21).collect::<Vec<_>>());
    }
}
