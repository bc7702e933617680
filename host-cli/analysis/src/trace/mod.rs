//! Traces of other instruments: read from CSV, checked, evaluated.

mod judge;
mod read;
mod step;

pub use judge::{TraceConditions, TraceResult, TraceWindow, WindowError, judge};
pub use read::{PressureReference, Trace, TraceRow, parse, read};
