//! Memory copied, filled and cleared: by words where both ends are aligned to them, else byte by byte.
//!
//! In assembly, as a compiler that sees such a loop in Rust puts a call of the function itself in its place; and in one section,
//! as they are reached from each other by short branches.

use core::arch::naked_asm;

/// Copies so many bytes to the first address from the second, both aligned to 4 bytes.
// SAFETY: the name, registers and preserved registers are those of the function the ABI describes, which bounds what it
// reads and writes by the caller's arguments. The compiler's own is a weak symbol. So are all below.
#[unsafe(no_mangle)]
#[unsafe(naked)]
#[unsafe(link_section = ".text.memory")]
pub unsafe extern "aapcs" fn __aeabi_memcpy4(to: *mut u8, from: *const u8, bytes: usize) {
    naked_asm!(
        "subs r2, #4",
        "blo 3f",
        "2:",
        "ldm r1!, {{r3}}",
        "stm r0!, {{r3}}",
        "subs r2, #4",
        "bhs 2b",
        "3:",
        "adds r2, #4",
        "b {bytes}",
        bytes = sym copy_bytes,
    )
}

/// The same, aligned to 8 bytes.
// SAFETY: see `__aeabi_memcpy4`.
#[unsafe(no_mangle)]
#[unsafe(naked)]
#[unsafe(link_section = ".text.memory")]
pub unsafe extern "aapcs" fn __aeabi_memcpy8(to: *mut u8, from: *const u8, bytes: usize) {
    naked_asm!("b {words}", words = sym __aeabi_memcpy4)
}

/// The same, aligned to nothing.
// SAFETY: see `__aeabi_memcpy4`.
#[unsafe(no_mangle)]
#[unsafe(naked)]
#[unsafe(link_section = ".text.memory")]
pub unsafe extern "aapcs" fn __aeabi_memcpy(to: *mut u8, from: *const u8, bytes: usize) {
    naked_asm!(
        "mov r3, r0",
        "orrs r3, r1",
        "lsls r3, r3, #30",
        "beq 2f",
        "b {bytes}",
        "2:",
        "b {words}",
        bytes = sym copy_bytes,
        words = sym __aeabi_memcpy4,
    )
}

// SAFETY: see `__aeabi_memcpy4`, of which it is the end.
#[unsafe(naked)]
#[unsafe(link_section = ".text.memory")]
unsafe extern "aapcs" fn copy_bytes(to: *mut u8, from: *const u8, bytes: usize) {
    naked_asm!(
        "cmp r2, #0",
        "beq 3f",
        "2:",
        "ldrb r3, [r1]",
        "strb r3, [r0]",
        "adds r1, #1",
        "adds r0, #1",
        "subs r2, #1",
        "bne 2b",
        "3:",
        "bx lr",
    )
}

/// Fills so many bytes with the last argument.
// SAFETY: see `__aeabi_memcpy4`.
#[unsafe(no_mangle)]
#[unsafe(naked)]
#[unsafe(link_section = ".text.memory")]
pub unsafe extern "aapcs" fn __aeabi_memset(to: *mut u8, bytes: usize, with: u32) {
    naked_asm!(
        // The byte four times.
        "uxtb r2, r2",
        "lsls r3, r2, #8",
        "orrs r2, r3",
        "lsls r3, r2, #16",
        "orrs r2, r3",
        "lsls r3, r0, #30",
        "bne 4f",
        "subs r1, #4",
        "blo 3f",
        "2:",
        "stm r0!, {{r2}}",
        "subs r1, #4",
        "bhs 2b",
        "3:",
        "adds r1, #4",
        "4:",
        "subs r1, #1",
        "blo 6f",
        "5:",
        "strb r2, [r0]",
        "adds r0, #1",
        "subs r1, #1",
        "bhs 5b",
        "6:",
        "bx lr",
    )
}

/// The same, aligned to 4 bytes.
// SAFETY: see `__aeabi_memcpy4`.
#[unsafe(no_mangle)]
#[unsafe(naked)]
#[unsafe(link_section = ".text.memory")]
pub unsafe extern "aapcs" fn __aeabi_memset4(to: *mut u8, bytes: usize, with: u32) {
    naked_asm!("b {any}", any = sym __aeabi_memset)
}

/// The same, aligned to 8 bytes.
// SAFETY: see `__aeabi_memcpy4`.
#[unsafe(no_mangle)]
#[unsafe(naked)]
#[unsafe(link_section = ".text.memory")]
pub unsafe extern "aapcs" fn __aeabi_memset8(to: *mut u8, bytes: usize, with: u32) {
    naked_asm!("b {any}", any = sym __aeabi_memset)
}

/// Fills so many bytes with zero.
// SAFETY: see `__aeabi_memcpy4`.
#[unsafe(no_mangle)]
#[unsafe(naked)]
#[unsafe(link_section = ".text.memory")]
pub unsafe extern "aapcs" fn __aeabi_memclr(to: *mut u8, bytes: usize) {
    naked_asm!("movs r2, #0", "b {any}", any = sym __aeabi_memset)
}

/// The same, aligned to 4 bytes.
// SAFETY: see `__aeabi_memcpy4`.
#[unsafe(no_mangle)]
#[unsafe(naked)]
#[unsafe(link_section = ".text.memory")]
pub unsafe extern "aapcs" fn __aeabi_memclr4(to: *mut u8, bytes: usize) {
    naked_asm!("b {any}", any = sym __aeabi_memclr)
}

/// The same, aligned to 8 bytes.
// SAFETY: see `__aeabi_memcpy4`.
#[unsafe(no_mangle)]
#[unsafe(naked)]
#[unsafe(link_section = ".text.memory")]
pub unsafe extern "aapcs" fn __aeabi_memclr8(to: *mut u8, bytes: usize) {
    naked_asm!("b {any}", any = sym __aeabi_memclr)
}
