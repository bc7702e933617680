//! Labels: what stands on them, and what their codes hold.

mod parts;
pub mod scanned;
mod valve;

pub use parts::{class_label, fitting_label};
pub(crate) use valve::label_result;
pub use valve::{end_tags, newest_run, tag, unsound, valve_label};
