//! The exponentials of a fit, averaged over each block: the mean of `exp(−t/τ)` over evenly spaced samples is a
//! geometric series, which gives a ratio of hyperbolic sines.

use crate::exponential::exp;
use crate::limits::EXPONENTIALS;

/// The exponentials `exp(−t/τ)` of a fit: means over each block, with time from the first block's mean time.
///
/// A block's exponentials come from those of the block before by one factor each. Blocks of one trace mostly lie the
/// same step apart, so the factors are kept: exponential functions cost more than all the rest of a fit.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Basis {
    taus: [f64; EXPONENTIALS],
    count: usize,
    block_s: f64,
    sample_s: f64,
    first: Option<f64>,
    last: f64,
    step: f64,
    e: [f64; EXPONENTIALS],
    factors: [f64; EXPONENTIALS],
}

/// Steps that differ by less than this are treated as equal, in seconds: rounding, not time.
const SAME_STEP_S: f64 = 1e-12;

impl Basis {
    pub(super) const NONE: Self = Self {
        taus: [1.0; EXPONENTIALS],
        count: 0,
        block_s: 0.0,
        sample_s: 0.0,
        first: None,
        last: 0.0,
        step: 0.0,
        e: [0.0; EXPONENTIALS],
        factors: [1.0; EXPONENTIALS],
    };

    /// For time constants in seconds, over blocks of `block_s` seconds that hold `samples` each. Samples are taken to
    /// be evenly spaced inside a block: a missing one has invalidated the window before.
    pub(super) fn new(taus: impl Iterator<Item = f64>, block_s: f64, samples: f64) -> Self {
        let mut basis = Self { block_s, sample_s: block_s / samples, ..Self::NONE };
        for (slot, tau) in basis.taus.iter_mut().zip(taus) {
            *slot = tau;
            basis.count += 1;
        }
        basis.rewind();
        basis
    }

    /// Mean time of the first block, in seconds; 0 before it has been visited.
    pub(super) fn first_s(&self) -> f64 {
        self.first.unwrap_or(0.0)
    }

    /// Back to the first block, for another pass.
    pub(super) fn rewind(&mut self) {
        self.last = self.first_s();
        for (e, tau) in self.e.iter_mut().zip(&self.taus).take(self.count) {
            // Ratio of an exponential's mean over a block to its value at the block's mean time.
            *e = sinhc(self.block_s / (2.0 * tau)) / sinhc(self.sample_s / (2.0 * tau));
        }
    }

    pub(super) const fn count(&self) -> usize {
        self.count
    }

    pub(super) fn tau(&self, k: usize) -> Option<f64> {
        if k < self.count { self.taus.get(k).copied() } else { None }
    }

    /// Advances to the block centred on `t`, in seconds.
    pub(super) fn at(&mut self, t: f64) -> [f64; EXPONENTIALS] {
        let first = *self.first.get_or_insert(t);
        if t > first {
            let step = t - self.last;
            let change = step - self.step;
            if !(-SAME_STEP_S..=SAME_STEP_S).contains(&change) {
                self.step = step;
                for (factor, tau) in self.factors.iter_mut().zip(&self.taus).take(self.count) {
                    *factor = exp(-step / tau);
                }
            }
            for (e, factor) in self.e.iter_mut().zip(&self.factors).take(self.count) {
                *e *= factor;
            }
        }
        self.last = t;
        self.e
    }
}

/// `sinh(x)/x`.
fn sinhc(x: f64) -> f64 {
    if x > 1.0 {
        // From the exponential function, which the image has anyway.
        let e = exp(x);
        return (e - 1.0 / e) / (2.0 * x);
    }
    // Taylor series, 1/(2k + 1)! from the last term down; the first term left out is under 1e-17 for x ≤ 1.
    let q = x * x;
    TAYLOR.iter().fold(0.0, |sum, c| sum * q + c)
}

/// 1/17!, 1/15!, … 1/1!.
const TAYLOR: [f64; 9] = [
    1.0 / 355_687_428_096_000.0,
    1.0 / 1_307_674_368_000.0,
    1.0 / 6_227_020_800.0,
    1.0 / 39_916_800.0,
    1.0 / 362_880.0,
    1.0 / 5_040.0,
    1.0 / 120.0,
    1.0 / 6.0,
    1.0,
];
