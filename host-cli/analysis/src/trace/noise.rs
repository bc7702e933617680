//! Readings with noise, for tests.

/// Normal noise by Box and Muller, from a generator of its own.
pub(super) struct Noise(pub(super) u64);

impl Noise {
    pub(super) fn uniform(&mut self) -> f64 {
        // splitmix64 (Steele et al. 2014, from memory).
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (((z ^ (z >> 31)) >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    pub(super) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }

    /// Readings that fall by `slope` steps each, with this noise in steps, rounded to steps of 1 Pa.
    pub(super) fn live(&mut self, readings: usize, sigma: f64, at: f64, slope: f64) -> Vec<f64> {
        (0..readings).map(|i| (600_000.0 + at - slope * i as f64 + sigma * self.normal()).round()).collect()
    }
}
