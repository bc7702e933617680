//! Every bound of the sequencer in one place, and what must hold between them.

/// Highest maximum any rig may be built for: 1 MPa gauge. One US national laboratory's pressure policy puts gas
/// below 1 MPa gauge (150 psi) in its lowest-hazard class (LBNL, seen in its own text); seathold is for such benches.
pub const HARD_MAX_PA: u32 = 1_000_000;

/// Lowest safe limit that makes sense against a transducer's zero error, and the highest that is still harmless
/// enough to loosen a fitting at (common practice, no source).
pub const SAFE_PA_MIN: u32 = 200;
/// See [`SAFE_PA_MIN`].
pub const SAFE_PA_MAX: u32 = 10_000;

/// Counts of a transducer that the safe limit must span at least: a limit of a count or two would be decided by the
/// converter's last digit (our judgement).
pub const SAFE_COUNTS_MIN: u32 = 4;

/// Highest reading a transducer may call healthy: ten times the highest maximum of any rig, so that a range wrong by
/// powers of ten is refused (our judgement).
pub const TRANSDUCER_PA_MAX: u32 = 10 * HARD_MAX_PA;

/// A transducer that has risen to so many safe limits, and come down from there without a jump, has followed the
/// pressure. Below, noise and the puff of an opening valve could be taken for jumps, and a transducer that drops to
/// empty cannot be distinguished from a vent (our judgement). Every test pressure lies above it.
pub const LIFE_SAFES: u32 = 20;

/// An apparent gross fall, jump, or non-empty supply side must persist for this many consecutive readings, and this
/// long, before it counts: a burst of interference is over by then (our judgement).
pub const PERSIST_READINGS: u8 = 3;
/// See [`PERSIST_READINGS`]; in milliseconds.
pub const PERSIST_MS: u32 = 100;

/// This many equal codes in a row are a frozen reading, where the code moved in the precheck over [`FLICKER_COUNTS`] or
/// more. Noise of half a count (the least that gives such a range) repeats its likeliest code with a chance of 0.68
/// (normal distribution, ±0.5 count about the mean): 64 in a row come once in 10¹⁰ times.
pub const FROZEN_CODES: u8 = 64;
/// See [`FROZEN_CODES`].
pub const FLICKER_COUNTS: u32 = 3;

/// Greatest square of the share of a window's readings that equal the one before, times the noise's variance in counts² as seen
/// from reading to reading. In normal noise of standard deviation s counts two readings fall on one code with a chance of
/// `Σ p²`, p the chances of the codes: near `1/(2s√π)` from half a count up, so that the product is about 1/4π, and it is never over
/// 0.09 (computed). A channel that sticks has many equal readings beside great changes.
pub const EQUAL_SQUARES_MAX: f64 = 0.25;
/// Greatest product of that share and the mean change from reading to reading in the precheck, in [`CHANGE_PARTS`] of a count:
/// 0.8. With the noise that was there it is never over 0.34, near `1/(2s√π) · 2s/√π = 1/π` (computed). The rest is left for a
/// precheck that was twice as noisy, as beside a compressor.
pub const EQUAL_REST_MAX: f64 = 12.8;
/// Changes from reading to reading are kept in so many parts of a count.
pub const CHANGE_PARTS: u32 = 16;
/// A precheck whose last digits moved counts as if they had so by a count at least, from reading to reading. Then no window may
/// have more than 0.8 of equal neighbours: noise of 0.4 counts makes 0.65 (computed), and less hardly ever spans
/// [`FLICKER_COUNTS`] in a precheck.
pub const CHANGE_LEAST: u32 = CHANGE_PARTS;
/// So many equal neighbours count as none, or half as many as are not equal where that is less: with great noise a few come by
/// chance in a short window. Where 5.6 are expected (noise of
/// ten counts, 200 readings) the bounds then are passed from 20 on, once in 10⁶ windows (Poisson distribution).
pub const EQUAL_BY_CHANCE: u32 = 10;

/// Readings without any change in the precheck that mean a frozen transducer, where by the rig its last digits move.
pub const FROZEN_PRECHECK: u32 = 50;

/// Readings a mean zero is taken over at least (our judgement).
pub const ZERO_SAMPLES_MIN: u32 = 10;

/// Longest stroke of a valve, in milliseconds: a minute.
pub const STROKE_MS_MAX: u32 = 60_000;

/// Longest window of samples, in milliseconds: one hour.
pub const MEASURE_MS_MAX: u32 = 3_600_000;

/// Most blocks of a trace; a power of two.
pub const BLOCKS: usize = 64;

/// Fewest blocks a fit may rest on: enough for a residual standard deviation.
pub const BLOCKS_MIN: usize = 8;

/// Exponentials a fit allows for beside a line.
pub const EXPONENTIALS: usize = 6;

/// Most curves averaged in a fit: each exponential as the dominant mode, and a line.
pub const CURVES_MAX: usize = EXPONENTIALS + 1;

/// Most looks at a growing window.
pub const LOOKS_MAX: u32 = 48;

/// Restarts of a disturbed window before the side is void.
pub const RESTARTS_MAX: u8 = 5;

/// Restarts for a curvature that no curve explains; after that it only widens the uncertainty.
pub const CURVATURE_RESTARTS_MAX: u8 = 2;

/// Blocks a fit works through for each millisecond since the last poll, so that it takes a fixed share of a core
/// without a floating-point unit, however often it is polled.
pub const BLOCKS_PER_MS: usize = 2;

/// Blocks a fit works through in one poll at most: so few that even a Cortex-M0 at 48 MHz is done in half of a 10 ms
/// poll (docs/figures.md).
pub const BLOCKS_PER_POLL_MAX: usize = 3;

/// Duration of an output test: long enough to hear it, in milliseconds (our choice).
pub const OUTPUT_TEST_MS: u32 = 2_000;

/// Most events one step can emit: an event of the phase's own, a refusal, a side's end with its result and the run's,
/// the phase entered with its prompt, and the disconnect state. The model checker requires it.
pub const EVENTS_MAX: usize = 7;

const _: () = {
    // The window's time, in microseconds, is kept in 32 bits.
    assert!(MEASURE_MS_MAX as u64 * 1_000 < u32::MAX as u64);
    assert!(BLOCKS.is_power_of_two());
    assert!(BLOCKS_MIN * 2 <= BLOCKS);
    assert!(SAFE_PA_MIN < SAFE_PA_MAX && SAFE_PA_MAX < HARD_MAX_PA);
};
