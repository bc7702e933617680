//! Two stacks: one for the program, below it nothing; one for exceptions, above it.
//!
//! A program that recurses too far must fault, and the fault must find a stack to be handled on. With one stack for
//! both, the core could not enter the handler: it would lock up, with the outputs as they were. Here the program runs
//! on the process stack (PSP) and exceptions on the main one (MSP), which still has room. Each board's `memory.x` says
//! where the border is.

use cortex_m::peripheral::MPU;

/// What lies below the stack and is forbidden, in bytes as a power of two: more than any one function takes at a time.
const GUARD_POWER: u32 = 20;

unsafe extern "C" {
    static _stack_end: u32;
}

/// Called by `cortex-m-rt` at reset, before memory is set up: from here to the end the program is on its own stack.
///
/// Nothing of a caller's lies on the stack yet, so it can be changed under it. It must not touch memory, hence
/// assembler.
#[unsafe(no_mangle)]
#[unsafe(naked)]
pub extern "C" fn __pre_init() {
    core::arch::naked_asm!(
        "ldr r0, =_program_stack_start",
        "msr psp, r0",
        // CONTROL.SPSEL (ARMv6-M and ARMv7-M Architecture Reference Manuals, B1.4.4).
        "movs r0, #2",
        "msr control, r0",
        "isb",
        "bx lr",
    )
}

/// Forbids what lies below the stack, where the core has a memory protection unit: not every part faults there by
/// itself. In a handler of hard faults the unit is off.
pub fn guard(mpu: &mut MPU) {
    const ENABLE: u32 = 1;
    /// Privileged code sees the rest of memory as without the unit.
    const REST_AS_BEFORE: u32 = 1 << 2;
    /// No access at all (AP 0) and no execution.
    const NOTHING: u32 = 1 << 28;

    let below = (&raw const _stack_end as u32).wrapping_sub(1 << GUARD_POWER);
    // Number of regions; none means no unit.
    if mpu._type.read() & 0xff00 == 0 {
        return;
    }
    // SAFETY: the region holds no memory that any code uses, and all the rest is as it was (ARMv7-M Architecture
    // Reference Manual B3.5; the ARMv6-M unit has the same registers).
    unsafe {
        mpu.rnr.write(0);
        mpu.rbar.write(below);
        mpu.rasr.write(NOTHING | (GUARD_POWER - 1) << 1 | ENABLE);
        mpu.ctrl.write(REST_AS_BEFORE | ENABLE);
    }
    cortex_m::asm::dsb();
    cortex_m::asm::isb();
}
