//! The exponentials of a fit, at each block's mean time. The mean of `exp(−t/τ)` over a block of evenly spaced samples is
//! that times a factor which is the same for all blocks of one length (a geometric series), so it goes into the amplitude.

use super::curve_prior::CurvePrior;
use crate::exponential::exp;
use crate::limits::EXPONENTIALS;

/// The exponentials `exp(−t/τ)` of a fit, with time from the first block's mean time.
///
/// A block's exponentials come from those of the block before by one factor each. Blocks of one trace mostly lie the
/// same step apart, so the factors are kept: exponential functions cost more than all the rest of a fit.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Basis {
    taus: [f64; EXPONENTIALS],
    count: usize,
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
        first: None,
        last: 0.0,
        step: 0.0,
        e: [1.0; EXPONENTIALS],
        factors: [1.0; EXPONENTIALS],
    };

    /// Begins anew, in place, with these time constants.
    pub(super) fn begin(&mut self, curves: CurvePrior) {
        *self = Self::NONE;
        self.count = curves.taus(&mut self.taus);
    }

    /// Mean time of the first block, in seconds; 0 before it has been visited.
    pub(super) fn first_s(&self) -> f64 {
        self.first.unwrap_or(0.0)
    }

    /// Back to the first block, for another pass.
    pub(super) fn rewind(&mut self) {
        self.last = self.first_s();
        self.e = Self::NONE.e;
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
