//! Long lines thinned to what paper can show.

/// Least and greatest of each column's share of a line, in the order they came: no spike is lost, and a line of any
/// length becomes at most two points a column.
///
/// `points` are in the order of x; `from` and `to` are the ends of the scale they are drawn on.
pub fn envelope(points: &[(f64, f64)], from: f64, to: f64, columns: usize) -> Vec<(f64, f64)> {
    if points.len() <= 2 * columns.max(1) || to <= from {
        return points.to_vec();
    }
    // `as` saturates, so what lies outside the scale falls into the outer columns.
    let column = |x: f64| ((x - from) / (to - from) * columns as f64) as usize;
    let mut out = Vec::with_capacity(2 * columns + 2);
    for share in points.chunk_by(|a, b| column(a.0) == column(b.0)) {
        let mut ends = (0, 0);
        for (i, point) in share.iter().enumerate() {
            if point.1 < share[ends.0].1 {
                ends.0 = i;
            }
            if point.1 > share[ends.1].1 {
                ends.1 = i;
            }
        }
        out.push(share[ends.0.min(ends.1)]);
        if ends.0 != ends.1 {
            out.push(share[ends.0.max(ends.1)]);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Short enough for the paper, nothing invented, in order, and both extremes still there.
        #[test]
        fn an_envelope_keeps_extremes(ys in proptest::collection::vec(-1e6..1e6, 1..3_000), columns in 1usize..200) {
            let points: Vec<(f64, f64)> = ys.iter().enumerate().map(|(i, y)| (i as f64, *y)).collect();
            let last = points.len() as f64 - 1.0;
            let kept = envelope(&points, 0.0, last, columns);
            prop_assert!(kept.len() <= 2 * columns + 2);
            prop_assert!(kept.windows(2).all(|pair| pair[0].0 < pair[1].0));
            prop_assert!(kept.iter().all(|p| points[p.0 as usize] == *p));
            let extremes = |of: &[(f64, f64)]| {
                of.iter().fold((f64::MAX, f64::MIN), |(low, high), p| (low.min(p.1), high.max(p.1)))
            };
            prop_assert_eq!(extremes(&kept), extremes(&points));
        }
    }
}
