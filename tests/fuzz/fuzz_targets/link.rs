//! Any bytes into both ends of the link, and on a line between two ends that have a key. What must hold is in `tests/src/fuzzed.rs`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| seathold_fuzz::fuzzed::link(data));
