//! Sums, products and quotients against the host's own, to the bit.

use proptest::prelude::*;
use seathold_double::{
    NAN, add, divide, from_float, from_signed, from_unsigned, is_at_most, is_less, is_unordered, multiply, subtract,
};

/// Every operation on both orders, against the processor. Any NaN will do for one.
fn agrees(a: u64, b: u64) -> Result<(), TestCaseError> {
    let (x, y) = (f64::from_bits(a), f64::from_bits(b));
    let cases = [
        ("+", add(a, b), x + y),
        ("reversed +", add(b, a), y + x),
        ("-", subtract(a, b), x - y),
        ("reversed -", subtract(b, a), y - x),
        ("*", multiply(a, b), x * y),
        ("reversed *", multiply(b, a), y * x),
        ("/", divide(a, b), x / y),
        ("reversed /", divide(b, a), y / x),
    ];
    for (what, ours, theirs) in cases {
        let expected = if theirs.is_nan() { NAN } else { theirs.to_bits() };
        prop_assert_eq!(ours, expected, "{:x} {} {:x}: {} {} {}", a, what, b, x, what, y);
    }
    let comparisons = [
        ("<", is_less(a, b), x < y),
        (">", is_less(b, a), x > y),
        ("<=", is_at_most(a, b), x <= y),
        (">=", is_at_most(b, a), x >= y),
        ("beside NaN", is_unordered(a, b), x.is_nan() || y.is_nan()),
    ];
    for (what, ours, theirs) in comparisons {
        prop_assert_eq!(ours, theirs, "{:x} {} {:x}: {} {} {}", a, what, b, x, what, y);
    }
    Ok(())
}

/// Bits whose neighbourhoods are where rounding, carries and the ends of the range lie.
fn hard() -> Vec<u64> {
    let mut bits = Vec::new();
    let exponents = [0, 1, 2, 3, 52, 53, 54, 970, 1_021, 1_022, 1_023, 1_024, 1_075, 1_076, 2_044, 2_045, 2_046, 2_047];
    let fractions = [
        0,
        1,
        2,
        3,
        (1 << 52) - 1,
        (1 << 52) - 2,
        1 << 51,
        (1 << 51) + 1,
        (1 << 51) - 1,
        1 << 26,
        (1 << 26) + 1,
        (1 << 26) - 1,
        0x5_5555_5555_5555,
        0xa_aaaa_aaaa_aaaa,
        0xf_ffff_0000_0000,
        0x0_0000_ffff_ffff,
        0x3_fff8_0000_2000,
    ];
    for exponent in exponents {
        for fraction in fractions {
            let size = exponent << 52 | fraction;
            bits.extend([size, size | 1 << 63]);
        }
    }
    bits
}

#[test]
fn every_pair_of_hard_numbers() {
    let hard = hard();
    for &a in &hard {
        for &b in &hard {
            agrees(a, b).unwrap();
        }
    }
}

/// Whole numbers about every power of two, as doubles are rounded and not.
#[test]
fn whole_numbers_about_every_power_of_two() {
    for power in 0..64 {
        for apart in (-9_i64..=9).flat_map(|n| (0..64).map(move |shift| n.wrapping_shl(shift))) {
            let whole = (1_u64 << power).wrapping_add_signed(apart);
            assert_eq!(from_unsigned(whole), (whole as f64).to_bits(), "{whole}");
            assert_eq!(from_signed(whole as i64), (whole as i64 as f64).to_bits(), "{}", whole as i64);
        }
    }
}

#[test]
fn floats_of_every_exponent() {
    for exponent in 0..256 {
        for fraction in [0, 1, 2, 3, 0x40_0000, 0x40_0001, 0x2a_aaaa, 0x7f_ffff] {
            for sign in [0, 1] {
                let bits = sign << 31 | exponent << 23 | fraction;
                let (ours, theirs) = (from_float(bits), f64::from(f32::from_bits(bits)));
                assert!(ours == theirs.to_bits() || f64::from_bits(ours).is_nan() && theirs.is_nan(), "{bits:x}");
            }
        }
    }
}

/// A number whose significand has few ones, or few zeros: products and sums of these are halfway between two doubles
/// more often than by chance.
fn sparse() -> impl Strategy<Value = u64> {
    (any::<bool>(), 0..2_048_u64, prop::collection::vec(0..52_u32, 0..4), any::<bool>()).prop_map(
        |(negative, exponent, ones, inverted)| {
            let fraction = ones.iter().fold(0, |fraction, one| fraction | 1_u64 << one);
            let fraction = if inverted { !fraction & ((1 << 52) - 1) } else { fraction };
            u64::from(negative) << 63 | exponent << 52 | fraction
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40_000))]

    #[test]
    fn any_bits(a: u64, b: u64) {
        agrees(a, b)?;
    }

    #[test]
    fn few_ones_or_few_zeros(a in sparse(), b in sparse()) {
        agrees(a, b)?;
    }

    /// As differences cancel.
    #[test]
    fn numbers_near_each_other(a: u64, apart in -4_i64..=4, exponents in -2_i64..=2, shift in 0..54_u32) {
        let b = a.wrapping_add_signed(apart << shift).wrapping_add_signed(exponents << 52);
        agrees(a, b)?;
        agrees(a, b ^ 1 << 63)?;
    }

    /// Exponents a few apart, as sums are rounded.
    #[test]
    fn sums_with_digits_beyond_the_last(a: u64, b: u64, apart in 0..70_u64) {
        let exponent = (a >> 52 & 0x7ff).saturating_sub(apart);
        agrees(a, b & !(0x7ff << 52) | exponent << 52)?;
    }

    /// Exponents that make a product or quotient subnormal or just not, or too large or just not.
    #[test]
    fn results_at_the_ends_of_the_range(a: u64, b: u64, off in -60_i64..=4, large: bool, product: bool) {
        let exponent = (a >> 52 & 0x7ff) as i64;
        let wanted = if large { 2_046 - off.rem_euclid(4) } else { off };
        let other = if product { wanted + 1_023 - exponent } else { exponent - wanted + 1_023 };
        if (0..=0x7ff).contains(&other) {
            agrees(a, b & !(0x7ff << 52) | (other as u64) << 52)?;
        }
    }
}
