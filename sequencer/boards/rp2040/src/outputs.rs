//! The three solenoids: GPIO2 supply, GPIO3 vent, GPIO4 pilot; high energises.

/// Clears the output pins whose bits are set (RP2040 datasheet 2.3.1.7, SIO, GPIO_OUT_CLR).
const OUT_CLEAR: *mut u32 = 0xd000_0018 as *mut u32;
const SUPPLY_VENT_PILOT: u32 = 1 << 2 | 1 << 3 | 1 << 4;

/// De-energises all three. A pin not yet set up as an output is an input with a pull-down, which is at rest too.
pub fn rest() {
    // SAFETY: a device register of this part, word-aligned; a write to it moves three pins and no memory.
    unsafe { OUT_CLEAR.write_volatile(SUPPLY_VENT_PILOT) }
}
