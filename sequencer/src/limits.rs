//! Every bound of the sequencer in one place, and what must hold between them.

/// Hardest pressure any rig may be built for: 1 MPa gauge. One US national laboratory's pressure policy puts gas
/// below 1 MPa gauge (150 psi) in its lowest-hazard class (LBNL, seen in its own text); seathold is for such benches.
pub const HARD_MAX_PA: u32 = 1_000_000;

/// Lowest safe limit that makes sense against a transducer's zero error, and the highest that is still harmless
/// enough to loosen a fitting at (common practice, no source).
pub const SAFE_PA_MIN: u32 = 200;
/// See [`SAFE_PA_MIN`].
pub const SAFE_PA_MAX: u32 = 10_000;

/// Longest window of samples, in milliseconds: one hour.
pub const MEASURE_MS_MAX: u32 = 3_600_000;

/// Most blocks a trace is folded into; a power of two.
pub const BLOCKS: usize = 64;

/// Fewest blocks a fit may rest on: enough that a residual spread means something.
pub const BLOCKS_MIN: usize = 8;

/// Settling exponentials a fit allows for beside a line.
pub const SETTLINGS: usize = 6;

/// Most curves a fit weighs against each other: each settling as the greater part, and a line.
pub const CURVES_MAX: usize = SETTLINGS + 1;

/// Most looks at a growing window.
pub const LOOKS_MAX: u32 = 48;

/// Restarts of a disturbed window before the side is void.
pub const RESTARTS_MAX: u8 = 5;

/// Restarts for a bend that no curve explains; after that it is left to widen the uncertainty.
pub const BENDS_MAX: u8 = 2;

/// Blocks a fit works through for each millisecond since the last poll, so that it takes a fixed share of a core without
/// a floating-point unit, however often it is polled.
pub const BLOCKS_PER_MS: usize = 2;

/// Blocks a fit works through in one poll at most: so few that even a Cortex-M0 at 48 MHz is done in half of a 10 ms
/// poll (docs/figures.md).
pub const BLOCKS_PER_POLL_MAX: usize = 3;

/// How long one output is worked in a check of the rig: long enough to hear it, in milliseconds (our choice).
pub const WORK_MS: u32 = 2_000;

/// Most events one step can emit.
pub const EVENTS_MAX: usize = 7;

const _: () = {
    // The window's time, in microseconds, is kept in 32 bits.
    assert!(MEASURE_MS_MAX as u64 * 1_000 < u32::MAX as u64);
    assert!(BLOCKS.is_power_of_two());
    assert!(BLOCKS_MIN * 2 <= BLOCKS);
    assert!(SAFE_PA_MIN < SAFE_PA_MAX && SAFE_PA_MAX < HARD_MAX_PA);
};
