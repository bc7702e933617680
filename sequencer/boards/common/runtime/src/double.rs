//! Arithmetic of doubles, of `seathold-double`.

use seathold_double::{
    add, divide, from_float, from_signed, from_unsigned, is_at_most, is_less, is_unordered, multiply,
};

/// `a + b`.
// SAFETY: the name is that of the function the ABI describes, with its arguments and result: doubles in pairs of core
// registers, which is where whole numbers of 64 bits go as well. The compiler's own is a weak symbol. So are all below.
#[unsafe(no_mangle)]
pub extern "aapcs" fn __aeabi_dadd(a: u64, b: u64) -> u64 {
    add(a, b)
}

/// `a − b`.
// SAFETY: see `__aeabi_dadd`.
#[unsafe(no_mangle)]
pub extern "aapcs" fn __aeabi_dsub(a: u64, b: u64) -> u64 {
    __aeabi_dadd(a, b ^ 1 << 63)
}

/// `a·b`.
// SAFETY: see `__aeabi_dadd`.
#[unsafe(no_mangle)]
pub extern "aapcs" fn __aeabi_dmul(a: u64, b: u64) -> u64 {
    multiply(a, b)
}

/// `a / b`.
// SAFETY: see `__aeabi_dadd`.
#[unsafe(no_mangle)]
pub extern "aapcs" fn __aeabi_ddiv(a: u64, b: u64) -> u64 {
    divide(a, b)
}

/// 1 where `a < b`.
// SAFETY: see `__aeabi_dadd`.
#[unsafe(no_mangle)]
pub extern "aapcs" fn __aeabi_dcmplt(a: u64, b: u64) -> u32 {
    is_less(a, b).into()
}

/// 1 where `a > b`.
// SAFETY: see `__aeabi_dadd`.
#[unsafe(no_mangle)]
pub extern "aapcs" fn __aeabi_dcmpgt(a: u64, b: u64) -> u32 {
    __aeabi_dcmplt(b, a)
}

/// 1 where `a ≤ b`.
// SAFETY: see `__aeabi_dadd`.
#[unsafe(no_mangle)]
pub extern "aapcs" fn __aeabi_dcmple(a: u64, b: u64) -> u32 {
    is_at_most(a, b).into()
}

/// 1 where `a ≥ b`.
// SAFETY: see `__aeabi_dadd`.
#[unsafe(no_mangle)]
pub extern "aapcs" fn __aeabi_dcmpge(a: u64, b: u64) -> u32 {
    __aeabi_dcmple(b, a)
}

/// 1 where `a` or `b` is NaN.
// SAFETY: see `__aeabi_dadd`.
#[unsafe(no_mangle)]
pub extern "aapcs" fn __aeabi_dcmpun(a: u64, b: u64) -> u32 {
    is_unordered(a, b).into()
}

/// A whole number as a double.
// SAFETY: see `__aeabi_dadd`.
#[unsafe(no_mangle)]
pub extern "aapcs" fn __aeabi_ul2d(whole: u64) -> u64 {
    from_unsigned(whole)
}

/// The same, of 32 bits.
// SAFETY: see `__aeabi_dadd`.
#[unsafe(no_mangle)]
pub extern "aapcs" fn __aeabi_ui2d(whole: u32) -> u64 {
    __aeabi_ul2d(whole.into())
}

/// The same, with a sign.
// SAFETY: see `__aeabi_dadd`.
#[unsafe(no_mangle)]
pub extern "aapcs" fn __aeabi_l2d(whole: i64) -> u64 {
    from_signed(whole)
}

/// The same, with a sign, of 32 bits.
// SAFETY: see `__aeabi_dadd`.
#[unsafe(no_mangle)]
pub extern "aapcs" fn __aeabi_i2d(whole: i32) -> u64 {
    __aeabi_l2d(whole.into())
}

/// A float of 32 bits as a double.
// SAFETY: see `__aeabi_dadd`.
#[unsafe(no_mangle)]
pub extern "aapcs" fn __aeabi_f2d(float: u32) -> u64 {
    from_float(float)
}
