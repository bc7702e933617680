//! Samples summed into blocks as they come, so that memory does not grow with the window. Variance of a line through
//! block means: from the sums of equally spaced points; batch means: Law, *Simulation Modeling and Analysis*, 9.5.3.

use crate::limits::{BLOCKS, EQUAL_BY_CHANCE, EQUAL_REST_MAX, EQUAL_SQUARES_MAX};
use crate::sqrt::sqrt;
use crate::time::{Instant, since};

/// A trace averaged as it arrives into at most 64 blocks of equal length, each holding the exact sums of its
/// samples, and their mean time to a few µs.
///
/// While there are 64 samples or fewer every block is one sample, so nothing is approximated at all. When the 65th
/// block is needed, neighbours are joined in pairs. A straight line fitted to N block means has a variance `1/(1 −
/// 1/N²)` times that of the line through all samples (both sums of squares are those of equally spaced points), under
/// 1.001 for N ≥ 32; in return the variance of the block means includes any correlation between samples that is shorter
/// than a block (the method of batch means: Law, *Simulation Modeling and Analysis*, 9.5.3, from memory).
///
/// Memory: about 1.4 KiB whatever the length of the trace. [`BlockedTrace::push`] is bounded: at worst one pairwise
/// merge of 64 blocks.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct BlockedTrace {
    origin: Option<Instant>,
    first: i32,
    last: i32,
    last_us: u32,
    total: Block,
    /// Sum of squared differences of neighbours: the noise, insensitive to drift.
    squares: u64,
    /// How many of them are none: a reading equal to the one before.
    equal: u32,
    /// Samples a full block holds, as a power of two.
    pub(super) shift: u8,
    full: u8,
    sum_y: [i64; BLOCKS],
    /// Mean times, in µs: rounded, which moves all blocks alike by a few µs.
    mean_t: [u32; BLOCKS],
    sum_k: [i64; BLOCKS],
    open: Block,
}

/// Sums over the samples of one block: readings in counts above the trace's first, times in µs after it, thermometer
/// readings in counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) struct Block {
    pub(super) n: u32,
    pub(super) y: i64,
    pub(super) t: u64,
    pub(super) k: i64,
}

impl Block {
    pub(super) const EMPTY: Self = Self { n: 0, y: 0, t: 0, k: 0 };

    fn add(&mut self, y: i64, t: u64, k: i64) {
        self.n = self.n.saturating_add(1);
        self.y = self.y.saturating_add(y);
        self.t = self.t.saturating_add(t);
        self.k = self.k.saturating_add(k);
    }
}

impl Default for BlockedTrace {
    fn default() -> Self {
        Self::new()
    }
}

impl BlockedTrace {
    /// An empty trace.
    pub const fn new() -> Self {
        Self {
            origin: None,
            first: 0,
            last: 0,
            last_us: 0,
            total: Block::EMPTY,
            squares: 0,
            equal: 0,
            shift: 0,
            full: 0,
            sum_y: [0; BLOCKS],
            mean_t: [0; BLOCKS],
            sum_k: [0; BLOCKS],
            open: Block::EMPTY,
        }
    }

    /// Empties it in place: a second one would not fit on a small stack.
    pub fn clear(&mut self) {
        self.origin = None;
        self.first = 0;
        self.last = 0;
        self.last_us = 0;
        self.total = Block::EMPTY;
        self.squares = 0;
        self.equal = 0;
        self.shift = 0;
        self.full = 0;
        self.sum_y.fill(0);
        self.mean_t.fill(0);
        self.sum_k.fill(0);
        self.open = Block::EMPTY;
    }

    /// Takes in one sample, with the thermometer's reading at that time (0 where none is fitted). Times saturate at 71
    /// minutes after the first, which [`crate::limits`] keeps out of reach.
    pub fn push(&mut self, at: Instant, counts: i32, thermometer_counts: i32) {
        let origin = *self.origin.get_or_insert(at);
        if self.total.n == 0 {
            self.first = counts;
            self.last = counts;
        }
        let us = u32::try_from(since(at, origin).as_ticks()).unwrap_or(u32::MAX);
        let y = i64::from(counts.saturating_sub(self.first));
        let step = u64::from(counts.abs_diff(self.last));
        self.squares = self.squares.saturating_add(step.saturating_mul(step));
        self.equal = self.equal.saturating_add(u32::from(self.total.n > 0 && step == 0));
        self.last = counts;
        self.last_us = us;
        self.total.add(y, us.into(), thermometer_counts.into());
        self.open.add(y, us.into(), thermometer_counts.into());
        if self.open.n >= 1 << self.shift {
            if usize::from(self.full) == BLOCKS {
                self.merge_pairs();
            } else {
                self.close();
            }
        }
    }

