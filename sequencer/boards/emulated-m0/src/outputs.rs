//! The three solenoids on the large pads of the micro:bit: 0 supply (P0.03), 1 vent (P0.02), 2 pilot (P0.01); high
//! energises.

/// Clears the pins whose bits are set (nRF51 Series Reference Manual, GPIO, OUTCLR).
const OUT_CLEAR: *mut u32 = 0x5000_050c as *mut u32;
/// The pins, as bits of a register.
pub const SUPPLY_VENT_PILOT: u32 = 1 << 3 | 1 << 2 | 1 << 1;

/// De-energises all three.
pub fn rest() {
    // SAFETY: a device register of this part, word-aligned; a write to it moves three pins and no memory.
    unsafe { OUT_CLEAR.write_volatile(SUPPLY_VENT_PILOT) }
}
