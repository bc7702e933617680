//! The controller itself: images in an emulator, and the real board's rig with its parts played. What needs an image is
//! left out of a plain `cargo test`; `.ci/run on-target` builds the images and runs it.

mod emulated_run;
mod emulator_kit;
mod images;
mod logging;
mod real_board;
mod scenarios;
mod served;
mod trials;
