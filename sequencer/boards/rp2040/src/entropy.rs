//! Bytes that no earlier boot had, for the link's key.

use rp2040_hal::pac::ROSC;
use seathold_sequencer::time::Instant;

/// The ring oscillator's phase, read many times with pauses that depend on what was read, and the time. The data sheet
/// (section 2.17, from memory) does not call its bit good enough for a key by itself: here it need only not repeat, and
/// each byte is folded from 64 of them.
pub(crate) fn bytes(oscillator: &ROSC, now: Instant) -> [u8; 16] {
    let mut bytes = [0; 16];
    for (byte, time) in bytes.iter_mut().zip(now.as_ticks().to_le_bytes().into_iter().cycle()) {
        *byte = time;
        for _ in 0..64 {
            let bit = oscillator.randombit().read().randombit().bit();
            *byte = byte.rotate_left(1) ^ u8::from(bit);
            cortex_m::asm::delay(20 + u32::from(*byte & 15));
        }
    }
    bytes
}
