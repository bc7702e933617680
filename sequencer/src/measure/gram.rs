//! Sums of products over the blocks, taken once; the normal equations of every curve are put together from them.

use crate::limits::EXPONENTIALS;

/// One block as used by the fit: samples in it, its mean time and reading about the trace's means, and its
/// exponentials.
#[derive(Clone, Copy, Debug)]
pub(super) struct Point {
    pub(super) n: f64,
    pub(super) t: f64,
    pub(super) y: f64,
    pub(super) e: [f64; EXPONENTIALS],
}

/// Pairs of exponentials, each once.
const PAIRS: usize = EXPONENTIALS * (EXPONENTIALS + 1) / 2;

/// Weighted sums of products over the blocks, from which every curve is fitted in one pass. Named by what is
/// multiplied: time t, reading y, exponentials e.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Gram {
    /// Samples in all, one over that, and the mean of the readings.
    weight: f64,
    per_sample: f64,
    mean_reading: f64,
    tt: f64,
    ty: f64,
    y: f64,
    yy: f64,
    e: [f64; EXPONENTIALS],
    te: [f64; EXPONENTIALS],
    tte: [f64; EXPONENTIALS],
    ey: [f64; EXPONENTIALS],
    tey: [f64; EXPONENTIALS],
    ttee: [f64; EXPONENTIALS],
    /// Lower triangles, row by row.
    ee: [f64; PAIRS],
    tee: [f64; PAIRS],
}

/// A column of the normal equations.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Column {
    /// Time.
    Slope,
    /// `e_k = exp(−t/τ_k)`.
    Exponential(usize),
    /// `t·e_k`: τ times the derivative of `e_k` by ln τ, up to a multiple of `e_k` that depends on the choice of t = 0.
    Shift(usize),
}

impl Gram {
    pub(super) const EMPTY: Self = Self {
        weight: 0.0,
        per_sample: 0.0,
        mean_reading: 0.0,
        tt: 0.0,
        ty: 0.0,
        y: 0.0,
        yy: 0.0,
        e: [0.0; EXPONENTIALS],
        te: [0.0; EXPONENTIALS],
        tte: [0.0; EXPONENTIALS],
        ey: [0.0; EXPONENTIALS],
        tey: [0.0; EXPONENTIALS],
        ttee: [0.0; EXPONENTIALS],
        ee: [0.0; PAIRS],
        tee: [0.0; PAIRS],
    };

    /// Adds a block; `count` exponentials are in use.
    pub(super) fn add(&mut self, p: &Point, count: usize) {
        let (nt, ny) = (p.n * p.t, p.n * p.y);
        self.weight += p.n;
        self.tt += nt * p.t;
        self.ty += nt * p.y;
        self.y += ny;
        self.yy += ny * p.y;
        let mut pairs = self.ee.iter_mut().zip(&mut self.tee);
        for (k, &ek) in p.e.iter().enumerate().take(count) {
            let (ne, nte) = (p.n * ek, nt * ek);
            add(&mut self.e, k, ne);
            add(&mut self.te, k, nte);
            add(&mut self.tte, k, nte * p.t);
            add(&mut self.ey, k, ne * p.y);
            add(&mut self.tey, k, nte * p.y);
            add(&mut self.ttee, k, nte * p.t * ek);
            for ((ee, tee), ej) in pairs.by_ref().zip(&p.e).take(k + 1) {
                *ee += ne * ej;
                *tee += nte * ej;
            }
        }
    }

    /// To be called once after the last block.
    pub(super) fn close(&mut self) {
        self.per_sample = 1.0 / self.weight;
        self.mean_reading = self.y * self.per_sample;
    }

    /// Samples in all.
    pub(super) const fn weight(&self) -> f64 {
        self.weight
    }

    /// Sum of products of two columns about their means. Times come centred already.
    pub(super) fn product(&self, a: Column, b: Column) -> f64 {
        self.product_about(a, b, self.mean(b))
    }

    /// The same, given the mean of the second.
    pub(super) fn product_about(&self, a: Column, b: Column, mean: f64) -> f64 {
        let sum = match (a, b) {
            (Column::Slope, Column::Slope) => self.tt,
            (Column::Slope, Column::Exponential(k)) | (Column::Exponential(k), Column::Slope) => at(&self.te, k),
            (Column::Slope, Column::Shift(k)) | (Column::Shift(k), Column::Slope) => at(&self.tte, k),
            (Column::Exponential(i), Column::Exponential(j)) => pair(&self.ee, i, j),
            (Column::Shift(i), Column::Exponential(j)) | (Column::Exponential(j), Column::Shift(i)) => {
                pair(&self.tee, i, j)
            }
            // No curve has two shifts.
            (Column::Shift(k), Column::Shift(_)) => at(&self.ttee, k),
        };
        self.centred(sum, a, mean)
    }

    /// Sum of products of a column and the readings, about their means.
    pub(super) fn with_readings(&self, column: Column) -> f64 {
        let sum = match column {
            Column::Slope => self.ty,
            Column::Exponential(k) => at(&self.ey, k),
            Column::Shift(k) => at(&self.tey, k),
        };
        self.centred(sum, column, self.mean_reading)
    }

    /// Mean square of the times.
    pub(super) fn mean_square_time(&self) -> f64 {
        self.tt * self.per_sample
    }

    /// Sum of squares of the readings about their mean.
    pub(super) fn readings(&self) -> f64 {
        self.yy - self.y * self.mean_reading
    }

    pub(super) const fn mean_reading(&self) -> f64 {
        self.mean_reading
    }

    pub(super) fn mean(&self, column: Column) -> f64 {
        self.sum(column).map_or(0.0, |sum| sum * self.per_sample)
    }

    /// None of times, which come centred: it is zero.
    fn sum(&self, column: Column) -> Option<f64> {
        match column {
            Column::Slope => None,
            Column::Exponential(k) => Some(at(&self.e, k)),
            Column::Shift(k) => Some(at(&self.te, k)),
        }
    }

    /// A sum of products less what the means of both factors account for.
    fn centred(&self, products: f64, column: Column, mean: f64) -> f64 {
        self.sum(column).map_or(products, |sum| products - sum * mean)
    }
}

fn at(sums: &[f64; EXPONENTIALS], k: usize) -> f64 {
    sums.get(k).copied().unwrap_or(0.0)
}

fn add(sums: &mut [f64; EXPONENTIALS], k: usize, value: f64) {
    if let Some(sum) = sums.get_mut(k) {
        *sum += value;
    }
}

fn pair(sums: &[f64; PAIRS], i: usize, j: usize) -> f64 {
    let (high, low) = if i > j { (i, j) } else { (j, i) };
    sums.get(high * (high + 1) / 2 + low).copied().unwrap_or(0.0)
}
