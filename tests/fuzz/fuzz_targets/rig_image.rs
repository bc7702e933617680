//! Any bytes as the rig and the recipe that come over the link. What must hold is in `tests/src/fuzzed.rs`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| seathold_fuzz::fuzzed::rig_image(data));
