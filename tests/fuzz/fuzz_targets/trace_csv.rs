//! Any bytes as another logger's trace. What must hold is in `tests/src/fuzzed.rs`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| seathold_fuzz::fuzzed::trace_csv(data));
