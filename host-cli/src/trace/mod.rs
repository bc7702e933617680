//! Traces of other instruments: read from CSV, looked over, judged.

mod judge;
mod read;
mod step;

pub use judge::{Assumed, Judged, Void, Window, judge};
pub use read::{PressureKind, Row, Trace, parse, read};
pub use step::step_of;
