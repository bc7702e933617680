//! One type for each kind of quantity, so that a gauge pressure can never be added to an absolute one
//! nor a leak rate be read as a slope.
//!
//! Control compares pressures as whole pascals in `i32` (exact, cheap on a core without a floating-point unit); what is
//! *measured* (slopes, leaks, volumes) is `f64` in SI units. Formulas name their source.

mod leak;
mod pressure;
mod temperature;
mod volume;

pub use leak::{LeakRate, Reference};
pub use pressure::{AbsolutePressure, GaugePressure, PASCALS_PER_PSI, PressureRate, STANDARD_ATMOSPHERE};
pub use temperature::Temperature;
pub use volume::Volume;
