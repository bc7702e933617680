//! The resolution of a logger, found from its readings.

/// How far, in steps, readings may on average lie off the grid and still count as lying on it: printing rounds them.
const OFF_MAX: f64 = 0.12;

/// The smallest step between readings that all of them are multiples of, or `None` where they lie on no grid.
///
/// The smallest gap between two different readings is a first guess; gaps of a few steps make it better, and the whole
/// range the rest.
pub(crate) fn step_of(readings: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = readings.collect();
    values.sort_by(f64::total_cmp);
    let size = values.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    // Closer than that is the same number written twice with rounding.
    values.dedup_by(|a, b| (*a - *b).abs() <= 1e-11 * size);
    let gaps: Vec<f64> = values.windows(2).map(|w| w[1] - w[0]).collect();
    let mut step = gaps.iter().copied().reduce(f64::min)?;
    for near in [3.0, 30.0, f64::INFINITY] {
        let (mut length, mut steps) = (0.0, 0.0);
        for gap in gaps.iter().filter(|g| **g <= near * step) {
            length += gap;
            steps += (gap / step).round();
        }
        step = length / steps;
    }
    let first = values.first()?;
    let squares: f64 = values.iter().map(|v| (v - first) / step).map(|x| (x - x.round()).powi(2)).sum();
    let off = (squares / values.len() as f64).sqrt();
    (off < OFF_MAX && step.is_finite()).then_some(step)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Whatever the step, and however the readings are printed as long as that is finer, it is found.
        #[test]
        fn a_grid_is_found(step in 0.5f64..500.0, places in 1u32..4, at in prop::collection::vec(0i32..400, 20..300)) {
            let round = 10f64.powi(places as i32);
            let readings: Vec<f64> =
                at.iter().map(|n| ((600_000.0 + f64::from(*n) * step) * round).round() / round).collect();
            // Somewhere two neighbours must differ by one step for it to show.
            let shows = at.iter().any(|a| at.contains(&(a + 1)));
            prop_assume!(shows);
            let found = step_of(readings.into_iter());
            prop_assert!(found.is_some_and(|f| (f / step - 1.0).abs() < 0.02), "{found:?} for {step}");
        }
    }

    #[test]
    fn one_value_has_no_step() {
        assert_eq!(step_of([6e5; 40].into_iter()), None);
    }

    #[test]
    fn readings_off_any_grid_have_none() {
        let mut state = 7u32;
        let readings = (0..500).map(|_| {
            // xorshift (Marsaglia 2003, from memory).
            state ^= state << 13;
            state ^= state >> 17;
            state ^= state << 5;
            6e5 + f64::from(state) / 1e8
        });
        assert_eq!(step_of(readings), None);
    }
}
