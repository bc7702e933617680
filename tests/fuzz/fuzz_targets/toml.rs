//! Any text as a recipe, a rig, a valve, a fault. What must hold is in `tests/src/fuzzed.rs`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| seathold_fuzz::fuzzed::toml(data));
