//! What the targets do is in a file that the ordinary tests have too.

#[path = "../../src/fuzzed.rs"]
pub mod fuzzed;
