//! The width of classes, as parts are laid out.

use clap::Args;
use seathold_assembly::length::Length;
use seathold_sequencer::field::Unit;

use crate::error::Error;
use crate::quantity_args::one;

/// Which it is.
#[derive(Debug, Args)]
pub struct ClassArg {
    /// Width of a class, as parts are laid out [common practice: 0.1 mm]
    #[arg(long, value_name = "LENGTH", default_value = "0.1 mm", hide_default_value = true)]
    pub class: String,
}

impl ClassArg {
    /// Checked.
    pub(super) fn width(&self) -> Result<Length, Error> {
        let metres = one(Unit::Metre, &self.class, CLASS_M).map_err(|why| Error::usage(format!("--class: {why}")))?;
        Ok(Length::from_m(metres))
    }
}

/// Bounds of a class, in metres.
pub(super) const CLASS_M: std::ops::RangeInclusive<f64> = 1e-6..=0.01;
