//! Classes of lengths, as parts are laid out in a tray: all from one multiple of the class's width up to the next.

use serde::Serialize;

use crate::length::Length;

/// The usual width, 0.1 mm: common practice, no source.
pub const USUAL_WIDTH: Length = Length::from_nm(100_000);

/// One class.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct LengthClass {
    /// From this length, inclusive.
    pub from: Length,
    /// How many lie in it.
    pub count: usize,
}

/// The classes that have any part in them, the shortest first.
pub fn classes(lengths: impl IntoIterator<Item = Length>, width: Length) -> Vec<LengthClass> {
    let width = width.nm().max(1);
    let mut sorted: Vec<i64> = lengths.into_iter().map(|length| length.nm().div_euclid(width)).collect();
    sorted.sort_unstable();
    let of = |same: &[i64]| LengthClass { from: Length::from_nm(same[0] * width), count: same.len() };
    sorted.chunk_by(|a, b| a == b).map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_length_at_an_edge_lies_in_the_class_above() {
        let lengths = [28_499_999, 28_500_000, 28_599_999, 28_600_000].map(Length::from_nm);
        let found = classes(lengths, USUAL_WIDTH);
        assert_eq!(
            found.iter().map(|c| (c.from.nm(), c.count)).collect::<Vec<_>>(),
            [(28_400_000, 1), (28_500_000, 2), (28_600_000, 1)]
        );
    }
}
