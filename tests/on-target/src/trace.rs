//! A fixed trace of counts through the estimator alone: the arithmetic, without the phases.

use crate::tell::{ENCODED_MAX, Hex, LINE_BYTES, Running, Tell};
use seathold_sequencer::measure::{BlockedTrace, CurvePrior, Settling, TauRange, fit};
use seathold_sequencer::time::Instant;

/// A repeatable source of whole numbers: Marsaglia's xorshift, *Journal of Statistical Software* 8(14), 2003, with his
/// triple (13, 17, 5).
#[derive(Clone, Copy, Debug)]
pub struct Noise(u32);

impl Noise {
    /// From a start that is not zero.
    pub const fn new(start: u32) -> Self {
        Self(if start == 0 { 1 } else { start })
    }

    /// The next number.
    pub fn word(&mut self) -> u32 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 17;
        self.0 ^= self.0 << 5;
        self.0
    }

    /// The next number within ±`span`.
    pub fn within(&mut self, span: u16) -> i32 {
        let width = 2 * u32::from(span) + 1;
        (self.word() % width) as i32 - i32::from(span)
    }
}

/// A trace and the curve fitted to it.
#[derive(Clone, Copy, Debug)]
pub struct Case {
    name: &'static str,
    curves: fn() -> CurvePrior,
    samples: u32,
    /// Fall over 1 024 samples, in counts.
    fall: i32,
    /// Transient at the start, in counts, halved every 128 samples.
    transient: i32,
    noise: u16,
}

/// From a window that needs no merging to one merged six times, with and without a transient, noisy and silent.
pub const CASES: &[Case] = &[
    Case { name: "short", curves: || CurvePrior::Line, samples: 64, fall: 300, transient: 0, noise: 3 },
    Case { name: "folded", curves: || CurvePrior::Line, samples: 4_000, fall: 25, transient: 0, noise: 4 },
    Case { name: "silent", curves: || CurvePrior::Line, samples: 700, fall: 60, transient: 0, noise: 0 },
    Case { name: "too-few", curves: || CurvePrior::Line, samples: 5, fall: 60, transient: 0, noise: 1 },
    Case {
        name: "transient",
        curves: || CurvePrior::Exact { tau_s: 1.85 },
        samples: 3_000,
        fall: 40,
        transient: 220,
        noise: 3,
    },
    // Every curve of a window, averaged by weight.
    Case {
        name: "profiled",
        curves: || CurvePrior::Profiled(TauRange { min_s: 0.5, max_s: 20.0 }),
        samples: 3_000,
        fall: 40,
        transient: 220,
        noise: 3,
    },
];

impl Case {
    /// Runs it and reports the estimate's bytes.
    #[inline(never)]
    pub fn run(&self, tell: &mut impl Tell) {
        let mut noise = Noise::new(0x5ea7_401d);
        let mut trace = BlockedTrace::new();
        let mut check = Running::default();
        for i in 0..self.samples {
            let line = 40_000 - (i64::from(self.fall) * i64::from(i) / 1_024) as i32;
            // Halvings with straight lines between: whole numbers, near enough to an exponential to be fitted as one.
            let (halvings, rest) = (i / 128, (i % 128) as i32);
            let transient = (self.transient >> halvings.min(30)) * (256 - rest) / 256;
            let counts = line + transient + noise.within(self.noise);
            check.update(&counts.to_le_bytes());
            trace.push(Instant::from_ticks(1_000_000 + u64::from(i) * 10_000), counts, 0);
        }
        tell.line(format_args!("trace {} samples {:016x}", self.name, check.finish()));
        let mut room = [0; ENCODED_MAX];
        match postcard::to_slice(&fit((self.curves)(), None, Settling::unknown(0.0), &trace), &mut room) {
            // In lines of the allowed length.
            Ok(bytes) => {
                for part in bytes.chunks(LINE_BYTES) {
                    tell.line(format_args!("trace {} estimate {}", self.name, Hex(part)));
                }
            }
            Err(error) => tell.line(format_args!("trace {} not encoded: {error}", self.name)),
        }
    }
}
