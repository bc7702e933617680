//! A step or a knock in the window, seen by how short means on either side of it differ.

use super::leak_estimate::UNIFORM;
use crate::measure::BlockedTrace;
use crate::time::{Duration, millis};

/// Means looked at together: five before a possible step, five after it.
const MEANS: usize = 10;

/// Their weights: the step at the middle that fits them best by least squares beside a line and a cubic, which are what an
/// exponential has about its middle (linear regression; computed). The weights and their squares are whole numbers, and a step
/// of one makes [`RESPONSE`].
const WEIGHTS: [i64; MEANS] = [54, -96, -71, 79, 304, -304, -79, 71, 96, -54];
const WEIGHT_SQUARES: f64 = 231_660.0;
const RESPONSE: u64 = 270;

/// A mean is held in so many parts of a count.
const PARTS: i64 = 16;

/// How long one mean takes.
const MEAN: Duration = millis(500);

/// Beyond this many standard deviations a step is not noise: with noise of 20 Pa at 100 readings a second 23 Pa, and twice
/// that where it falls in the middle of a mean.
const SIGMAS: f64 = 4.5;

/// Detects a step or bump in a window that is too small to show between two samples.
///
/// Means of half a second, ten at a time. The height of the step between the fifth and the sixth has the variance
/// `v·231 660/270²`, v that of a mean. In white noise v is `σ²/n`, n the samples of a mean. Noise that is not white has more of
/// it, and there v is half the mean square by which neighbouring means differ (the Allan variance), the two greatest
/// differences left out: those are of the step itself, if there is one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StepDetector {
    sum: i64,
    count: u32,
    /// The last means, newest first, in parts of a count.
    means: [i32; MEANS],
    held: u8,
    /// Of neighbouring means, in parts of a count.
    differences: u32,
    squares: u64,
    /// The two greatest squares among them.
    greatest: [u64; 2],
}

impl StepDetector {
    /// No reading yet.
    pub const NEW: Self =
        Self { sum: 0, count: 0, means: [0; MEANS], held: 0, differences: 0, squares: 0, greatest: [0; 2] };

    /// Samples of one mean at this time between samples.
    pub fn samples_per_mean(period: Duration) -> u32 {
        // Both in 32 bits, which at every sample takes a small core a third of the time.
        let period_us = u32::try_from(period.as_ticks()).unwrap_or(u32::MAX);
        (MEAN.as_ticks() as u32 / period_us.max(1)).max(1)
    }

    /// Takes in one reading, of so many that make a mean; true when one is completed that does not follow from those before.
    pub fn push(&mut self, counts: i32, per_mean: u32, trace: &BlockedTrace) -> bool {
        self.sum = self.sum.saturating_add(counts.into());
        self.count += 1;
        if self.count < per_mean {
            return false;
        }
        let newest = core::mem::take(&mut self.sum).saturating_mul(PARTS) / i64::from(self.count);
        self.count = 0;
        let mut next = newest as i32;
        let mut height = 0;
        // The oldest drops out at the far end.
        for (slot, weight) in self.means.iter_mut().zip(WEIGHTS) {
            next = core::mem::replace(slot, next);
            height += i64::from(*slot) * weight;
        }
        let [last, before, ..] = self.means;
        if self.held > 0 {
            self.note(u64::from(last.abs_diff(before)));
        }
        if usize::from(self.held) < MEANS - 1 {
            self.held += 1;
            return false;
        }
        // Without noise a slope comes in steps of one count.
        if height.unsigned_abs() <= RESPONSE * (PARTS + PARTS / 4) as u64 {
            return false;
        }
        let height = height as f64;
        let noise = trace.noise_variance();
        // Of a constant reading, that of rounding.
        let noise = if noise > UNIFORM { noise } else { UNIFORM };
        let white = (PARTS * PARTS) as f64 * noise / f64::from(per_mean);
        let seen = self.variance();
        height * height > SIGMAS * SIGMAS * WEIGHT_SQUARES * if seen > white { seen } else { white }
    }

