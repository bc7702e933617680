//! Stack depth, by painting free stack and counting the overwritten part.
//!
//! The stacks lie *below* all statics (each board's `memory.x`), the program's lowest, so one that grows too far runs
//! off the end of memory and faults, instead of overwriting data. That is the effect of a flipped link layout, without
//! a second link. [`two_stacks`](crate::two_stacks) ensures that it does fault, and that the fault can be handled.

use core::ptr;
use core::sync::atomic::{AtomicU32, Ordering};
use cortex_m_rt::STACK_PAINT_VALUE as PAINT;

unsafe extern "C" {
    static mut _stack_end: u32;
    static mut _program_stack_start: u32;
    static mut _stack_start: u32;
}

/// Painted by [`paint_below`], in bytes; a deeper step reads as exactly this.
pub const WINDOW: usize = 6 * 1024;

fn lowest() -> *mut u32 {
    ptr::addr_of_mut!(_stack_end)
}

/// Top of the program's stack, and lowest of the handlers'.
fn border() -> *mut u32 {
    ptr::addr_of_mut!(_program_stack_start)
}

fn highest() -> *mut u32 {
    ptr::addr_of_mut!(_stack_start)
}

/// Lowest address of the window below a stack pointer.
fn window_below(sp: *mut u32) -> *mut u32 {
    let bottom = sp.wrapping_byte_sub(WINDOW);
    if bottom < lowest() || bottom > sp { lowest() } else { bottom }
}

/// Deepest use hidden by repainting.
static PAINTED_OVER: AtomicU32 = AtomicU32::new(0);

/// Paints the memory just below the caller's stack.
#[inline(always)]
pub fn paint_below() {
    let sp = cortex_m::register::psp::read() as *mut u32;
    let mut word = window_below(sp);
    // One writer only, so no read-modify-write is needed, which the smallest cores do not have.
    PAINTED_OVER.store(PAINTED_OVER.load(Ordering::Relaxed).max(overwritten(word, border())), Ordering::Relaxed);
    while word < sp {
        // SAFETY: the words lie inside the stack, by the check in `window_below`, and below the stack pointer, so no
        // live value is there. An interrupt between two writes pushes below the pointer too and has popped before the
        // next write; it overwrote only paint.
        unsafe { word.write_volatile(PAINT) };
        word = word.wrapping_add(1);
    }
}

/// Bytes of paint overwritten below the caller's stack since [`paint_below`].
#[inline(always)]
pub fn used_below() -> u32 {
    let sp = cortex_m::register::psp::read() as *mut u32;
    overwritten(window_below(sp), sp)
}

/// Bytes of the program's stack ever used since reset, and its size.
pub fn deepest() -> (u32, u32) {
    let used = overwritten(lowest(), border()).max(PAINTED_OVER.load(Ordering::Relaxed));
    (used, border() as u32 - lowest() as u32)
}

/// Bytes of the handlers' stack ever used since reset, and its size.
pub fn deepest_of_handlers() -> (u32, u32) {
    (overwritten(border(), highest()), highest() as u32 - border() as u32)
}

fn overwritten(from: *mut u32, to: *mut u32) -> u32 {
    let mut word = from;
    // SAFETY: read-only, and inside the stack as above.
    while word < to && unsafe { word.read_volatile() } == PAINT {
        word = word.wrapping_add(1);
    }
    to as u32 - word as u32
}
