//! Comparisons. Nothing is less than NaN, equal to it, or more.

use crate::parts::{SIGN, high, low};

/// `a < b`.
#[inline]
pub fn is_less(a: u64, b: u64) -> bool {
    ordered(a, b, false)
}

/// `a ≤ b`.
#[inline]
pub fn is_at_most(a: u64, b: u64) -> bool {
    ordered(a, b, true)
}

/// Whether either is NaN.
#[inline]
pub fn is_unordered(a: u64, b: u64) -> bool {
    is_nan(a) || is_nan(b)
}

/// Whether the first is the smaller, or as said where they are equal.
#[inline]
fn ordered(a: u64, b: u64, if_equal: bool) -> bool {
    if is_unordered(a, b) {
        return false;
    }
    // Bits order as whole numbers do, the other way round where both are negative; but for zeros of two signs.
    if a == b || (a | b) & !SIGN == 0 {
        return if_equal;
    }
    let below = (a as i64) < (b as i64);
    below != (high(a & b) >> 31 != 0)
}

#[inline(always)]
fn is_nan(bits: u64) -> bool {
    (high(bits) << 1 | u32::from(low(bits) != 0)) > 0xffe0_0000
}
