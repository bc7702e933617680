//! A step or a bump in the window, seen in third differences of short means.

use crate::measure::BlockedTrace;

/// Samples in one short mean.
const SAMPLES: u32 = 16;

/// Beyond this many standard deviations a third difference is not noise.
const SIGMAS: f64 = 7.0;

/// Third differences needed before their own variance may raise the threshold.
const SETTLED: u32 = 8;

/// Detects a step or bump in a window that is too small to show between two samples.
///
/// Means of 16 samples are compared by their third difference, `m0 − 3m1 + 3m2 − m3`, which is zero for a line and a
/// parabola and nearly so for a slow transient (it shrinks as the cube of 0.16 s/τ), but ±2A for a step of height A. In
/// white noise its variance is `20·σ²/16` (the squares of the coefficients sum to 20). Where the observed variance of
/// the third differences is larger, as in noise that is not white, it is used instead.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StepDetector {
    sum: i64,
    count: u32,
    /// Sums of the last three means, newest first.
    last: [i64; 3],
    means: u32,
    squares: f64,
    differences: u32,
}

impl StepDetector {
    /// No reading yet.
    pub const NEW: Self = Self { sum: 0, count: 0, last: [0; 3], means: 0, squares: 0.0, differences: 0 };

    /// Takes in one reading; true when it completes a mean that does not follow from those before.
    pub fn push(&mut self, counts: i32, trace: &BlockedTrace) -> bool {
        self.sum = self.sum.saturating_add(counts.into());
        self.count += 1;
        if self.count < SAMPLES {
            return false;
        }
        let newest = core::mem::take(&mut self.sum);
        self.count = 0;
        let [one, two, three] = self.last;
        self.last = [newest, one, two];
        if self.means < 3 {
            self.means += 1;
            return false;
        }
        let difference = newest - 3 * one + 3 * two - three;
        // In sums of 16, a mean's count is 16; quantisation alone can make four of them.
        if difference.unsigned_abs() <= u64::from(4 * SAMPLES) {
            self.note(difference);
            return false;
        }
        let square = difference as f64 * difference as f64;
        let white = 20.0 * f64::from(SAMPLES) * trace.noise_variance();
        let observed = if self.differences >= SETTLED { self.squares / f64::from(self.differences) } else { 0.0 };
        let variance = if observed > white { observed } else { white };
        if square > SIGMAS * SIGMAS * variance {
            return true;
        }
        self.note(difference);
        false
    }

    fn note(&mut self, difference: i64) {
        self.squares += difference as f64 * difference as f64;
        self.differences = self.differences.saturating_add(1);
    }
}
