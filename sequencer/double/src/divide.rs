//! Quotients.

use crate::multiply::special_product;
use crate::parts::{
    BIAS, FRACTION, GUARD, INFINITY, SIGN, exponent, high, high_fraction, is_normal, low, normalised, of_halves,
    rounded,
};

/// Bits of a digit of the quotient, and of the last one: four of the one and one of the other are what [`rounded`] takes.
const DIGIT: u32 = 13;
const LAST_DIGIT: u32 = FRACTION + GUARD - 4 * DIGIT;

/// `a / b`.
pub fn divide(a: u64, b: u64) -> u64 {
    let (exponent_a, exponent_b) = (exponent(a), exponent(b));
    if !is_normal(exponent_a) || !is_normal(exponent_b) {
        return unusual(a, b);
    }
    quotient(a, b, exponent_a - exponent_b + BIAS)
}

/// Of normal numbers, of whose exponents this becomes the quotient's, or one less.
///
/// Digit by digit, as on paper. A digit is estimated from the first bits of what is left to be divided and a reciprocal of the
/// first 16 bits b of the divisor, rounded down: never too large, and short, where ρ divisors are left, by no more than
/// `2ρ/2¹⁵` of itself for reciprocal and b, half a digit for the bits left out, and one for being whole. So `ρ/2 + 1.5` of
/// the next are left, which is never more than three; the next digit has room for it.
#[inline(never)]
fn quotient(a: u64, b: u64, mut exponent: i32) -> u64 {
    let sign = high(a ^ b) >> 31 << 31;
    let (mut rest, by) = (of_halves(high_fraction(a), low(a)), of_halves(high_fraction(b), low(b)));
    if rest < by {
        rest <<= 1;
        exponent -= 1;
    }
    let reciprocal = reciprocal((high(by) >> 5) + 1);
    let mut quotient = 0;
    for _ in 0..4 {
        (quotient, rest) = next_digit::<DIGIT>(quotient, rest, by, reciprocal);
    }
    (quotient, rest) = next_digit::<LAST_DIGIT>(quotient, rest, by, reciprocal);
    if rest >= by {
        rest -= by;
        quotient += 1;
    }
    rounded(sign, exponent, quotient | u64::from(rest != 0))
}

/// `2³¹/b`, rounded down, for b from 2¹⁵ to 2¹⁶: a straight line within 6 %, twice Newton's method, and then to the last digit.
/// A third of what a division in software takes.
#[inline(always)]
fn reciprocal(b: u32) -> u32 {
    // 48/17 − 32/17·b/2¹⁶, which is never farther from 2¹⁶/b than 1/17 of it; times 2¹⁵.
    let mut x = 92_521 - ((b * 61_681) >> 16);
    for _ in 0..2 {
        x = (x * ((1 << 16) - ((b * x) >> 16))) >> 15;
    }
    while x * b > 1 << 31 {
        x -= 1;
    }
    while (x + 1) * b <= 1 << 31 {
        x += 1;
    }
    x
}

/// The quotient with a digit of so many bits more, and what is then left.
#[inline(always)]
fn next_digit<const BITS: u32>(quotient: u64, rest: u64, by: u64, reciprocal: u32) -> (u64, u64) {
    let digit = ((rest >> 38) as u32).wrapping_mul(reciprocal) >> (30 - BITS);
    // In pieces whose products with the digit fit in 32 bits; what is carried beyond the 64th bit is taken off again.
    let taken = of_halves(high(by).wrapping_mul(digit), digit * (low(by) & 0xffff))
        .wrapping_add(u64::from(digit * (low(by) >> 16)) << 16);
    ((quotient << BITS) + u64::from(digit), (rest << BITS).wrapping_sub(taken))
}

/// Where one of them is not normal.
#[cold]
#[inline(never)]
fn unusual(a: u64, b: u64) -> u64 {
    // A product with what is infinite for zero, and zero for infinity.
    let inverted = match b & !SIGN {
        0 => b | INFINITY,
        INFINITY => b & SIGN,
        _ => b,
    };
    special_product(a, inverted).unwrap_or_else(|| {
        let ((a, exponent_a), (b, exponent_b)) = (normalised(a), normalised(b));
        quotient(a, b, exponent_a - exponent_b + BIAS)
    })
}

#[cfg(test)]
mod tests {
    use super::reciprocal;

    #[test]
    fn reciprocals_are_whole_quotients() {
        for b in 1 << 15..=1 << 16 {
            assert_eq!(reciprocal(b), (1 << 31) / b, "{b}");
        }
    }
}
