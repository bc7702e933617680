//! Products.

use crate::parts::{
    BIAS, INFINITY, NAN, SIGN, exponent, high, high_fraction, is_normal, low, normalised, of_halves, rounded,
};

/// Bits of a limb: four of them hold a fraction, and four products of two add up in 32 bits.
const LIMB: u32 = 14;
const MASK: u32 = (1 << LIMB) - 1;

/// `a·b`.
pub fn multiply(a: u64, b: u64) -> u64 {
    let (exponent_a, exponent_b) = (exponent(a), exponent(b));
    if !is_normal(exponent_a) || !is_normal(exponent_b) {
        return unusual(a, b);
    }
    product(a, b, exponent_a + exponent_b - BIAS)
}

/// Of normal numbers, of whose exponents this becomes the product's, or one more.
#[inline(never)]
fn product(a: u64, b: u64, mut exponent: i32) -> u64 {
    let sign = high(a ^ b) >> 31 << 31;
    let [a0, a1, a2, a3] = limbs(a);
    let [b0, b1, b2, b3] = limbs(b);
    // Columns of the product by hand, each with what is carried out of the one before.
    let c0 = a0 * b0;
    let c1 = a0 * b1 + a1 * b0 + (c0 >> LIMB);
    let c2 = a0 * b2 + a1 * b1 + a2 * b0 + (c1 >> LIMB);
    let c3 = a0 * b3 + a1 * b2 + a2 * b1 + a3 * b0 + (c2 >> LIMB);
    let c4 = a1 * b3 + a2 * b2 + a3 * b1;
    let c5 = a2 * b3 + a3 * b2;
    let c6 = a3 * b3;
    let below = (c0 | c1 | c2) << (32 - LIMB);
    // From the column of c3 on, which is 64 bits: the product begins with the first or the second of them.
    let wide = of_halves((c6 << (3 * LIMB - 32)) + (c5 >> (32 - 2 * LIMB)) + (c4 >> (32 - LIMB)), c3)
        + u64::from(c4 << LIMB)
        + u64::from(c5 << (2 * LIMB));
    let mut wide = wide | u64::from(below != 0);
    if high(wide) >> 31 != 0 {
        wide = wide >> 1 | wide & 1;
        exponent += 1;
    }
    rounded(sign, exponent, wide)
}

/// A fraction in pieces, the least first.
#[inline(always)]
fn limbs(bits: u64) -> [u32; 4] {
    let (low, high) = (low(bits), high_fraction(bits));
    [low & MASK, low >> LIMB & MASK, (low >> (2 * LIMB) | high << 4) & MASK, high >> 10]
}

/// Where one of them is not normal.
#[cold]
#[inline(never)]
fn unusual(a: u64, b: u64) -> u64 {
    special_product(a, b).unwrap_or_else(|| {
        let ((a, exponent_a), (b, exponent_b)) = (normalised(a), normalised(b));
        product(a, b, exponent_a + exponent_b - BIAS)
    })
}

/// Where one of them is zero, infinite or NaN.
#[inline(never)]
pub(crate) fn special_product(a: u64, b: u64) -> Option<u64> {
    let sign = (a ^ b) & SIGN;
    let (size_a, size_b) = (a & !SIGN, b & !SIGN);
    let (less, more) = if size_a < size_b { (size_a, size_b) } else { (size_b, size_a) };
    if more > INFINITY || (more == INFINITY && less == 0) {
        Some(NAN)
    } else if less == 0 {
        Some(sign)
    } else if more == INFINITY {
        Some(sign | INFINITY)
    } else {
        None
    }
}
