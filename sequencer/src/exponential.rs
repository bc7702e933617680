//! The exponential function and the logarithm, by the polynomials that most C libraries use (fdlibm, `e_exp.c` and `e_log.c`;
//! the coefficients as in the `libm` crate): the same to the last digit or two, without what those do about floating-point
//! flags, in half of the flash. The smallest part has none to spare.

/// ln 2 in two parts, the first so short that a multiple of it is exact.
const LN2: [f64; 2] = [6.931_471_803_691_238e-1, 1.908_214_929_270_587_7e-10];

/// `r − r²·(P0 + P1·r² + …)` is what `r·(e^r + 1)/(e^r − 1)` leaves of 2.
const P: [f64; 5] = [
    4.138_136_797_057_238_5e-8,
    -1.653_390_220_546_525_2e-6,
    6.613_756_321_437_934e-5,
    -2.777_777_777_701_559_3e-3,
    1.666_666_666_666_660_2e-1,
];

/// Beyond this nothing is left, or more than a double holds.
const MOST: f64 = 700.0;

/// `e^x`; 0 below e⁻⁷⁰⁰, and infinity above e⁷⁰⁰.
// Once, wherever it is called from.
#[inline(never)]
pub(crate) fn exp(x: f64) -> f64 {
    if !(x > -MOST && x < MOST) {
        // Not a number stays none.
        return if x >= MOST {
            f64::INFINITY
        } else if x < 0.0 {
            0.0
        } else {
            x
        };
    }
    // x = k·ln 2 + r, with r not over half of ln 2.
    let k = (x * core::f64::consts::LOG2_E + if x < 0.0 { -0.5 } else { 0.5 }) as i32;
    let (high, low) = (x - f64::from(k) * LN2[0], f64::from(k) * LN2[1]);
    let r = high - low;
    let square = r * r;
    let c = r - square * P.iter().fold(0.0, |sum, p| sum * square + p);
    let value = 1.0 - ((low - r * c / (2.0 - c)) - high);
    value * f64::from_bits(((1_023 + k) as u64) << 52)
}

/// `(ln(1 + f) − f + f²/2)/f` as a polynomial of `(f/(2 + f))²`.
const L: [f64; 7] = [
    1.479_819_860_511_658_6e-1,
    1.531_383_769_920_937_3e-1,
    1.818_357_216_161_805e-1,
    2.222_219_843_214_978_4e-1,
    2.857_142_874_366_239e-1,
    3.999_999_999_940_942e-1,
    6.666_666_666_666_735e-1,
];

/// Mantissa of the square root of a half.
const ROOT: u64 = 0x6_a09e_667f_3bcd;

/// Natural logarithm; minus infinity at 0 and what is too small to be normal, not a number below.
// Once, wherever it is called from.
#[inline(never)]
pub(crate) fn ln(x: f64) -> f64 {
    if !(f64::MIN_POSITIVE..f64::INFINITY).contains(&x) {
        return if (0.0..1.0).contains(&x) {
            f64::NEG_INFINITY
        } else if x < 0.0 {
            f64::NAN
        } else {
            x
        };
    }
    // x = 2^k·(1 + f), with 1 + f between the roots of a half and of 2.
    let bits = x.to_bits();
    let mantissa = bits & ((1 << 52) - 1);
    let above = u64::from(mantissa >= ROOT);
    let k = f64::from((bits >> 52) as i32 + above as i32 - 1_023);
    let f = f64::from_bits(mantissa | (1_023 - above) << 52) - 1.0;
    let s = f / (2.0 + f);
    let square = s * s;
    let half = 0.5 * f * f;
    let rest = square * L.iter().fold(0.0, |sum, p| sum * square + p);
    k * LN2[0] - ((half - (s * (half + rest) + k * LN2[1])) - f)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_edges() {
        assert_eq!([exp(0.0), exp(-0.0), exp(-701.0), exp(f64::NEG_INFINITY)], [1.0, 1.0, 0.0, 0.0]);
        assert_eq!([exp(701.0), exp(f64::INFINITY)], [f64::INFINITY; 2]);
        assert!(exp(f64::NAN).is_nan());
        assert!(exp(1.0).to_bits().abs_diff(core::f64::consts::E.to_bits()) <= 1);
    }

    #[test]
    fn the_edges_of_the_logarithm() {
        assert_eq!(
            [ln(1.0), ln(0.0), ln(-0.0), ln(f64::INFINITY)],
            [0.0, f64::NEG_INFINITY, f64::NEG_INFINITY, f64::INFINITY]
        );
        assert!(ln(-1.0).is_nan() && ln(f64::NAN).is_nan());
    }

    proptest! {
        #[test]
        fn the_logarithm_as_others_have_it(
            x in prop_oneof![Just(f64::MIN_POSITIVE), 1e-300f64..1e-290, 1e-9f64..1.0, 0.7f64..1.5, 1.0f64..1e300],
        ) {
            let (ours, theirs) = (ln(x), libm::log(x));
            prop_assert!(ours.to_bits().abs_diff(theirs.to_bits()) <= 2, "{x:e}: {ours:e} {theirs:e}");
        }

        /// As in the crate, to two units of the last place.
        #[test]
        fn as_others_have_it(x in prop_oneof![-700.0f64..700.0, -1.0f64..1.0, -1e-9f64..1e-9]) {
            let (ours, theirs) = (exp(x), libm::exp(x));
            prop_assert!(ours.to_bits().abs_diff(theirs.to_bits()) <= 2, "{x:e}: {ours:e} {theirs:e}");
        }
    }
}
