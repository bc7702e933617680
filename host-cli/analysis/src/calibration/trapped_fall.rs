//! How fast a trapped pressure falls, and at which pressure: a parabola through a held window.
//!
//! A large leak slows as the pressure falls. Two falls are comparable at one pressure, and the parabola gives each there without any law of
//! the leak. The curve that a run is judged by cannot: it takes the slowing for gas that still settles.

use super::ValueWithU;
use super::scatter::TrappedReading;

/// Readings are joined to means of this length, in seconds: noise faster than that is no matter here.
const BLOCK_S: f64 = 1.0;

/// Fewest blocks that tell a parabola and its scatter (our judgement).
const BLOCKS_MIN: usize = 12;

/// The parabola: pressure above that at the window's middle.
#[derive(Clone, Copy, Debug)]
pub struct TrappedFall {
    middle_s: f64,
    half_s: f64,
    /// By powers of the time from the middle in halves of the window, in pascals.
    pa: [f64; 3],
    /// Their covariance.
    covariance: [[f64; 3]; 3],
}

impl TrappedFall {
    /// Over the readings from here to there, in seconds since the gas began to settle. A reading's pressure is its counts by
    /// `pa_per_count`, above `zero_counts`.
    ///
    /// # Errors
    /// With too few readings, or readings at too few times.
    pub fn over(
        readings: &[TrappedReading],
        (from_s, to_s): (f64, f64),
        zero_counts: f64,
        pa_per_count: f64,
    ) -> Result<Self, String> {
        let blocks = blocks(readings.iter().filter(|reading| (from_s..=to_s).contains(&reading.at_s)));
        if blocks.len() < BLOCKS_MIN {
            return Err(format!(
                "{} s of readings are too few to see how the fall changes: {BLOCKS_MIN} at least",
                blocks.len()
            ));
        }
        let (first, last) = (blocks[0].0, blocks[blocks.len() - 1].0);
        let (middle_s, half_s) = (0.5 * (first + last), 0.5 * (last - first));
        let points: Vec<(f64, f64)> = blocks
            .iter()
            .map(|(at, counts)| ((at - middle_s) / half_s, (counts - zero_counts) * pa_per_count))
            .collect();
        let mut normal = [[0.0; 3]; 3];
        let mut right = [0.0; 3];
        for (x, y) in &points {
            let powers = [1.0, *x, x * x];
            for (row, a) in powers.iter().enumerate() {
                right[row] += a * y;
                for (column, b) in powers.iter().enumerate() {
                    normal[row][column] += a * b;
                }
            }
        }
        let inverse = inverse(&normal).ok_or("the readings are all at one time")?;
        let pa = inverse.map(|row| row.iter().zip(right).map(|(a, b)| a * b).sum());
        let residuals: Vec<f64> = points.iter().map(|(x, y)| y - (pa[0] + x * (pa[1] + x * pa[2]))).collect();
        let squares: f64 = residuals.iter().map(|r| r * r).sum();
        let neighbours: f64 = residuals.windows(2).map(|pair| pair[0] * pair[1]).sum();
        // Slow noise: neighbouring means that go together are worth less than as many that do not (Bayley & Hammersley 1946, for a mean;
        // from memory).
        let rho = if squares > 0.0 { (neighbours / squares).clamp(0.0, 0.95) } else { 0.0 };
        let variance = squares / (points.len() - 3) as f64 * (1.0 + rho) / (1.0 - rho);
        Ok(Self { middle_s, half_s, pa, covariance: inverse.map(|row| row.map(|value| value * variance)) })
    }

    /// Gauge pressure in the middle of the window, in pascals.
    pub const fn middle_pa(&self) -> f64 {
        self.pa[0]
    }

    /// The middle of the window, in seconds since the gas began to settle.
    pub const fn middle_s(&self) -> f64 {
        self.middle_s
    }

    /// When the pressure was that, in seconds since the gas began to settle: within the window or up to half of it beside.
    pub fn at_pressure(&self, gauge_pa: f64) -> Option<f64> {
        // By Newton's method: within this reach the parabola is nearly a line.
        let [c, b, a] = self.pa;
        let mut x = 0.0;
        for _ in 0..20 {
            let slope = b + 2.0 * a * x;
            if !(slope < 0.0) {
                return None;
            }
            x -= (c + x * (b + a * x) - gauge_pa) / slope;
        }
        (x.abs() <= 2.0).then_some(self.middle_s + x * self.half_s)
    }

    /// The fall then, in Pa/s, positive for falling, with its standard uncertainty from the scatter of the readings about the parabola.
    pub fn at(&self, at_s: f64) -> ValueWithU {
        let x = (at_s - self.middle_s) / self.half_s;
        let of = [0.0, 1.0, 2.0 * x];
        let value: f64 = of.iter().zip(self.pa).map(|(a, b)| a * b).sum();
        let row = |i: usize| (0..3).map(|j| of[i] * of[j] * self.covariance[i][j]).sum::<f64>();
        let variance: f64 = (0..3).map(row).sum();
        ValueWithU { value: -value / self.half_s, u: variance.max(0.0).sqrt() / self.half_s }
    }
}

