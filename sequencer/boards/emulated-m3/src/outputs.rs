//! The three solenoids on port D of the LM3S6965: PD0 supply, PD1 vent, PD2 pilot; high energises.

/// Port D, with the address bits that let a write touch only these three pins (datasheet 8.2.1.2, from memory).
const PORT_D_DATA_0_TO_2: *mut u32 = (0x4000_7000 + (0b111 << 2)) as *mut u32;

/// De-energises all three.
pub fn rest() {
    // SAFETY: a device register of this part, word-aligned; a write to it moves three pins and no memory.
    unsafe { PORT_D_DATA_0_TO_2.write_volatile(0) }
}
