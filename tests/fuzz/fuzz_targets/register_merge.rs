//! A register with bytes and cells changed, merged into another. What must hold is in `tests/src/fuzzed.rs`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| seathold_fuzz::fuzzed::register_merge(data));
