//! How far readings of one part scatter, which of them contradict each other, and by what step a gauge reads.

use std::collections::BTreeSet;

use crate::length::Length;
use crate::reading::Reading;

/// From so many parts that were read again, their middle tells what is usual (our judgement).
const USUAL_FROM: usize = 5;
/// A reading that is farther from its part's mean than so many standard deviations contradicts it: by chance once in two million.
const FAR_SIGMA: f64 = 5.0;
/// And so does one that is farther by a tenth of it, whatever the others do: it is of another part, or no length.
const FAR: f64 = 0.1;
/// From so many different readings on it is no chance that all of them are multiples of more than one of their last digit.
const STEP_FROM: usize = 10;

/// Readings as they are added, a part at a time.
#[derive(Debug)]
pub(crate) struct Scatter {
    /// Of parts that were read again.
    repeated: Vec<Repeated>,
    /// In nanometres, as whole numbers of the last digit that is written: the finest of them.
    digit_m: f64,
    lengths: Vec<Length>,
}

/// A part that was read more than once.
#[derive(Clone, Copy, Debug)]
struct Repeated {
    /// Its place in the list.
    part: usize,
    squares_m2: f64,
    freedom: usize,
    mean_m: f64,
    least: Length,
    most: Length,
}

/// Readings of one part that cannot be of one length.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Contradiction {
    pub part: usize,
    pub least: Length,
    pub most: Length,
    /// How far readings of other parts scatter, in metres, where that can be told.
    pub usual_m: Option<f64>,
}

impl Scatter {
    pub(crate) const fn new() -> Self {
        Self { repeated: Vec::new(), digit_m: f64::INFINITY, lengths: Vec::new() }
    }

    pub(crate) fn add(&mut self, part: usize, readings: &[Reading]) {
        let metres = || readings.iter().map(|reading| reading.length.mm() / 1e3);
        let mean_m = metres().sum::<f64>() / readings.len().max(1) as f64;
        let lengths = readings.iter().map(|reading| reading.length);
        self.lengths.extend(lengths.clone());
        self.digit_m = readings.iter().map(|reading| reading.digit_m).fold(self.digit_m, f64::min);
        let (Some(least), Some(most), true) = (lengths.clone().min(), lengths.max(), readings.len() > 1) else {
            return;
        };
        let squares_m2 = metres().map(|m| (m - mean_m).powi(2)).sum();
        self.repeated.push(Repeated { part, squares_m2, freedom: readings.len() - 1, mean_m, least, most });
    }

    /// Standard deviation of one reading, in metres, with its degrees of freedom, pooled over all parts that were read again (analysis of
    /// variance, one way: ISO 5725-2, from memory).
    pub(crate) fn standard_deviation(&self) -> Option<(f64, usize)> {
        let freedom = self.repeated.iter().map(|part| part.freedom).sum::<usize>();
        // From the least on, so that the order of the list is in no last digit.
        let mut squares: Vec<f64> = self.repeated.iter().map(|part| part.squares_m2).collect();
        squares.sort_by(f64::total_cmp);
        (freedom > 0).then(|| ((squares.iter().sum::<f64>() / freedom as f64).sqrt(), freedom))
    }

