//! How deep the stack has been, by painting what is free and looking how much paint is gone.
//!
//! The stack lies *below* all statics (each board's `memory.x`), so one that grows too far runs off the end of memory
//! and faults, in place of writing over data. That is what a flipped link layout does, without a second link.

use core::ptr;
use cortex_m_rt::STACK_PAINT_VALUE as PAINT;

unsafe extern "C" {
    static mut _stack_end: u32;
    static mut _stack_start: u32;
}

/// Painted by [`paint_below`], in bytes; a step that goes deeper shows as exactly this.
pub const WINDOW: usize = 6 * 1024;

fn lowest() -> *mut u32 {
    ptr::addr_of_mut!(_stack_end)
}

fn highest() -> *mut u32 {
    ptr::addr_of_mut!(_stack_start)
}

/// Lowest address of the window below a stack pointer.
fn window_below(sp: *mut u32) -> *mut u32 {
    let bottom = sp.wrapping_byte_sub(WINDOW);
    if bottom < lowest() || bottom > sp { lowest() } else { bottom }
}

/// Paints what lies just below the caller's stack.
#[inline(always)]
pub fn paint_below() {
    let sp = cortex_m::register::msp::read() as *mut u32;
    let mut word = window_below(sp);
    while word < sp {
        // SAFETY: the words lie inside the stack, by the check in `window_below`, and below the stack pointer, so no
        // live value is there. An interrupt between two writes pushes below the pointer too and has popped before the
        // next write; what it overwrote is only paint.
        unsafe { word.write_volatile(PAINT) };
        word = word.wrapping_add(1);
    }
}

/// Bytes of paint gone below the caller's stack since [`paint_below`].
#[inline(always)]
pub fn used_below() -> u32 {
    let sp = cortex_m::register::msp::read() as *mut u32;
    gone(window_below(sp), sp)
}

/// Bytes of the whole stack ever used since reset, and its size.
pub fn deepest() -> (u32, u32) {
    (gone(lowest(), highest()), highest() as u32 - lowest() as u32)
}

fn gone(from: *mut u32, to: *mut u32) -> u32 {
    let mut word = from;
    // SAFETY: read-only, and inside the stack as above.
    while word < to && unsafe { word.read_volatile() } == PAINT {
        word = word.wrapping_add(1);
    }
    to as u32 - word as u32
}
