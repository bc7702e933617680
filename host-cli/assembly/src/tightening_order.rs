//! The order in which the bolts of a circle are tightened: criss-cross, so that the joint closes evenly (common practice, no source).
//!
//! Each bolt is followed by the one across. The next is then the middle of the widest stretch that has none yet, so that those tightened are
//! spread as evenly as can be at every time.

/// The greatest number of bolts of a circle.
pub const BOLTS_MAX: u32 = 64;

/// The bolts by their places on the circle, from 1, in the order of tightening. None for an odd number, which has none across, and outside 4
/// to [`BOLTS_MAX`].
pub fn tightening_order(bolts: u32) -> Option<Vec<u32>> {
    if !(4..=BOLTS_MAX).contains(&bolts) || bolts % 2 == 1 {
        return None;
    }
    let n = bolts as usize;
    let mut done = vec![false; n];
    let mut order = Vec::with_capacity(n);
    let mut at = 0;
    while order.len() < n {
        for bolt in [at, (at + n / 2) % n] {
            done[bolt] = true;
            order.push(bolt as u32 + 1);
        }
        at = middle_of_widest(&done).unwrap_or_default();
    }
    Some(order)
}

/// The middle of the longest stretch of bolts that are not tightened, the first of several; of two middles the first.
fn middle_of_widest(done: &[bool]) -> Option<usize> {
    let mut best: Option<(usize, usize)> = None;
    let mut from = None;
    // The first bolt is tightened first, so no stretch goes round the end.
    for (at, is_done) in done.iter().copied().chain([true]).enumerate() {
        match (from, is_done) {
            (None, false) => from = Some(at),
            (Some(start), true) => {
                let wide = at - start;
                if best.is_none_or(|(_, widest)| wide > widest) {
                    best = Some((start, wide));
                }
                from = None;
            }
            _ => {}
        }
    }
    best.map(|(start, wide)| start + (wide - 1) / 2)
}

/// The circle as text: each bolt by its place, and when it is tightened.
pub fn drawing(bolts: u32) -> Option<String> {
    let order = tightening_order(bolts)?;
    let n = order.len();
    let radius = (n as f64 / 2.0).clamp(4.0, 14.0);
    let (rows, columns) = ((radius * 2.0) as usize + 1, (radius * 4.4) as usize + 8);
    let mut lines = vec![vec![' '; columns]; rows];
    for (turn, place) in order.iter().enumerate() {
        let angle = std::f64::consts::TAU * f64::from(place - 1) / n as f64;
        let row = (radius - radius * angle.cos()).round() as usize;
        let label = format!("{place}:{}", turn + 1);
        let middle = (radius * 2.2 * (1.0 + angle.sin())).round() as usize + 3;
        let start = middle.saturating_sub(label.len() / 2);
        for (column, c) in label.chars().enumerate() {
            if let Some(cell) = lines.get_mut(row).and_then(|line| line.get_mut(start + column)) {
                *cell = c;
            }
        }
    }
    let lines: Vec<String> =
        lines.into_iter().map(|line| line.into_iter().collect::<String>().trim_end().to_owned()).collect();
    Some(lines.join("\n") + "\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn as_circles_are_tightened() {
        let of = |bolts| tightening_order(bolts).unwrap();
        assert_eq!(of(4), [1, 3, 2, 4]);
        assert_eq!(of(6), [1, 4, 2, 5, 3, 6]);
        assert_eq!(of(8), [1, 5, 3, 7, 2, 6, 4, 8]);
        assert_eq!(of(12), [1, 7, 4, 10, 2, 8, 5, 11, 3, 9, 6, 12]);
        assert!([0, 2, 3, 5, 7, 66].into_iter().all(|bolts| tightening_order(bolts).is_none()));
    }

    /// Every bolt once, each followed by the one across, and those tightened spread evenly after each pair.
    #[test]
    fn every_circle_closes_evenly() {
        for bolts in (4..=BOLTS_MAX).step_by(2) {
            let order = tightening_order(bolts).unwrap();
            let mut sorted = order.clone();
            sorted.sort_unstable();
            assert_eq!(sorted, (1..=bolts).collect::<Vec<_>>());
            for pair in order.chunks(2) {
                assert_eq!((pair[0] + bolts / 2 - 1) % bolts + 1, pair[1], "{bolts}");
            }
            // After every pair the widest stretch is at most about twice the narrowest.
            for some in 1..=order.len() / 2 {
                let mut tight: Vec<u32> = order[..2 * some].to_vec();
                tight.sort_unstable();
                let gaps = tight.iter().zip(tight.iter().cycle().skip(1));
                let gaps: Vec<u32> = gaps.map(|(a, b)| (b + bolts - a - 1) % bolts + 1).collect();
                let (least, most) = (gaps.iter().min().unwrap(), gaps.iter().max().unwrap());
                assert!(*most <= 2 * least + 1, "{bolts}: {tight:?}");
            }
        }
    }

    #[test]
    fn every_bolt_is_in_the_drawing() {
        for bolts in (4..=32).step_by(2) {
            let text = drawing(bolts).unwrap();
            for (turn, place) in tightening_order(bolts).unwrap().iter().enumerate() {
                let label = format!("{place}:{}", turn + 1);
                assert!(text.split_whitespace().any(|word| word == label), "{bolts}: {label} in\n{text}");
            }
            assert!(text.lines().all(|line| line.chars().count() <= 72));
        }
    }
}
