//! The three solenoids on GPIO 0 of the MPS2's AN386 image: pin 0 supply, 1 vent, 2 pilot; high energises. The emulator
//! has no such port and ignores the writes; the board has.

/// Data register behind the address bits that let a write touch only these three pins (Cortex-M System Design Kit
/// Technical Reference Manual, AHB GPIO, MASKLOWBYTE, from memory).
const GPIO_0_LOW_3: *mut u32 = (0x4001_0400 + (0b111 << 2)) as *mut u32;

/// De-energises all three.
pub fn rest() {
    // SAFETY: a device register of this board, word-aligned; a write to it moves three pins and no memory.
    unsafe { GPIO_0_LOW_3.write_volatile(0) }
}
