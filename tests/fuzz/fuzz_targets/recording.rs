//! Any bytes as a recording: read or refused with a reason, and what is read replays or is refused with one.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    if let Ok(recording) = seathold_recording::read_bytes(bytes) {
        let _ = recording.summary();
        let _ = seathold_recording::replay::replay(&recording);
    }
});
