//! How far readings of one part scatter, told by parts that were read more than once, of one list or of several.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use crate::measured_parts::MeasuredParts;

/// A standard deviation and its degrees of freedom.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Repeatability {
    /// Of one reading, in metres.
    pub deviation_m: f64,
    /// Readings beyond the first of each part.
    pub freedom: usize,
}

/// What is stated is refuted where what was found would come by chance in less than one of so many cases (our judgement).
const CHANCE_MIN: f64 = 1e-3;

impl Repeatability {
    /// Pooled: squares and degrees of freedom of all lists add up, as readings by one gauge do.
    pub fn pooled<'l>(lists: impl IntoIterator<Item = &'l MeasuredParts>) -> Option<Self> {
        let known = lists.into_iter().filter_map(|list| list.repeatability);
        let (squares, freedom) = known.fold((0.0, 0), |(squares, freedom), (deviation, more)| {
            (squares + deviation * deviation * more as f64, freedom + more)
        });
        (freedom > 0).then(|| Self { deviation_m: (squares / freedom as f64).sqrt(), freedom })
    }

    /// Whether readings with this standard deviation, read by steps of `step_m`, would hardly ever scatter as these do (chi-square, one
    /// side: what scatters less than is stated is no harm).
    pub fn refutes(&self, stated_m: f64, step_m: f64) -> bool {
        let expected2 = stated_m * stated_m + step_m * step_m / 12.0;
        let squares = self.deviation_m * self.deviation_m * self.freedom as f64;
        if expected2 <= 0.0 {
            return squares > 0.0;
        }
        ChiSquared::new(self.freedom as f64).is_ok_and(|chi| chi.sf(squares / expected2) < CHANCE_MIN)
    }
}

/// Standard deviation of a part's mean, in metres: its readings' scatter, divided by the root of how many they are, and the step, which
/// repeats that are all alike do not lessen (rectangular: JCGM 100:2008, F.2.2.1).
pub fn of_mean(deviation_m: f64, readings: usize, step_m: f64) -> f64 {
    // Squares and a root: the same bits on every machine.
    (deviation_m * deviation_m / readings.max(1) as f64 + step_m * step_m / 12.0).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The 99.9 % point of chi-square with 10 degrees of freedom is 29.588: a ratio of 1.7201.
    #[test]
    fn what_is_stated_can_be_refuted() {
        let of = |ratio: f64| Repeatability { deviation_m: ratio * 1e-5, freedom: 10 };
        assert!(!of(1.719).refutes(1e-5, 0.0) && of(1.722).refutes(1e-5, 0.0));
        assert!(!of(0.1).refutes(1e-5, 0.0), "less is no harm");
        // A stated nought allows what the step makes.
        assert!(of(1.0).refutes(0.0, 0.0) && of(1.0).refutes(0.0, 1e-5) && !of(0.3).refutes(0.0, 1e-5));
    }

    /// 10 µm by four readings are 5 µm; a step of 10 µm is 2.887 µm, with repeats that are all alike too.
    #[test]
    fn equal_repeats_are_no_better_than_the_step() {
        assert!((of_mean(10e-6, 4, 10e-6) * 1e6 - 5f64.hypot(2.886_751)).abs() < 1e-6);
        assert!((of_mean(0.0, 20, 10e-6) * 1e6 - 2.886_751).abs() < 1e-6);
    }
}
