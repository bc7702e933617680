#![no_std]
//! What every image shares. A board's own folder holds only what differs: its memory map, its outputs, its clock.
//!
//! | room | what it holds |
//! |---|---|
//! | [`console`] | lines over semihosting |
//! | [`counter`] | instructions between two moments, in an emulator that counts them |
//! | [`stack`] | how deep the stack has been |
//! | [`down`] | what happens after a panic or a hard fault: outputs at rest before anything else |
//! | [`on_target`] | the body of the on-target image |

pub mod console;
pub mod counter;
pub mod down;
pub mod on_target;
pub mod stack;
