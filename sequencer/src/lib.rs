#![no_std]
#![deny(missing_docs)]
#![deny(
    clippy::indexing_slicing,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::unreachable,
    reason = "nothing in the sequencer may panic: the valve would stay as it is"
)]
pub mod bench;
pub mod event;
pub mod field;
pub mod input;
pub mod io;
pub mod limits;
pub mod measure;
pub mod output;
pub mod recipe;
pub mod rig;
pub mod step;
pub mod time;
pub mod units;
pub mod verdict;
