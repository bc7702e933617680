//! Serial numbers that are easily mistaken for each other.

/// Edits between what was typed and a serial of the list that still make it worth naming.
const EDITS_MAX: usize = 2;
/// Most serials named.
const NAMED_MAX: usize = 3;

/// Normalises a serial: letters and digits that are confused on a stamped or worn plate become one, and case does not
/// count. Which these are is common practice, no source.
pub fn look(serial: &str) -> String {
    serial
        .chars()
        .filter_map(|c| match c.to_ascii_uppercase() {
            'O' | 'Q' | 'D' => Some('0'),
            'I' | 'L' => Some('1'),
            'Z' => Some('2'),
            'S' => Some('5'),
            'G' => Some('6'),
            'B' => Some('8'),
            // Dashes, strokes and blanks do not matter.
            '-' | '_' | '.' | '/' | ' ' => None,
            other => Some(other),
        })
        .collect()
}

/// Serials of a list that a typed one may have meant, likeliest first.
pub fn meant<'a>(typed: &str, list: impl Iterator<Item = &'a str>) -> Vec<&'a str> {
    let typed_look = look(typed);
    let mut near: Vec<(usize, usize, &str)> = list
        .filter_map(|serial| {
            let looks = strsim::osa_distance(&typed_look, &look(serial));
            let edits = strsim::osa_distance(&typed.to_uppercase(), &serial.to_uppercase());
            (looks.min(edits) <= EDITS_MAX).then_some((looks, edits, serial))
        })
        .collect();
    near.sort_unstable();
    // A serial that only looks different is the one meant; others need not be named then.
    let best = near.first().map_or(0, |n| n.0);
    near.into_iter().filter(|n| n.0 == best).take(NAMED_MAX).map(|n| n.2).collect()
}

/// Pairs of a list that look the same, by their indices.
pub fn pairs(serials: &[&str]) -> Vec<(usize, usize)> {
    let mut looks: Vec<(String, usize)> = serials.iter().enumerate().map(|(i, s)| (look(s), i)).collect();
    looks.sort_unstable();
    looks.windows(2).filter(|w| w[0].0 == w[1].0).map(|w| (w[0].1, w[1].1)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIST: [&str; 4] = ["HM-001", "HM-010", "HM-011", "HM-210"];

    #[test]
    fn what_looks_the_same_is_meant() {
        for (typed, serials) in [
            ("HM-OO1", &["HM-001"][..]),
            ("hm-00l", &["HM-001"]),
            ("HM001", &["HM-001"]),
            ("HM-Z10", &["HM-210"]),
            // One stroke off from two of them.
            ("HM-012", &["HM-010", "HM-011"]),
            ("XY-999", &[]),
        ] {
            let found = meant(typed, LIST.into_iter());
            assert!(serials.iter().all(|s| found.contains(s)), "{typed}: {found:?}");
            assert_eq!(found.is_empty(), serials.is_empty(), "{typed}: {found:?}");
        }
        assert_eq!(meant("HM-OO1", LIST.into_iter()), ["HM-001"]);
    }

    #[test]
    fn look_alikes_in_a_list() {
        assert_eq!(pairs(&["HM-001", "HM-002", "HM-O01"]), [(0, 2)]);
        assert!(pairs(&LIST).is_empty());
    }
}
