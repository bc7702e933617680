//! Units of length as lists and people write them.

use seathold_quantity::{Dimension, UnitDef};
use seathold_sequencer::field::Unit;

/// The units of lengths that are taken, for an error.
pub fn choices() -> String {
    Dimension(Unit::Metre).choices()
}

/// A unit of length by its sign or, where that is sure, by a name.
pub fn unit(text: &str) -> Option<UnitDef> {
    let sign = match text {
        "metre" | "metres" | "meter" | "meters" => "m",
        "millimetre" | "millimetres" | "millimeter" | "millimeters" => "mm",
        "centimetre" | "centimetres" | "centimeter" | "centimeters" => "cm",
        // A micrometer is a gauge too, and a mil is not the same everywhere: neither is sure.
        "µm" | "μm" | "micron" | "microns" => "um",
        "inch" | "inches" | "\"" | "″" | "”" => "in",
        _ => text,
    };
    Dimension(Unit::Metre).symbol(sign)
}
