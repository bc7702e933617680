//! Traces of other instruments: read from CSV, checked, evaluated.

mod clock;
mod columns;
mod judge;
mod jumps;
mod liveness;
#[cfg(test)]
mod noise;
mod read;
mod step;
mod test_pressure;
mod test_time;

pub use columns::{
    ColumnChoice, PressureReference, TraceColumn, TraceFormat, pressure_unit, temperature_unit, time_unit,
};
pub use judge::{TraceConditions, TraceResult, TraceWindow, WindowError, judge};
pub use liveness::StuckAt;
pub use read::{Trace, TraceRow, parse, read};
