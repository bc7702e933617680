//! Numbers of other kinds as doubles.

use crate::multiply::multiply;
use crate::parts::{BIAS, FRACTION, GUARD, INFINITY, NAN, SIGN, high, lead, rounded, shift_right};

/// A whole number, rounded where it has more digits than a double.
pub fn from_unsigned(whole: u64) -> u64 {
    rounded_whole(0, whole)
}

/// The same, with a sign.
pub fn from_signed(whole: i64) -> u64 {
    rounded_whole(high(whole as u64) >> 31 << 31, whole.unsigned_abs())
}

#[inline(never)]
fn rounded_whole(sign: u32, size: u64) -> u64 {
    // In its place it is a multiple of the last guard bit: that of a number so many times as large as itself.
    const ONE: i32 = BIAS + (FRACTION + GUARD) as i32;
    if size == 0 {
        return 0;
    }
    let (wide, exponent) = if size < SIGN { (size, ONE) } else { (shift_right(size, 1), ONE + 1) };
    let (wide, exponent) = lead(wide, exponent);
    rounded(sign, exponent, wide)
}

/// A float of 32 bits.
pub fn from_float(float: u32) -> u64 {
    const INFINITE: u32 = 0x7f80_0000;
    // Shifted to the double's place the fraction is right, and the exponent short by what the two biases differ by, which a
    // product makes good for subnormal ones too.
    const RAISE: u64 = (BIAS as u64 + 1_023 - 127) << FRACTION;
    let size = float << 1 >> 1;
    let (moved, sign) = (u64::from(size) << (FRACTION - 23), u64::from(float >> 31) << 63);
    match size {
        ..INFINITE => sign | multiply(moved, RAISE),
        INFINITE => sign | INFINITY,
        _ => NAN,
    }
}
