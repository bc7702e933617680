//! Sums and differences.

use crate::parts::{
    FRACTION, GUARD, LEADING, NAN, NOT_FINITE, SIGN, exponent, high, lead, low, of_halves, rounded, shift_right,
};

/// `a − b`.
#[inline(always)]
pub fn subtract(a: u64, b: u64) -> u64 {
    add(a, b ^ SIGN)
}

/// `a + b`.
#[inline]
pub fn add(a: u64, b: u64) -> u64 {
    // The larger first, by magnitude.
    let (a, b) = if is_less(a, b) { (b, a) } else { (a, b) };
    let (mut exponent_a, exponent_b) = (exponent(a), exponent(b));
    if exponent_a == NOT_FINITE {
        return not_finite(a, b);
    }
    if exponent_b == 0 && b & !SIGN == 0 {
        // Zeros of both signs are a positive one.
        return if a & !SIGN == 0 { a & b } else { a };
    }
    let (mut wide, lesser) = (fraction(a, exponent_a), fraction(b, exponent_b));
    exponent_a += i32::from(exponent_a == 0);
    let apart = exponent_a - exponent_b - i32::from(exponent_b == 0);
    let lesser = shift_right(lesser, apart as u32);
    if high(a ^ b) >> 31 == 0 {
        wide += lesser;
        if high(wide) >> 31 != 0 {
            wide = wide >> 1 | wide & 1;
            exponent_a += 1;
        }
    } else {
        wide -= lesser;
        if wide == 0 {
            return 0;
        }
    }
    if high(wide) < high(LEADING) {
        (wide, exponent_a) = lead(wide, exponent_a);
    }
    rounded(high(a) >> 31 << 31, exponent_a, wide)
}

/// Whether `a` is the smaller, by magnitude.
#[inline(always)]
fn is_less(a: u64, b: u64) -> bool {
    let (high_a, high_b) = (high(a) << 1, high(b) << 1);
    high_a < high_b || (high_a == high_b && low(a) < low(b))
}

/// The fraction in its place above the guard bits; a subnormal number has no leading one.
#[inline(always)]
fn fraction(bits: u64, exponent: i32) -> u64 {
    let leading = u32::from(exponent != 0) << (FRACTION - 32);
    of_halves(high(bits) << 12 >> 12 | leading, low(bits)) << GUARD
}

/// Where `a`, the larger, is infinite or NaN.
#[cold]
#[inline(never)]
fn not_finite(a: u64, b: u64) -> u64 {
    let is_infinite = a << 12 == 0;
    // Infinities of both signs are none.
    if is_infinite && (a == b || exponent(b) < NOT_FINITE) { a } else { NAN }
}
