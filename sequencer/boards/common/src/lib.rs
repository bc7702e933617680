#![no_std]
//! Code shared by every image. A board's own folder holds only what differs: its memory map, its outputs, its clock.
//!
//! | module | contents |
//! |---|---|
//! | [`console`] | lines over semihosting |
//! | [`counter`] | instructions between two moments, in an emulator that counts them |
//! | [`stack`] | how deep the stacks have been |
//! | [`two_stacks`] | one for the program, one for exceptions |
//! | [`down`] | what happens after a panic or a hard fault: outputs at rest before anything else |
//! | [`on_target`] | the body of the on-target image |
//! | [`stop_memory`] | an emergency stop survives a reset |
//! | [`trials`] | the body of the trials image: fault injection |

pub mod console;
pub mod counter;
pub mod down;
pub mod on_target;
pub mod stack;
pub mod stop_memory;
pub mod trials;
pub mod two_stacks;
