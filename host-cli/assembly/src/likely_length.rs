//! How long measured parts are likely to be, which is not what was read of them once parts are *chosen* by their readings.
//!
//! **Why.** Whoever looks through many pairs for those whose readings add up well also finds those whose readings err well: of the
//! chosen, more are wrong than a guard band allows for (the winner's curse). What is probable of a part once *all* readings are
//! seen has that in it: if it holds for every part, the share of wrong ones among any that are chosen by what was read is no greater
//! than the risk, however they were chosen, since what was read is what the probability was conditioned on (selection does not
//! matter to Bayes' rule; Senn, *The American Statistician* 62, 2008, 113–117, *memory*).
//!
//! **What is assumed.** True lengths of a list, or of a group of it (`groups`, below), are normally distributed, their mean and spread unknown
//! and estimated from the list itself; a reading scatters normally by `s`. Then (empirical Bayes: Morris, *Journal of the American
//! Statistical Association* 78, 1983, 47–55, *memory*)
//!
//! - `B = (ν−2)/ν · s²/(s² + τ²)` of a reading's distance from the mean of its group is taken off it, `τ²` being what the spread of the
//!   readings has beyond their scatter and ν its degrees of freedom;
//! - what is unknown of B leaves an uncertainty of `√(2/(ν−2))·B·distance`, which is added.
//!
//! Of the scatter itself `s²·(1 − B)` would be left, and some of what is unknown of the mean, never more than `s²` together: it is left at `s²`. So
//! shrinking lengths towards the mean may take valves away and makes none more certain, which is what a list wants that is not quite normal.
//!
//! Where parts differ by much more than readings scatter, as they mostly do, B is next to nothing.

use crate::length::Length;
use crate::measured_parts::Part;

/// A gap in sorted readings of more than so many times their scatter parts two groups: by chance alone two readings of one length are
/// that far apart once in fifty thousand pairs (6/√2 standard deviations).
const GAP: f64 = 6.0;

/// Parts as they are likely to be.
#[derive(Clone, Debug, PartialEq)]
pub struct LikelyLengths {
    /// In the order of the list.
    pub parts: Vec<Part>,
    /// Standard deviation of what was read of one, in metres: the greatest.
    pub scatter_m: f64,
    /// What is not known of how far it was to be shrunk towards the mean, in metres: the greatest.
    pub shrinkage_m: f64,
    /// The greatest share of its distance from the mean that was taken off a reading.
    pub share: f64,
    /// The most that was taken off one.
    pub most: Length,
}

impl LikelyLengths {
    /// As they were read.
    pub fn as_read(parts: &[Part], scatter_m: f64) -> Self {
        Self { parts: parts.to_vec(), scatter_m, shrinkage_m: 0.0, share: 0.0, most: Length::ZERO }
    }

    /// Standard uncertainty of one of them, in metres.
    pub fn of_one_m(&self) -> f64 {
        self.scatter_m.hypot(self.shrinkage_m)
    }

    /// Of two of them together: how far they were to be shrunk errs alike for both, and adds up before it is squared.
    pub fn of_two_m(&self) -> f64 {
        (self.scatter_m * 2f64.sqrt()).hypot(2.0 * self.shrinkage_m)
    }
}

/// As they are likely to be, from the mean reading of each and the standard deviation of that mean, in metres.
pub fn likely(parts: &[Part], scatter_m: &[f64]) -> LikelyLengths {
    let read: Vec<f64> = parts.iter().map(|part| part.length.mm() / 1e3).collect();
    let worst = scatter_m.iter().copied().fold(0.0, f64::max);
    let groups = groups(&read, scatter_m, worst);
    // As they were read, where nothing can be told of the spread.
    let mut found = LikelyLengths::as_read(parts, worst);
    let freedom = (read.len() - groups.len()) as f64;
    if freedom <= 2.0 || worst <= 0.0 {
        return found;
    }
    // Sums go through the groups, so that the order of the list is in no last digit.
    let (mut away, mut squares, mut scatter2) = (vec![0.0; read.len()], 0.0, 0.0);
    for group in &groups {
        let mean = group.iter().map(|at| read[*at]).sum::<f64>() / group.len() as f64;
        for at in group {
            away[*at] = read[*at] - mean;
            squares += away[*at] * away[*at];
            scatter2 += scatter_m[*at] * scatter_m[*at];
        }
    }
    let (spread2, mean_scatter2) = (squares / freedom, scatter2 / read.len() as f64);
    let between2 = (spread2 - mean_scatter2).max(0.0);
    for (at, part) in found.parts.iter_mut().enumerate() {
        let own2 = scatter_m[at].powi(2);
        let share = if own2 > 0.0 { (freedom - 2.0) / freedom * own2 / (own2 + between2) } else { 0.0 };
        let off = Length::from_m(share * away[at]);
        part.length = part.length - off;
        found.shrinkage_m = found.shrinkage_m.max((2.0 / (freedom - 2.0)).sqrt() * (share * away[at]).abs());
        found.share = found.share.max(share);
        found.most = found.most.max(off.abs());
    }
    found
}

/// Parts of one lot lie together; where there is a gap that scatter alone does not make, there are two. By place in the list.
fn groups(read: &[f64], scatter_m: &[f64], worst: f64) -> Vec<Vec<usize>> {
    let mut order: Vec<usize> = (0..read.len()).collect();
    order.sort_by(|a, b| read[*a].total_cmp(&read[*b]).then(scatter_m[*a].total_cmp(&scatter_m[*b])));
    order.chunk_by(|a, b| read[*b] - read[*a] <= GAP * worst).map(<[usize]>::to_vec).collect()
}
