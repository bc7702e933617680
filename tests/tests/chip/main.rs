//! The shipped RP2040 image, unchanged, on an emulated part with a simulated plant at its pins, over its USB port.
//!
//! Needs the image and the emulator of `tests/chip`, so it is left out of a plain `cargo test`; `.ci/run chip` has both.
//! What it cannot show is in `docs/controller.md`.

mod faults;
mod rig_in_flash;
mod runs;
