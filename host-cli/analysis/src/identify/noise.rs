//! White and 1/f noise of a transducer, from its readings at rest and late in a hold.
//!
//! Over m readings each, the second difference of three neighbouring means takes out level and slope, and curvature as far as
//! there is any. For white noise of variance σ² its variance is 6σ²/m; for the plant's 1/f noise it hardly falls with m. Both are
//! fitted to the variances of all octaves (as the Hadamard variance separates noises of oscillators: D. W. Allan and
//! others, NIST Technical Note 1337; from memory).

/// Rows of the plant's 1/f generator (`seathold_sim::sensor`): the k-th is redrawn every 2ᵏ⁺¹ readings.
pub const ROWS: u32 = 16;

/// Noise of a transducer, standard deviations in Pa.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SensorNoise {
    /// White.
    pub white: f64,
    /// Its standard uncertainty.
    pub white_u: f64,
    /// 1/f.
    pub pink: f64,
    /// Its standard uncertainty.
    pub pink_u: f64,
}

/// Fewest second differences of an octave that count.
const FEWEST: usize = 6;
/// Longest mean, in readings: longer ones see heat and creep.
const LONGEST: usize = 256;

/// One octave.
struct Octave {
    /// Mean square of the second differences.
    variance: f64,
    freedom: f64,
    /// What a unit of variance of white and of 1/f noise gives.
    white: f64,
    pink: f64,
}

/// What the noise of readings is, in stretches of neighbours; a count is so many Pa. `None` where there are too few.
pub fn noise(stretches: &[Vec<f64>], per_count: f64) -> Option<SensorNoise> {
    let octaves: Vec<Octave> =
        (0..=LONGEST.ilog2()).map(|power| 1 << power).filter_map(|length| octave(stretches, length)).collect();
    if octaves.len() < 3 {
        return None;
    }
    // Rounding to whole counts is one more white noise of a twelfth of a count squared.
    let rounding = per_count * per_count / 12.0;
    let (mut white, mut pink) = (octaves.first()?.variance / 6.0, 0.0);
    let (mut white_u2, mut pink_u2) = (white * white, white * white);
    // The weights follow from what is fitted.
    for _ in 0..20 {
        let (mut a, mut b, mut c, mut d, mut e) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for octave in &octaves {
            let expected = octave.white * white + octave.pink * pink;
            let weight = octave.freedom / (2.0 * expected * expected).max(1e-60);
            a += weight * octave.white * octave.white;
            b += weight * octave.white * octave.pink;
            c += weight * octave.pink * octave.pink;
            d += weight * octave.white * octave.variance;
            e += weight * octave.pink * octave.variance;
        }
        let determinant = a * c - b * b;
        if !(determinant > 0.0) {
            break;
        }
        (white, pink) = ((c * d - b * e) / determinant, (a * e - b * d) / determinant);
        if pink < 0.0 {
            (white, pink) = (d / a, 0.0);
        } else if white < 0.0 {
            (white, pink) = (0.0, e / c);
        }
        (white_u2, pink_u2) = (c / determinant, a / determinant);
    }
    // The uncertainty of a root from that of the square, which near zero has no slope.
    let root = |square: f64, u2: f64| {
        let value = square.max(0.0).sqrt();
        let u = u2.max(0.0).sqrt();
        (value, if square > u { u / (2.0 * value) } else { u.sqrt() })
    };
    let ((white, white_u), (pink, pink_u)) = (root(white - rounding, white_u2), root(pink, pink_u2));
    Some(SensorNoise { white, white_u, pink, pink_u })
}

fn octave(stretches: &[Vec<f64>], length: usize) -> Option<Octave> {
    let (mut sum, mut count) = (0.0, 0_usize);
    for stretch in stretches {
        let means: Vec<f64> =
            stretch.chunks_exact(length).map(|chunk| chunk.iter().sum::<f64>() / length as f64).collect();
        for three in means.windows(3) {
            if let [a, b, c] = three {
                sum += (a - 2.0 * b + c).powi(2);
                count += 1;
            }
        }
    }
    // Neighbouring differences share two of their three means: a third and a little of them are worth a whole one (correlations of
    // 2/3 and 1/6 for white noise).
    let freedom = count as f64 / (1.0 + 2.0 * (4.0 / 9.0 + 1.0 / 36.0));
    (count >= FEWEST).then(|| Octave {
        variance: sum / count as f64,
        freedom,
        white: 6.0 / length as f64,
        pink: (0..ROWS).map(|row| row_share(row, length)).sum::<f64>() / f64::from(ROWS),
    })
}

