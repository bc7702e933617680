//! Measurement system analysis: studies of repeated measurements.
//!
//! [`anova`]: valves × operators × repeats. [`linearity`]: bias against reference leaks. [`chart`]: one valve measured
//! repeatedly. [`drift`]: calibrations from one date to the next.

pub mod anova;
pub mod chart;
pub mod drift;
pub mod linearity;
pub mod page;
pub mod table;
