#![no_std]
//! What compiled code calls where an Armv6-M core has no instruction, by the names and registers of the Run-time ABI for the
//! Arm Architecture (4.1.2, 4.3.1 and 4.3.4). Linked into an image (`use seathold_board_runtime as _`) these are taken before
//! the compiler's own, which are larger, and slower where it matters.
//!
//! | module | contents |
//! |---|---|
//! | [`double`] | arithmetic, comparisons and conversions of doubles |
//! | [`quotient`] | quotients of 64 bits |
//! | [`memory`] | memory copied, filled and cleared |

pub mod double;
pub mod memory;
pub mod quotient;
