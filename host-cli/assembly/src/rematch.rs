//! Bodies of their own lengths, many parts reassigned at once: of every valve one fitting is kept, and all others, with those that are
//! left over, are given to what is kept, as many as can be; then bodies to pairs in the same way. Never fewer valves conform than
//! before, since what was there before is one way to do it.
//!
//! What is to be given to what is a matter of two sorted lists then, in which every one of the first takes an interval of the second, all
//! of one width: whoever goes through both from one end and takes the first that fits gets as many as there can be (an exchange shows it:
//! the one that was passed over can be taken by a later one wherever the one taken could).

/// What is given, and what it goes to: lengths are sorted, and a place in the first list takes one of the second where their sum lies in
/// the interval. For each of the first its one of the second, or none. From the other end where `from_top`.
pub(crate) fn matched(first: &[i64], second: &[i64], within: (i64, i64), from_top: bool) -> Vec<Option<usize>> {
    debug_assert!(first.is_sorted() && second.is_sorted());
    let mut to = vec![None; first.len()];
    let (mut at, mut given) = (0, 0);
    // The longest of the first takes the shortest of the second.
    while at < first.len() && given < second.len() {
        let (one, other) = if from_top { (at, second.len() - 1 - given) } else { (first.len() - 1 - at, given) };
        let sum = first[one] + second[other];
        let (too_far, too_near) =
            if from_top { (sum > within.1, sum < within.0) } else { (sum < within.0, sum > within.1) };
        if too_far {
            given += 1;
        } else if too_near {
            at += 1;
        } else {
            to[one] = Some(other);
            (at, given) = (at + 1, given + 1);
        }
    }
    to
}

/// Numbers that look random and are the same every time (xorshift64, Marsaglia, *Journal of Statistical Software* 8(14), 2003, *memory*).
pub(crate) struct Turns(u64);

impl Turns {
    pub(crate) const fn new() -> Self {
        Self(0x9e37_79b9_7f4a_7c15)
    }

    /// Below so many, which are not none.
    pub(crate) fn below(&mut self, many: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % many.max(1) as u64) as usize
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// As many as there can be, of every way.
    fn most(first: &[i64], second: &[i64], within: (i64, i64)) -> usize {
        let Some((one, more)) = first.split_first() else { return 0 };
        let mut found = most(more, second, within);
        for (i, other) in second.iter().enumerate() {
            if (within.0..=within.1).contains(&(one + other)) {
                let rest: Vec<i64> = second.iter().enumerate().filter(|(k, _)| *k != i).map(|(_, n)| *n).collect();
                found = found.max(1 + most(more, &rest, within));
            }
        }
        found
    }

    proptest! {
        #[test]
        fn as_many_as_there_can_be(
            first in prop::collection::vec(-20..20_i64, 0..6), second in prop::collection::vec(-20..20_i64, 0..6),
            least in -20..20_i64, width in 0..16_i64, from_top: bool,
        ) {
            let (mut first, mut second, within) = (first, second, (least, least + width));
            first.sort_unstable();
            second.sort_unstable();
            let to = matched(&first, &second, within, from_top);
            let given: Vec<usize> = to.iter().flatten().copied().collect();
            prop_assert!(given.iter().all(|at| given.iter().filter(|other| *other == at).count() == 1));
            let fits = |(one, other): (usize, &Option<usize>)| {
                other.is_none_or(|other| (within.0..=within.1).contains(&(first[one] + second[other])))
            };
            prop_assert!(to.iter().enumerate().all(fits));
            prop_assert_eq!(given.len(), most(&first, &second, within));
        }
    }
}