/// Mean time and counts of each block.
fn blocks<'a>(readings: impl Iterator<Item = &'a TrappedReading>) -> Vec<(f64, f64)> {
    let mut all: Vec<(f64, f64, f64, f64)> = Vec::new();
    for reading in readings {
        let number = (reading.at_s / BLOCK_S).floor();
        if all.last().is_none_or(|last| last.0 != number) {
            all.push((number, 0.0, 0.0, 0.0));
        }
        if let Some((_, time, counts, many)) = all.last_mut() {
            *time += reading.at_s;
            *counts += f64::from(reading.counts);
            *many += 1.0;
        }
    }
    all.iter().map(|(_, time, counts, many)| (time / many, counts / many)).collect()
}

/// Of a symmetric matrix, by cofactors. `None` where it has none.
fn inverse(m: &[[f64; 3]; 3]) -> Option<[[f64; 3]; 3]> {
    let cofactor = |i: usize, j: usize| {
        let (r, s, p, q) = ((i + 1) % 3, (i + 2) % 3, (j + 1) % 3, (j + 2) % 3);
        m[r][p] * m[s][q] - m[r][q] * m[s][p]
    };
    let determinant = (0..3).map(|j| m[0][j] * cofactor(0, j)).sum::<f64>();
    (determinant.abs() > 1e-9).then(|| std::array::from_fn(|i| std::array::from_fn(|j| cofactor(j, i) / determinant)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn readings(of: impl Fn(f64) -> f64, from: u32, to: u32) -> Vec<TrappedReading> {
        (from * 100..to * 100)
            .map(|number| {
                let at_s = f64::from(number) / 100.0;
                TrappedReading { at_s, counts: of(at_s).round() as i32, thermometer: 0 }
            })
            .collect()
    }

    proptest! {
        /// A viscous leak into the atmosphere, `dp/dt = −k(p² − pa²)` (compressible Poiseuille flow, any textbook), whose solution is
        /// `p = pa·coth(k·pa·(t − t0))` (derivable): its fall at any pressure near the window is found to a thousandth.
        #[test]
        fn a_leak_that_slows(fall in 50.0f64..600.0, at in -0.3f64..0.3) {
            let (p0, pa) = (7e5f64, 1e5f64);
            let k = fall / (p0 * p0 - pa * pa);
            let t0 = (pa / p0).atanh() / (k * pa);
            let pressure = |t: f64| pa / (k * pa * (t + t0)).tanh();
            let fitted = TrappedFall::over(&readings(|t| (pressure(t) - pa) * 10.0, 20, 50), (20.0, 50.0), 0.0, 0.1).unwrap();
            let then = 35.0 + 30.0 * at;
            let p = pressure(then);
            let when = fitted.at_pressure(p - pa).unwrap();
            prop_assert!((when - then).abs() < 0.05, "{when} for {then}");
            let found = fitted.at(when);
            prop_assert!((found.value / (k * (p * p - pa * pa)) - 1.0).abs() < 1e-3, "{found:?}");
        }
    }

    /// Against the same line and noise drawn many times: the scatter is what is stated.
    #[test]
    fn the_uncertainty_is_that_of_repeats() {
        let mut state = 3u64;
        // Knuth's MMIX generator (from memory): its upper bits are even enough for noise.
        let mut random = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
        };
        let mut found = Vec::new();
        for _ in 0..400 {
            let mut noise: Vec<f64> = Vec::new();
            noise.resize_with(3_000, || (0..12).map(|_| random()).sum::<f64>() * 40.0);
            let mut all = readings(|t| 6e5 - 20.0 * t, 20, 50);
            for (reading, noise) in all.iter_mut().zip(&noise) {
                reading.counts += noise.round() as i32;
            }
            found.push(TrappedFall::over(&all, (20.0, 50.0), 0.0, 1.0).unwrap().at(30.0));
        }
        let n = found.len() as f64;
        let mean = found.iter().map(|f| f.value).sum::<f64>() / n;
        let deviation = (found.iter().map(|f| (f.value - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
        let stated = (found.iter().map(|f| f.u * f.u).sum::<f64>() / n).sqrt();
        assert!((mean - 20.0).abs() < 4.0 * deviation / n.sqrt(), "{mean}");
        assert!((0.9..1.35).contains(&(stated / deviation)), "{stated} {deviation}");
    }

    #[test]
    fn too_little_is_refused() {
        assert!(TrappedFall::over(&[], (0.0, 30.0), 0.0, 1.0).is_err());
        assert!(TrappedFall::over(&readings(|t| t, 0, 11), (0.0, 30.0), 0.0, 1.0).is_err());
    }
}
