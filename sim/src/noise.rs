//! Random numbers: one seed, one stream per use, so that adding a sensor does not change another's noise.

use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{Rng, SeedableRng};
use seathold_sequencer::measure::normal_quantile;

/// A stream of random numbers.
#[derive(Clone, Debug)]
pub struct Noise {
    generator: Xoshiro256PlusPlus,
}

/// What a stream is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "self-explanatory names")]
pub enum Stream {
    Far = 1,
    Supply = 2,
    Thermometer = 3,
    Operator = 4,
    Grit = 5,
    Mounting = 6,
    Fleet = 7,
}

impl Noise {
    /// The stream of `seed` for this use.
    pub fn new(seed: u64, stream: Stream) -> Self {
        // An odd multiplier keeps streams of neighbouring seeds apart before the generator's own seeding mixes the
        // bits.
        let mixed = seed ^ (stream as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        Self { generator: Xoshiro256PlusPlus::seed_from_u64(mixed) }
    }

    /// Uniformly distributed over 0 to 1, both excluded.
    #[inline]
    pub fn uniform(&mut self) -> f64 {
        // 52 bits and a half: never 0 and never 1.
        ((self.generator.next_u64() >> 12) as f64 + 0.5) * (1.0 / 4_503_599_627_370_496.0)
    }

    /// Normally distributed with mean 0 and standard deviation 1, by inverting the distribution: five times in six that
    /// is one ratio of polynomials, and it draws exactly one number each time, so runs stay synchronised.
    #[inline]
    pub fn normal(&mut self) -> f64 {
        normal_quantile(self.uniform())
    }

    /// Exponentially distributed with mean 1.
    pub fn exponential(&mut self) -> f64 {
        -libm::log(self.uniform())
    }
}