    /// Appends the open block to the full ones.
    fn close(&mut self) {
        let slot = usize::from(self.full);
        if let (Some(y), Some(t), Some(k)) =
            (self.sum_y.get_mut(slot), self.mean_t.get_mut(slot), self.sum_k.get_mut(slot))
        {
            (*y, *t, *k) = (self.open.y, (self.open.t >> self.shift) as u32, self.open.k);
            self.full += 1;
            self.open = Block::EMPTY;
        }
    }

    /// Merges neighbours, which doubles the block length; the open block, now half a block, stays open.
    fn merge_pairs(&mut self) {
        join_pairs(&mut self.sum_y, i64::saturating_add);
        join_pairs(&mut self.mean_t, u32::midpoint);
        join_pairs(&mut self.sum_k, i64::saturating_add);
        self.full = (BLOCKS / 2) as u8;
        self.shift = self.shift.saturating_add(1).min(31);
    }

    /// Time of the first sample; `None` for an empty trace.
    pub const fn began(&self) -> Option<Instant> {
        self.origin
    }

    /// Samples held.
    pub const fn count(&self) -> u32 {
        self.total.n
    }

    /// From the first sample to the last, in µs.
    pub const fn span_us(&self) -> u32 {
        self.last_us
    }

    /// The first reading, in counts: the reference of the fit's readings.
    pub const fn first_counts(&self) -> i32 {
        self.first
    }

    /// Standard deviation of one sample's white noise, in counts, from the differences of neighbours: `√(Σd²/2(n−1))`
    /// (von Neumann, *Annals of Mathematical Statistics* 12, 1941).
    pub fn noise_counts(&self) -> f64 {
        sqrt(self.noise_variance())
    }

    /// The same, squared.
    pub(crate) fn noise_variance(&self) -> f64 {
        let differences = self.total.n.saturating_sub(1);
        if differences == 0 {
            return 0.0;
        }
        self.squares as f64 / (2.0 * f64::from(differences))
    }

    /// Whether more readings equal the one before than live noise can make so: the channel is stuck, or clipped, with a
    /// flicker now and then. `at_rest` is the mean change from reading to reading while it was seen to be alive, in
    /// [`crate::limits::CHANGE_PARTS`] of a count. The bounds: [`crate::limits::EQUAL_SQUARES_MAX`] and what follows it.
    pub(crate) fn sticks(&self, at_rest: u16) -> bool {
        let by_chance = EQUAL_BY_CHANCE.min(self.total.n.saturating_sub(self.equal) / 2);
        let equal = f64::from(self.equal.saturating_sub(by_chance)) / f64::from(self.total.n);
        equal * equal * self.noise_variance() > EQUAL_SQUARES_MAX || equal * f64::from(at_rest) > EQUAL_REST_MAX
    }

    /// Mean of the readings, in counts; `None` for an empty trace.
    pub(crate) fn mean_counts(&self) -> Option<i32> {
        (self.total.n > 0).then(|| self.first.saturating_add((self.total.y / i64::from(self.total.n)) as i32))
    }

    /// Mean of the thermometer's readings, in counts; `None` for an empty trace.
    pub(crate) fn thermometer_mean(&self) -> Option<i32> {
        (self.total.n > 0).then(|| (self.total.k / i64::from(self.total.n)) as i32)
    }

    pub(super) const fn totals(&self) -> Block {
        self.total
    }

    /// Full blocks so far.
    pub(super) const fn full(&self) -> usize {
        self.full as usize
    }

    pub(super) const fn open(&self) -> Block {
        self.open
    }

    /// A full block.
    pub(super) fn block(&self, index: usize) -> Option<Block> {
        match (self.sum_y.get(index), self.mean_t.get(index), self.sum_k.get(index)) {
            (Some(&y), Some(&t), Some(&k)) if index < self.full() => {
                Some(Block { n: 1 << self.shift, y, t: u64::from(t) << self.shift, k })
            }
            _ => None,
        }
    }
}

