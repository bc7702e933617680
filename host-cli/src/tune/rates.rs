//! Error rates from counts.

use statrs::distribution::{Beta, ContinuousCDF};

/// So many of so many.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Rate {
    /// How many went wrong.
    pub wrong: u64,
    /// Of how many.
    pub of: u64,
}

impl Rate {
    /// Counts one more.
    pub fn see(&mut self, wrong: bool) {
        self.wrong += u64::from(wrong);
        self.of += 1;
    }

    /// Both together.
    pub const fn and(self, other: Self) -> Self {
        Self { wrong: self.wrong + other.wrong, of: self.of + other.of }
    }

    /// The share, or 0 of none.
    pub fn share(self) -> f64 {
        if self.of == 0 { 0.0 } else { self.wrong as f64 / self.of as f64 }
    }

    /// The two-sided interval that covers the true rate with at least this probability (Clopper & Pearson, Biometrika
    /// 26, 1934: quantiles of Beta). With nothing wrong in `n`, the upper end at 90 % is close to `3/n` (the rule of
    /// three). From 0 to 1 of none.
    pub fn interval(self, coverage: f64) -> (f64, f64) {
        let (k, n) = (self.wrong as f64, self.of as f64);
        let tail = (1.0 - coverage) / 2.0;
        let quantile = |a: f64, b: f64, at: f64| Beta::new(a, b).map_or(f64::NAN, |beta| beta.inverse_cdf(at));
        let low = if self.wrong == 0 { 0.0 } else { quantile(k, n - k + 1.0, tail) };
        let high = if self.wrong >= self.of { 1.0 } else { quantile(k + 1.0, n - k, 1.0 - tail) };
        (low, high)
    }
}

impl std::fmt::Display for Rate {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (low, high) = self.interval(0.9);
        let percent = |ratio: f64| format!("{:.1}", ratio * 100.0);
        write!(f, "{} of {} ({} to {} %)", self.wrong, self.of, percent(low), percent(high))
    }
}
