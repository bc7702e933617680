//! Quantiles and tails of the normal and Student's distribution: Wichura, algorithm AS 241; Abramowitz & Stegun, 26.

use super::conformance::normal_cdf;
use crate::exponential::{exp, ln};
use crate::sqrt::sqrt;

/// The standard normal quantile: the z with `Φ(z) = p`, for `0 < p < 1`; 0 outside.
///
/// Wichura, algorithm AS 241 (PPND16), *Applied Statistics* 37, 1988: relative error about 1e-16.
pub fn normal_quantile(p: f64) -> f64 {
    if !(p > 0.0 && p < 1.0) {
        return 0.0;
    }
    let q = p - 0.5;
    if (-0.425..=0.425).contains(&q) {
        let r = 0.180_625 - q * q;
        return q * ratio(&A, &B, r);
    }
    let tail = if q < 0.0 { p } else { 1.0 - p };
    let r = sqrt(-ln(tail));
    let z = if r <= 5.0 { ratio(&C, &D, r - 1.6) } else { ratio(&E, &F, r - 5.0) };
    if q < 0.0 { -z } else { z }
}

/// Student's quantile with `dof` degrees of freedom, from the normal quantile `z` of the same probability.
///
/// Abramowitz & Stegun, *Handbook of Mathematical Functions*, 26.7.5, the expansion in 1/ν to its fourth term: within
/// 0.1 % from 8 degrees of freedom up for probabilities to 99.9 %. Only +, × and ÷, so it may run inside a poll.
pub fn student_quantile(z: f64, dof: f64) -> f64 {
    let q = z * z;
    let g1 = (q + 1.0) / 4.0;
    let g2 = ((5.0 * q + 16.0) * q + 3.0) / 96.0;
    let g3 = (((3.0 * q + 19.0) * q + 17.0) * q - 15.0) / 384.0;
    let g4 = ((((79.0 * q + 776.0) * q + 1482.0) * q - 1920.0) * q - 945.0) / 92_160.0;
    let v = 1.0 / if dof < 1.0 { 1.0 } else { dof };
    z * (1.0 + v * (g1 + v * (g2 + v * (g3 + v * g4))))
}

/// Student's distribution function with `dof` degrees of freedom: the inverse of [`student_quantile`], so that the two
/// agree, by bisection.
pub(super) fn student_cdf(t: f64, dof: f64) -> f64 {
    let size = t.abs();
    // Student's quantile is never nearer to zero than the normal one, and beyond 40 nothing of the tail is left.
    let (mut near, mut far) = (0.0, if size < 40.0 { size } else { 40.0 });
    // So many halve the bracket down to a double's last digit.
    for _ in 0..60 {
        let middle = 0.5 * (near + far);
        if student_quantile(middle, dof) < size { near = middle } else { far = middle }
    }
    normal_cdf(if t < 0.0 { -far } else { far })
}

/// The probability that a standard normal variable lies above `z`, to 7.5e-8: Abramowitz & Stegun, *Handbook of
/// Mathematical Functions*, 26.2.17. One exponential function, so it may run inside a poll; where more digits are
/// wanted there is [`normal_cdf`].
pub(super) fn normal_tail(z: f64) -> f64 {
    let size = z.abs();
    let t = 1.0 / (1.0 + 0.231_641_9 * size);
    let series = [1.330_274_429, -1.821_255_978, 1.781_477_937, -0.356_563_782, 0.319_381_530];
    let sum = series.iter().fold(0.0, |sum, c| sum * t + c) * t;
    let tail = 0.398_942_280_401_432_7 * exp(-0.5 * size * size) * sum;
    if z < 0.0 { 1.0 - tail } else { tail }
}

/// Ratio of two polynomials, coefficients lowest first.
fn ratio(over: &[f64; 8], under: &[f64; 8], x: f64) -> f64 {
    poly(over, x) / poly(under, x)
}

fn poly(coefficients: &[f64; 8], x: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
}

const A: [f64; 8] = [
    3.387_132_872_796_366_5,
    1.331_416_678_917_843_8e2,
    1.971_590_950_306_551_3e3,
    1.373_169_376_550_946e4,
    4.592_195_393_154_987e4,
    6.726_577_092_700_87e4,
    3.343_057_558_358_813e4,
    2.509_080_928_730_122_7e3,
];
const B: [f64; 8] = [
    1.0,
    4.231_333_070_160_091e1,
    6.871_870_074_920_579e2,
    5.394_196_021_424_751e3,
    2.121_379_430_158_659_7e4,
    3.930_789_580_009_271e4,
    2.872_908_573_572_194_3e4,
    5.226_495_278_852_854e3,
];
const C: [f64; 8] = [
    1.423_437_110_749_683_5,
    4.630_337_846_156_546,
    5.769_497_221_460_691,
    3.647_848_324_763_204_5,
    1.270_458_252_452_368_4,
    2.417_807_251_774_506e-1,
    2.272_384_498_926_918_4e-2,
    7.745_450_142_783_414e-4,
];
const D: [f64; 8] = [
    1.0,
    2.053_191_626_637_759,
    1.676_384_830_183_803_8,
    6.897_673_349_851e-1,
    1.481_039_764_274_800_8e-1,
    1.519_866_656_361_645_7e-2,
    5.475_938_084_995_345e-4,
    1.050_750_071_644_416_9e-9,
];
const E: [f64; 8] = [
    6.657_904_643_501_103,
    5.463_784_911_164_114,
    1.784_826_539_917_291_3,
    2.965_605_718_285_048_7e-1,
    2.653_218_952_657_612_4e-2,
    1.242_660_947_388_078_4e-3,
    2.711_555_568_743_487_6e-5,
    2.010_334_399_292_288_1e-7,
];
const F: [f64; 8] = [
    1.0,
    5.998_322_065_558_88e-1,
    1.369_298_809_227_358e-1,
    1.487_536_129_085_061_5e-2,
    7.868_691_311_456_133e-4,
    1.846_318_317_510_054_8e-5,
    1.421_511_758_316_446e-7,
    2.044_263_103_389_939_8e-15,
];

#[cfg(test)]
mod tests {
    use super::{normal_tail, student_cdf};
    use crate::measure::normal_cdf;

    /// Abramowitz & Stegun, table 26.10 (from memory): t of 8 and 20 degrees of freedom at 95 % and 99.5 %; and the limit
    /// of many is normal.
    #[test]
    fn students_distribution_is_as_in_tables() {
        for (dof, t, p) in [(8.0, 1.860, 0.95), (8.0, 3.355, 0.995), (20.0, 1.725, 0.95), (20.0, 2.845, 0.995)] {
            assert!((student_cdf(t, dof) - p).abs() < 1e-4, "{dof}: {}", student_cdf(t, dof));
            assert!((student_cdf(-t, dof) - (1.0 - p)).abs() < 1e-4);
        }
        for z in [-50.0, -3.0, -0.0, 0.0, 1e-9, 1.4, 39.0, 1e9] {
            let error = student_cdf(z, f64::INFINITY) - normal_cdf(z);
            assert!(error.abs() < 1e-15, "{z}: {error:e}");
        }
    }

    #[test]
    fn the_short_tail_is_as_accurate_as_its_source_states() {
        for i in -60..=60 {
            let z = f64::from(i) / 10.0;
            let error = normal_tail(z) - normal_cdf(-z);
            assert!(error.abs() < 7.5e-8, "{z}: {error:e}");
        }
    }
}