/// Moves what neighbouring pairs make together to the front half.
fn join_pairs<T: Copy>(sums: &mut [T; BLOCKS], add: fn(T, T) -> T) {
    for i in 0..BLOCKS / 2 {
        if let (Some(&a), Some(&b)) = (sums.get(2 * i), sums.get(2 * i + 1))
            && let Some(slot) = sums.get_mut(i)
        {
            *slot = add(a, b);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::limits::{CHANGE_LEAST, CHANGE_PARTS};
    use proptest::prelude::*;

    proptest! {
        /// Merging loses nothing: the blocks add up to the trace.
        #[test]
        fn blocks_add_up_to_the_trace(ys in prop::collection::vec(-16_000_000i32..16_000_000, 1..2000)) {
            let mut trace = BlockedTrace::new();
            for (i, &y) in ys.iter().enumerate() {
                trace.push(Instant::from_ticks(5_000 + 10_000 * i as u64), y, 7);
            }
            let mut sum = trace.open();
            for i in 0..trace.full() {
                let b = trace.block(i).unwrap();
                sum = Block { n: sum.n + b.n, y: sum.y + b.y, t: sum.t + b.t, k: sum.k + b.k };
            }
            prop_assert_eq!(Block { t: 0, ..sum }, Block { t: 0, ..trace.totals() });
            // A block's mean time is rounded down once, and once more at every merge.
            let off = trace.totals().t.abs_diff(sum.t) / u64::from(sum.n);
            prop_assert!(off <= 1 + u64::from(trace.shift), "{off} µs");
            prop_assert_eq!(sum.n as usize, ys.len());
            prop_assert_eq!(sum.k, 7 * ys.len() as i64);
            prop_assert_eq!(sum.y, ys.iter().map(|&y| i64::from(y) - i64::from(ys[0])).sum::<i64>());
            prop_assert!(trace.full() <= BLOCKS);
            if ys.len() > BLOCKS { prop_assert!(trace.full() >= BLOCKS / 2); }
        }
    }

    #[test]
    fn emptied_it_is_as_new() {
        let mut trace = BlockedTrace::new();
        for i in 0..1_000u64 {
            trace.push(Instant::from_ticks(5 + i * 10_000), i as i32, 3);
        }
        trace.clear();
        assert_eq!(trace, BlockedTrace::new());
    }

    #[test]
    fn noise_ignores_a_steady_drift() {
        let mut trace = BlockedTrace::new();
        // A ramp of one count a sample: differences are all one, so the noise estimate is 1/√2, not the ramp's 29.
        for i in 0..100 {
            trace.push(Instant::from_ticks(i * 1_000), i as i32, 0);
        }
        assert!((trace.noise_counts() - sqrt(0.5)).abs() < 1e-12);
    }

    /// A window of normal noise of `sigma` counts about a level, put through `channel`, and the mean change of the noise.
    fn window(
        samples: u64,
        sigma: f64,
        level: f64,
        seed: u64,
        channel: impl Fn(u64, i32) -> i32,
    ) -> (BlockedTrace, u16) {
        let (mut trace, mut state, mut last, mut changes) = (BlockedTrace::new(), seed, None, 0.0);
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1u64 << 53) as f64
        };
        for i in 0..samples {
            // Twelve uniform numbers: a variance of one.
            let noise = sigma * ((0..12).map(|_| uniform()).sum::<f64>() - 6.0);
            let live = (level + noise).round() as i32;
            changes += f64::from((live - last.replace(live).unwrap_or(live)).abs());
            trace.push(Instant::from_ticks(10_000 * i), channel(i, live), 0);
        }
        let change = changes / samples as f64 * f64::from(CHANGE_PARTS);
        (trace, (change as u32).max(CHANGE_LEAST) as u16)
    }

    /// However fine or coarse the counts are against the noise, and wherever between two counts the pressure lies: as long as
    /// the noise is such that a precheck sees the last digits move.
    #[test]
    fn a_live_channel_does_not_stick() {
        for sigma in [0.4, 0.5, 0.7, 1.0, 1.5, 3.0, 10.0, 100.0] {
            for (at, samples) in [(0.0, 10_000), (0.25, 10_000), (0.5, 10_000), (0.0, 200), (0.3, 200), (0.5, 200)] {
                for seed in 0..20 {
                    let (trace, change) = window(samples, sigma, at, seed, |_, live| live);
                    assert!(!trace.sticks(change), "{sigma} counts at {at}, {samples} samples, {seed}");
                }
            }
        }
        assert!(!BlockedTrace::new().sticks(16));
    }

    /// Runs of equal codes never longer than twenty, which is far from a frozen channel's.
    #[test]
    fn one_that_sticks_but_for_a_flicker_is_seen() {
        for sigma in [1.0, 1.2, 2.0, 5.0, 30.0] {
            for every in [5, 10, 20] {
                let (trace, change) = window(2_000, sigma, 0.2, 5, |i, live| if i % every == 0 { live } else { 0 });
                assert!(trace.sticks(change), "{sigma} counts, every {every}");
            }
        }
        // The least noise that shows in a precheck: a flicker of a count in one of twenty readings.
        let (trace, change) = window(2_000, 0.5, 0.0, 5, |i, _| i32::from(i % 20 == 0));
        assert!(trace.sticks(change));
        // More of them than there was noise, where the noise is not known.
        let (trace, _) = window(2_000, 5.0, 0.0, 5, |i, live| if i % 4 == 0 { live } else { 0 });
        assert!(trace.sticks(16));
    }

    /// At the end of the converter's range half of all noise is cut off.
    #[test]
    fn a_clipped_one_is_seen_where_most_of_it_is_cut_off() {
        for sigma in [1.2, 5.0, 50.0] {
            let (trace, change) = window(2_000, sigma, 0.0, 5, |_, live| live.max((0.5 * sigma).round() as i32));
            assert!(trace.sticks(change), "{sigma} counts");
        }
    }
}
