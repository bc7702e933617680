//! The body of the trials image: energises every output, then fails in the requested way, so that a test can observe
//! the outputs from outside.

use crate::console::Console;
use crate::two_stacks;
use core::hint::black_box;
use core::str;
use cortex_m_semihosting::{debug, nr, syscall1};
use seathold_on_target::tell::Tell;

/// Longest word of the command line, with the zero at its end.
const WORD_MAX: usize = 32;

/// An address that is unmapped on all boards. (The emulated M3 is an old one and reads zero there.)
const UNMAPPED: *const u32 = 0x3000_0000 as *const u32;

/// Fails in the way named on the emulator's command line. `energise` energises all outputs; `stall` starts the watchdog
/// and hangs, where the board has one.
pub fn run(energise: fn(), stall: Option<fn() -> !>) -> ! {
    let mut word = [0; WORD_MAX];
    let word = command_line(&mut word);
    Console::open().line(format_args!("trial {word}"));
    if let Some(mut core) = cortex_m::Peripherals::take() {
        two_stacks::guard(&mut core.MPU);
    }
    energise();
    match (word, stall) {
        ("panic", _) => panic!("on purpose"),
        ("undefined", _) => cortex_m::asm::udf(),
        // SAFETY: it is not: that is the injected fault. The read faults.
        ("bus", _) => _ = black_box(unsafe { UNMAPPED.read_volatile() }),
        ("overflow", _) => _ = black_box(deeper(black_box(1))),
        ("stall", Some(stall)) => stall(),
        _ => {}
    }
    // Nothing failed, or there is no such trial here.
    debug::exit(debug::EXIT_SUCCESS);
    loop {
        cortex_m::asm::nop();
    }
}

/// The emulator's command line.
fn command_line(room: &mut [u8; WORD_MAX]) -> &str {
    let mut block = [room.as_mut_ptr() as usize, room.len()];
    // SAFETY: the block names a buffer that is alive and its length; the call writes no further (Semihosting for
    // AArch32 and AArch64, SYS_GET_CMDLINE).
    let failed = unsafe { syscall1(nr::GET_CMDLINE, block.as_mut_ptr() as usize) };
    let length = if failed == 0 { block[1].min(WORD_MAX) } else { 0 };
    let word = room.get(..length).unwrap_or_default();
    str::from_utf8(word).unwrap_or_default().trim_end_matches('\0')
}

/// Endless, and using the value on return, so that it cannot be optimised to a loop.
#[inline(never)]
#[expect(unconditional_recursion, reason = "that is the injected fault")]
fn deeper(depth: u32) -> u32 {
    let here = black_box([depth; 8]);
    deeper(black_box(depth + 1)).wrapping_add(here[0])
}
