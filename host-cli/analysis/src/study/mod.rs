//! Measurement system analysis: studies of repeated measurements; and what assembled batches tell.
//!
//! [`anova`]: valves × operators × repeats. [`linearity`]: bias against reference leaks. [`chart`]: one valve measured
//! repeatedly. [`daily`]: a bench, checked each day. [`drift`]: calibrations from one date to the next. [`lengths`]: finished
//! lengths about their forecast. [`causes`]: what leaks go with, by the tests of [`exact_test`].

pub mod anova;
pub mod causes;
pub mod chart;
pub mod daily;
pub mod drift;
pub mod exact_test;
pub mod lengths;
pub mod linearity;
pub mod page;
pub mod table;
