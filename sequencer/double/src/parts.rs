//! A double taken apart and put together again. In halves where it matters: a core of 32 bits has no shift of 64 by a
//! variable, and the compiler calls a function for one.

/// The NaN that is returned wherever there is no number.
pub const NAN: u64 = 0x7ff8_0000_0000_0000;

pub(crate) const SIGN: u64 = 1 << 63;
pub(crate) const INFINITY: u64 = 0x7ff0_0000_0000_0000;

/// Bits of the fraction, without the leading one that is not stored.
pub(crate) const FRACTION: u32 = 52;

/// What the exponent's field holds for infinities and NaN.
pub(crate) const NOT_FINITE: i32 = 0x7ff;

/// What the exponent's field holds for numbers from 1 to 2.
pub(crate) const BIAS: i32 = 1_023;

/// Bits below the fraction while a result is made: enough to round by, and one is left above for a carry.
pub(crate) const GUARD: u32 = 10;

/// The leading one of a result in the making.
pub(crate) const LEADING: u64 = 1 << (FRACTION + GUARD);

/// The exponent's field.
#[inline(always)]
pub(crate) const fn exponent(bits: u64) -> i32 {
    (high(bits) << 1 >> 21) as i32
}

#[inline(always)]
pub(crate) const fn high(bits: u64) -> u32 {
    (bits >> 32) as u32
}

#[inline(always)]
pub(crate) const fn low(bits: u64) -> u32 {
    bits as u32
}

#[inline(always)]
pub(crate) const fn of_halves(high: u32, low: u32) -> u64 {
    (high as u64) << 32 | low as u64
}

/// Whether it is neither zero, subnormal, infinite nor NaN.
#[inline(always)]
pub(crate) const fn is_normal(exponent: i32) -> bool {
    (exponent as u32).wrapping_sub(1) < NOT_FINITE as u32 - 1
}

/// The upper half of the fraction of a normal number, with its leading one.
#[inline(always)]
pub(crate) const fn high_fraction(bits: u64) -> u32 {
    high(bits) << 12 >> 12 | 1 << (FRACTION - 32)
}

/// A number that is neither zero nor infinite nor NaN, as a normal one, of the same sign and fraction but any exponent, and
/// the exponent it should have.
#[inline(never)]
pub(crate) fn normalised(bits: u64) -> (u64, i32) {
    let exponent = exponent(bits);
    if exponent > 0 {
        return (bits, exponent);
    }
    let (wide, exponent) = lead((bits & !SIGN) << GUARD, 1);
    (bits & SIGN | (wide ^ LEADING) >> GUARD, exponent)
}

/// Moves a number other than zero up until it begins with [`LEADING`].
#[inline(never)]
pub(crate) fn lead(mut wide: u64, mut exponent: i32) -> (u64, i32) {
    if high(wide) == 0 {
        wide <<= 31;
        exponent -= 31;
    }
    while high(wide) < 1 << 22 {
        wide <<= 8;
        exponent -= 8;
    }
    while wide < LEADING {
        wide <<= 1;
        exponent -= 1;
    }
    (wide, exponent)
}

/// Shifts to the right; where ones are lost the last bit is set, so that rounding still knows of them.
#[inline(always)]
pub(crate) const fn shift_right(wide: u64, by: u32) -> u64 {
    let (mut high, mut low, mut lost) = (high(wide), low(wide), 0);
    if by >= 32 {
        if by >= 64 {
            return (wide != 0) as u64;
        }
        (high, low, lost) = (0, high, low);
    }
    let by = by & 31;
    // Twice, as a shift by 32 is none.
    lost |= low << 1 << (by ^ 31);
    low = low >> by | high << 1 << (by ^ 31);
    high >>= by;
    of_halves(high, low | (lost != 0) as u32)
}

/// A number from its sign, in the upper half, the exponent's field and a fraction that begins with [`LEADING`], rounded.
#[inline(always)]
pub(crate) fn rounded(sign: u32, exponent: i32, wide: u64) -> u64 {
    if !is_normal(exponent) {
        return beyond(sign, exponent, wide);
    }
    // The leading one adds itself to the exponent, and so does the carry of a fraction that is rounded up to 2: to
    // infinity, if it must be.
    to_nearest(wide) + of_halves(sign + (((exponent - 1) as u32) << (FRACTION - 32)), 0)
}

/// Rounded to nearest, ties to even, without the guard bits.
#[inline(always)]
const fn to_nearest(wide: u64) -> u64 {
    let is_odd = low(wide) >> GUARD & 1;
    (wide + ((1 << (GUARD - 1)) - 1 + is_odd) as u64) >> GUARD
}

/// Too large, or subnormal.
#[cold]
#[inline(never)]
fn beyond(sign: u32, exponent: i32, wide: u64) -> u64 {
    let size = if exponent > 0 { INFINITY } else { to_nearest(shift_right(wide, (1 - exponent) as u32)) };
    of_halves(sign, 0) | size
}