/// Mean square of the second difference of means of so many readings, of a row of unit variance that is redrawn every 2ᵏ⁺¹
/// readings: its correlation falls in a straight line to zero over that time.
fn row_share(row: u32, length: usize) -> f64 {
    let lasts = f64::from(2_u32.pow(row + 1));
    let correlation = |apart: f64| (1.0 - apart.abs() / lasts).max(0.0);
    let between = |means: usize| {
        let length = length as i64;
        let sum: f64 = (1 - length..length)
            .map(|d| (length - d.abs()) as f64 * correlation((means as i64 * length + d) as f64))
            .sum();
        sum / (length * length) as f64
    };
    6.0 * between(0) - 8.0 * between(1) + 2.0 * between(2)
}

/// Readings, (s, Pa), less a curve that is known at the middles of stretches: by cubics through four neighbours of them (Catmull and
/// Rom), since the curve bends.
pub fn less_curve(readings: &[(f64, f64)], curve: &[(f64, f64)]) -> Vec<f64> {
    let mut next = 0;
    let mut off = Vec::with_capacity(readings.len());
    for (at, value) in readings {
        while curve.get(next).is_some_and(|(there, _)| there <= at) {
            next += 1;
        }
        let Some(first) = next.checked_sub(2) else { continue };
        if let Some([a, b, c, d]) = curve.get(first..first + 4) {
            let span = c.0 - b.0;
            let u = (at - b.0) / span;
            let slope = |from: &(f64, f64), to: &(f64, f64)| (to.1 - from.1) / (to.0 - from.0) * span;
            let (m, n) = (slope(a, c), slope(b, d));
            let (u2, u3) = (u * u, u * u * u);
            let there = (2.0 * u3 - 3.0 * u2 + 1.0) * b.1
                + (u3 - 2.0 * u2 + u) * m
                + (3.0 * u2 - 2.0 * u3) * c.1
                + (u3 - u2) * n;
            off.push(value - there);
        }
    }
    off
}

#[cfg(test)]
mod tests {
    use super::*;
    use seathold_sequencer::rig::Transducer;
    use seathold_sim::noise::Stream;
    use seathold_sim::sensor::{Channel, RawSensor};

    fn readings(white: f64, pink: f64, seed: u64, count: usize) -> Vec<f64> {
        let spec = RawSensor { noise_pa: white, pink_pa: pink, ..RawSensor::DEMO }.validate().unwrap();
        let transducer = Transducer { pa_per_count: 1.0, zero_counts: 0, ..Transducer::DEMO };
        let mut channel = Channel::new(&spec, transducer, seed, Stream::Far);
        (0..count)
            .map(|_| {
                channel.convert(0.0);
                f64::from(channel.take().unwrap().counts)
            })
            .collect()
    }

    /// What was put in lies within two standard uncertainties of what is found about as often as it should.
    #[test]
    fn what_was_put_in_is_found() {
        let mut covered = [0; 2];
        for seed in 0..40 {
            let (white, pink) = [(20.0, 0.0), (20.0, 10.0), (5.0, 20.0), (50.0, 15.0)][seed as usize % 4];
            let all = readings(white, pink, seed, 6_000);
            let found = noise(&[all], 1.0).unwrap();
            covered[0] += usize::from((found.white - white).abs() <= 2.0 * found.white_u);
            covered[1] += usize::from((found.pink - pink).abs() <= 2.0 * found.pink_u);
        }
        assert!(covered.iter().all(|covered| *covered >= 34), "{covered:?} of 40");
    }

    #[test]
    fn a_bent_curve_is_taken_off() {
        let bent = |t: f64| 1e3 * libm::exp(-t / 2.0);
        let curve: Vec<_> = (0..20).map(f64::from).map(|t| (t, bent(t))).collect();
        let readings: Vec<_> = (500..1_500).map(|i| f64::from(i) * 0.01).map(|t| (t, bent(t))).collect();
        let off = less_curve(&readings, &curve);
        assert!(off.len() == 1_000 && off.iter().all(|off| off.abs() < 0.6), "{off:?}");
    }

    #[test]
    fn too_few_readings_tell_nothing() {
        assert_eq!(noise(&[readings(20.0, 0.0, 1, 20)], 1.0), None);
    }
}