    /// The step by which the gauge reads, in metres: one of the last digit that is written, or two, five, ten, … of it where every
    /// reading is a multiple of that.
    pub(crate) fn step_m(&self) -> f64 {
        let mut step = if self.digit_m.is_finite() { self.digit_m } else { 0.0 };
        let different: BTreeSet<i64> = self.lengths.iter().map(|length| length.nm()).collect();
        if different.len() < STEP_FROM || step <= 0.0 {
            return step;
        }
        let is_multiple = |nm: &i64, step: f64| {
            let times = *nm as f64 / 1e9 / step;
            // Half a nanometre is what rounding leaves.
            (times - times.round()).abs() * step <= 0.6e-9
        };
        // No gauge of lengths reads in steps of more than a millimetre.
        'wider: while step < 1e-3 {
            for by in [10.0, 5.0, 2.0] {
                if different.iter().all(|nm| is_multiple(nm, step * by)) {
                    step *= by;
                    continue 'wider;
                }
            }
            break;
        }
        step
    }

    /// Parts whose readings cannot be of one length. What is usual is told by the middle of all, which those cannot move.
    pub(crate) fn contradictions(&self) -> Vec<Contradiction> {
        // The median of a chi-square of ν degrees of freedom is ν·(1 − 2/(9ν))³ (Wilson & Hilferty 1931, memory).
        let own = |part: &Repeated| {
            let freedom = part.freedom as f64;
            part.squares_m2 / (freedom * (1.0 - 2.0 / (9.0 * freedom)).powi(3))
        };
        let mut variances: Vec<f64> = self.repeated.iter().map(own).collect();
        variances.sort_by(f64::total_cmp);
        let middle = variances.get(variances.len() / 2).filter(|_| variances.len() >= USUAL_FROM);
        // Of two that were rounded to a step, none is surer than the step.
        let usual_m = middle.map(|variance| variance.sqrt().hypot(self.step_m() / 12f64.sqrt()));
        let contradicts = |part: &&Repeated| {
            let mean = part.mean_m;
            let far = (part.most.mm() / 1e3 - mean).max(mean - part.least.mm() / 1e3);
            let n = (part.freedom + 1) as f64;
            let scatters = usual_m.is_some_and(|usual| far > FAR_SIGMA * usual * ((n - 1.0) / n).sqrt() * (1.0 + 1e-9));
            scatters || far > FAR * mean
        };
        let of = |part: &Repeated| Contradiction { part: part.part, least: part.least, most: part.most, usual_m };
        self.repeated.iter().filter(contradicts).map(of).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::length_unit::unit;
    use crate::reading::reading;

    fn scatter(parts: &[&[&str]]) -> Scatter {
        let mut scatter = Scatter::new();
        for (at, cells) in parts.iter().enumerate() {
            let readings: Vec<Reading> = cells.iter().map(|cell| reading(cell, unit("mm").unwrap()).unwrap()).collect();
            scatter.add(at, &readings);
        }
        scatter
    }

    fn step_nm(cells: &[&str]) -> i64 {
        (scatter(&cells.iter().map(std::slice::from_ref).collect::<Vec<_>>()).step_m() * 1e9).round() as i64
    }

    #[test]
    fn the_step_of_a_gauge() {
        assert_eq!((step_nm(&["30.1", "30.12"]), step_nm(&[])), (10_000, 0));
        let half = ["30.005", "30.010", "30.025", "30.000", "30.100", "30.055", "30.015", "30.020", "30.030", "30.045"];
        assert_eq!((step_nm(&half), step_nm(&half[..9])), (5_000, 1_000));
        assert_eq!(
            step_nm(&[
                "30.500", "30.510", "30.000", "30.520", "30.550", "30.570", "30.5", "30.71", "30.4", "30.3", "30.11"
            ]),
            10_000
        );
        // All alike tell nothing of it.
        assert_eq!(step_nm(&["30.0"; 12]), 100_000);
        // Tenths of a thousandth of an inch, as nanometres: 1.1234 in is 28 534 360 nm.
        assert_eq!(step_nm(&["1.1234in", "1.1001in"]), 2_540);
    }

    /// 30.10 and 30.60 among parts whose readings are 0.01 apart: those have a middle deviation of 0.01/√2/√0.47.
    #[test]
    fn readings_that_contradict_each_other() {
        let near: &[&str] = &["30.10", "30.11"];
        let found = scatter(&[near, near, near, &["30.10", "30.60"], near, near]).contradictions();
        assert_eq!(
            found.iter().map(|c| (c.part, c.least.nm(), c.most.nm())).collect::<Vec<_>>(),
            [(3, 30_100_000, 30_600_000)]
        );
        assert!((found[0].usual_m.unwrap() * 1e3 - 0.0107).abs() < 2e-4, "{found:?}");
        // Of equal repeats, one step is none, and three are.
        let equal: &[&str] = &["30.10", "30.10"];
        let at = |cells| scatter(&[equal, equal, equal, equal, equal, cells]).contradictions().len();
        assert_eq!((at(&["30.10", "30.11"]), at(&["30.10", "30.13"])), (0, 1));
        // Whatever the others do.
        assert_eq!(
            (scatter(&[&["30", "1"]]).contradictions().len(), scatter(&[&["30", "31"]]).contradictions().len()),
            (1, 0)
        );
    }
}
