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

/// A class, and which parts lie in it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ClassedParts {
    /// The length it begins with, in millimetres, as short as can be: "30.1".
    pub name: String,
    /// Where the next begins.
    pub next: String,
    /// The parts, by place in the list, the shortest first, and those of one length as in the list.
    pub parts: Vec<usize>,
}

/// The length that a part's class begins with.
pub fn class_of(length: Length, width: Length) -> Length {
    let width = width.nm().max(1);
    Length::from_nm(length.nm().div_euclid(width) * width)
}

/// A class by the length it begins with, with as many decimals as the classes' width needs.
pub fn class_name(from: Length, width: Length) -> String {
    let needed = (0..6).find(|decimals| width.nm() % 10_i64.pow(6 - decimals) == 0).unwrap_or(6);
    format!("{:.*}", needed as usize, from.mm())
}

/// The classes that have any part in them with their parts, the shortest first.
pub fn classed(lengths: &[Length], width: Length) -> Vec<ClassedParts> {
    let mut order: Vec<usize> = (0..lengths.len()).collect();
    order.sort_by_key(|at| lengths[*at]);
    let of = |same: &[usize]| {
        let from = class_of(lengths[same[0]], width);
        ClassedParts { name: class_name(from, width), next: class_name(from + width, width), parts: same.to_vec() }
    };
    order.chunk_by(|a, b| class_of(lengths[*a], width) == class_of(lengths[*b], width)).map(of).collect()
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
    #[test]
    fn classes_have_short_names_and_every_part_once() {
        let lengths = [30_125_000, 28_599_999, 30_100_000, 28_500_000].map(Length::from_nm);
        let found = classed(&lengths, USUAL_WIDTH);
        let names: Vec<_> =
            found.iter().map(|class| (class.name.as_str(), class.next.as_str(), &class.parts[..])).collect();
        assert_eq!(names, [("28.5", "28.6", &[3, 1][..]), ("30.1", "30.2", &[2, 0])]);
        let widths = [(1_000_000, "30"), (250_000, "30.00"), (20_000, "30.12"), (1_000, "30.125"), (500, "30.1250")];
        for (width, name) in widths {
            let width = Length::from_nm(width);
            assert_eq!(class_name(class_of(lengths[0], width), width), name);
        }
        let counts = classes(lengths, USUAL_WIDTH);
        assert_eq!(counts.iter().map(|class| class.count).collect::<Vec<_>>(), [2, 2]);
    }
}
