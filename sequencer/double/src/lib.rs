#![no_std]
//! Sum, product, quotient and comparison of doubles in whole numbers, to the bit: IEEE 754, binary64, round to nearest, ties to
//! even, with subnormal numbers, infinities, signed zeros. Every NaN that comes out is the same one, [`NAN`].
//!
//! For a core that multiplies 32 bits by 32 into 32 and has no other multiplication (Armv6-M). What the compiler comes
//! with is written for cores that can do more: there a product of doubles takes three times the instructions. The images
//! under `sequencer/boards` put these in its place; the host has hardware for it, and tests these against that.
//!
//! Numbers are given and returned as their bits.

mod add;
mod compare;
mod convert;
mod divide;
mod multiply;
mod parts;

pub use add::{add, subtract};
pub use compare::{is_at_most, is_less, is_unordered};
pub use convert::{from_float, from_signed, from_unsigned};
pub use divide::divide;
pub use multiply::multiply;
pub use parts::NAN;

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
mod readme {}
