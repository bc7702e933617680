//! Error rates from counts, with intervals.
//!
//! The two sides of a valve are correlated: where one was misjudged the other is likelier to be. So sides are not
//! counted as if each were new evidence. What is counted as sides is an *effective* number of them, taken from how much
//! the valves differ (Korn & Graubard, Survey Methodology 24, 1998; from memory): as many as there are sides where they
//! are independent, as many as there are valves where both always go wrong together. With nothing wrong at all the data
//! do not show it, and valves are counted; and no count of errors is taken to show a smaller rate than none would.
//!
//! Sides may carry weights from 0 to 1: the probability that they are good, or leaking.

use std::ops::RangeInclusive;

use statrs::distribution::{Beta, ContinuousCDF, StudentsT};

/// So many of so many, by valve.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Rate {
    /// How many sides went wrong; with weights, their sum.
    pub wrong: f64,
    /// Of how many.
    pub of: f64,
    /// How many valves they belong to.
    pub valves: u32,
    /// Sum of squared weights of sides.
    squares: f64,
    /// Over valves: squares of weight, of what went wrong, and their products.
    ww: f64,
    yy: f64,
    wy: f64,
}

/// The sides of one valve.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Cluster {
    wrong: f64,
    of: f64,
    squares: f64,
}

impl Cluster {
    /// Counts one more side, with its weight.
    pub fn see(&mut self, wrong: bool, weight: f64) {
        self.wrong += if wrong { weight } else { 0.0 };
        self.of += weight;
        self.squares += weight * weight;
    }
}

impl Rate {
    /// So many things of so many, each by itself.
    pub fn of(wrong: u32, of: u32) -> Self {
        let mut rate = Self::default();
        for number in 0..of {
            let mut one = Cluster::default();
            one.see(number < wrong, 1.0);
            rate.add(one);
        }
        rate
    }

    /// Adds a valve; one without any weight is ignored.
    pub fn add(&mut self, valve: Cluster) {
        if valve.of > 0.0 {
            self.wrong += valve.wrong;
            self.of += valve.of;
            self.valves += 1;
            self.squares += valve.squares;
            self.ww += valve.of * valve.of;
            self.yy += valve.wrong * valve.wrong;
            self.wy += valve.wrong * valve.of;
        }
    }

    /// Both together; of different valves.
    pub fn and(self, other: Self) -> Self {
        Self {
            wrong: self.wrong + other.wrong,
            of: self.of + other.of,
            valves: self.valves + other.valves,
            squares: self.squares + other.squares,
            ww: self.ww + other.ww,
            yy: self.yy + other.yy,
            wy: self.wy + other.wy,
        }
    }

    /// The share, or 0 of none.
    pub fn share(self) -> f64 {
        if self.of > 0.0 { self.wrong / self.of } else { 0.0 }
    }

    /// How many independent sides these are worth, for an interval that leaves `tail` on either side.
    fn effective(self, tail: f64) -> f64 {
        let (sides, valves) = (self.of * self.of / self.squares, self.of * self.of / self.ww);
        let p = self.share();
        let variance = (self.yy - 2.0 * p * self.wy + p * p * self.ww) / (self.of * self.of);
        if !(p > 0.0 && p < 1.0 && variance > 0.0) || self.valves < 2 {
            return valves;
        }
        let student = |freedom: f64| StudentsT::new(0.0, 1.0, freedom).map_or(f64::NAN, |t| t.inverse_cdf(1.0 - tail));
        let wider = student((sides - 1.0).max(1.0)) / student(f64::from(self.valves - 1));
        (p * (1.0 - p) / variance * wider * wider).min(sides)
    }

    /// The two-sided interval that covers the true rate with at least this probability (Clopper & Pearson, Biometrika
    /// 26, 1934: quantiles of Beta), of as many sides as these are worth. With nothing wrong in `n` valves, the upper
    /// end at 90 % is close to `3/n` (the rule of three). From 0 to 1 of none.
    pub fn interval(self, coverage: f64) -> RangeInclusive<f64> {
        if self.of <= 0.0 {
            return 0.0..=1.0;
        }
        let tail = (1.0 - coverage) / 2.0;
        let n = self.effective(tail);
        let k = self.share() * n;
        let quantile = |a: f64, b: f64, at: f64| Beta::new(a, b).map_or(f64::NAN, |beta| beta.inverse_cdf(at));
        // What valves without one error, or without one success, would show.
        let valves = self.of * self.of / self.ww;
        let (none, all) = (1.0 - tail.powf(1.0 / valves), tail.powf(1.0 / valves));
        let low = if k > 0.0 { quantile(k, n - k + 1.0, tail).min(all) } else { 0.0 };
        let high = if k < n { quantile(k + 1.0, n - k, 1.0 - tail).max(none) } else { 1.0 };
        low..=high
    }
}

impl Rate {
    /// How many valves would show a rate to lie under a risk, if ever more went wrong at the same rate; `None` where no
    /// number that anybody tests would.
    pub(super) fn valves_for(self, risk: f64, coverage: f64) -> Option<u64> {
        const TIMES_MAX: f64 = 1e4;
        let tail = (1.0 - coverage) / 2.0;
        let (n, p) = (self.effective(tail), self.share());
        let shown = |times: f64| {
            let (k, n) = (p * n * times, n * times);
            let high = Beta::new(k + 1.0, n - k).map_or(1.0, |beta| beta.inverse_cdf(1.0 - tail));
            high.max(1.0 - tail.powf(1.0 / (f64::from(self.valves) * times)))
        };
        if n <= 0.0 || p >= risk || shown(TIMES_MAX) > risk {
            return None;
        }
        // The least multiple, by halving on a logarithmic scale.
        let (mut least, mut most) = (1.0f64, TIMES_MAX);
        for _ in 0..40 {
            let middle = (least * most).sqrt();
            if shown(middle) > risk { least = middle } else { most = middle }
        }
        Some((f64::from(self.valves) * most).ceil() as u64)
    }
}

impl std::fmt::Display for Rate {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (low, high) = self.interval(0.9).into_inner();
        let percent = |ratio: f64| format!("{:.1}", ratio * 100.0);
        let whole = |count: f64| count.fract() == 0.0;
        let places = usize::from(!(whole(self.wrong) && whole(self.of)));
        let (wrong, of) = (self.wrong, self.of);
        write!(f, "{wrong:.places$} of {of:.places$} ({} to {} %)", percent(low), percent(high))
    }
}
