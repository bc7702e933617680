//! Quotients and rests of 64 bits, a bit at a time: a seventh of the size of the compiler's own. None is taken at every
//! poll. In assembly, as only that returns two numbers in four registers.

use core::arch::naked_asm;

/// Quotient in r0 and r1, rest in r2 and r3, without a sign.
// SAFETY: the name, registers and preserved registers are those of the function the ABI describes; it uses no memory but
// its stack. The compiler's own is a weak symbol.
#[unsafe(no_mangle)]
#[unsafe(naked)]
pub extern "aapcs" fn __aeabi_uldivmod(number: u64, by: u64) {
    naked_asm!(
        "push {{r4, r5, r6, r7, lr}}",
        // The rest so far is in r4 and r5. The number moves up into it, and the quotient in from below.
        "movs r4, #0",
        "movs r5, #0",
        "movs r6, #64",
        // An upper half of nothing is skipped.
        "cmp r1, #0",
        "bne 2f",
        "mov r1, r0",
        "movs r0, #0",
        "movs r6, #32",
        "2:",
        "adds r0, r0, r0",
        "adcs r1, r1",
        "adcs r4, r4",
        "adcs r5, r5",
        // A rest beyond 64 bits is larger than anything.
        "bcs 3f",
        "cmp r5, r3",
        "bhi 3f",
        "blo 4f",
        "cmp r4, r2",
        "blo 4f",
        "3:",
        "subs r4, r4, r2",
        "sbcs r5, r3",
        "adds r0, r0, #1",
        "4:",
        "subs r6, r6, #1",
        "bne 2b",
        "mov r2, r4",
        "mov r3, r5",
        "pop {{r4, r5, r6, r7, pc}}",
    )
}

/// The same with signs: the quotient towards zero, the rest with the number's sign.
// SAFETY: see `__aeabi_uldivmod`.
#[unsafe(no_mangle)]
#[unsafe(naked)]
pub extern "aapcs" fn __aeabi_ldivmod(number: i64, by: i64) {
    naked_asm!(
        "push {{r4, r5, r6, lr}}",
        // All ones for a negative one: what is inverted and lessened by that has changed its sign.
        "asrs r4, r1, #31",
        "asrs r5, r3, #31",
        "eors r0, r4",
        "eors r1, r4",
        "subs r0, r0, r4",
        "sbcs r1, r4",
        "eors r2, r5",
        "eors r3, r5",
        "subs r2, r2, r5",
        "sbcs r3, r5",
        "bl {unsigned}",
        "eors r5, r4",
        "eors r0, r5",
        "eors r1, r5",
        "subs r0, r0, r5",
        "sbcs r1, r5",
        "eors r2, r4",
        "eors r3, r4",
        "subs r2, r2, r4",
        "sbcs r3, r4",
        "pop {{r4, r5, r6, pc}}",
        unsigned = sym __aeabi_uldivmod,
    )
}