    fn note(&mut self, difference: u64) {
        let mut square = difference * difference;
        self.differences = self.differences.saturating_add(1);
        self.squares = self.squares.saturating_add(square);
        for greatest in &mut self.greatest {
            if square > *greatest {
                core::mem::swap(greatest, &mut square);
            }
        }
    }

    /// Of a mean, from the differences of neighbours without the two greatest. What is left is too little: in normal noise by
    /// a factor that comes near `1 + 10/(n + 3)` from eight differences up (computed).
    fn variance(&self) -> f64 {
        let [first, second] = self.greatest;
        let n = u64::from(self.differences);
        let squares = self.squares.saturating_sub(first).saturating_sub(second);
        squares as f64 * (n + 13) as f64 / (2 * n.saturating_sub(2).max(1) * (n + 3)) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Instant;

    /// Half-second means of fifty samples, of a curve with uniform noise of `noise` counts standard deviation; the second at
    /// which a step is seen.
    fn seen_at(noise: f64, seed: u64, curve: impl Fn(f64) -> f64) -> Option<f64> {
        let (mut detector, mut trace, mut state) = (StepDetector::NEW, BlockedTrace::new(), seed);
        (0..6_000u32).find_map(|i| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let uniform = (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5;
            let t = f64::from(i) / 100.0;
            let counts = (curve(t) + noise * 12.0_f64.sqrt() * uniform).round() as i32;
            let found = detector.push(counts, 50, &trace);
            trace.push(Instant::from_ticks(u64::from(i) * 10_000), counts, 0);
            found.then_some(t)
        })
    }

    #[test]
    fn the_weights_are_blind_to_what_a_smooth_curve_has() {
        let weighted = |power: u32| -> i64 { (0..10i64).map(|i| WEIGHTS[i as usize] * (2 * i - 9).pow(power)).sum() };
        assert_eq!([0, 1, 2, 3, 4].map(weighted), [0, 0, 0, 0, 0]);
        assert_eq!(WEIGHTS[5..].iter().sum::<i64>().unsigned_abs(), RESPONSE);
        assert_eq!(WEIGHTS.map(|w| w * w).iter().sum::<i64>() as f64, WEIGHT_SQUARES);
    }

    /// Forty under noise of twenty.
    #[test]
    fn a_step_of_twice_the_noise_is_seen_within_five_seconds() {
        let seen = |height: f64| {
            (0..200)
                .filter(|seed| {
                    let at = seen_at(20.0, *seed, |t| -3.0 * t - if t < 20.0 { 0.0 } else { height });
                    at.is_some_and(|at| (20.0..25.0).contains(&at))
                })
                .count()
        };
        assert!(seen(40.0) >= 190, "{}", seen(40.0));
        assert!(seen(30.0) >= 100, "{}", seen(30.0));
        assert!(seen(10.0) <= 1, "{}", seen(10.0));
    }

    /// One window of a minute in fifty, at the most; it was one in some thousands.
    #[test]
    fn noise_a_leak_and_a_transient_are_no_step() {
        for transient in [0.0, 500.0, 2_000.0] {
            for tau in [1.0, 2.0, 6.0] {
                let alarms = (0..200)
                    .filter(|seed| seen_at(20.0, *seed, |t| transient * (-(t + 2.0) / tau).exp() - 17.0 * t).is_some())
                    .count();
                assert!(alarms <= 1, "{transient} Pa, {tau} s: {alarms}");
            }
        }
    }

    /// Whatever the slope: a staircase is no step.
    #[test]
    fn quantisation_without_noise_is_no_step() {
        for slope in 1..400 {
            assert_eq!(seen_at(0.0, 1, |t| -f64::from(slope) * 0.05 * t), None, "{slope}");
        }
    }

    #[test]
    fn a_mean_takes_half_a_second_or_one_sample() {
        assert_eq!(
            [5, 10, 200, 1_000, 0].map(|ms| StepDetector::samples_per_mean(millis(ms))),
            [100, 50, 2, 1, 500_000]
        );
    }
}
