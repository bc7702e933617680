//! Leaks, and the conditions at which their gas is counted.

use super::{AbsolutePressure, Temperature};

/// Seconds in a minute, cubic millimetres and cubic centimetres in a cubic metre: exact.
const SECONDS_PER_MINUTE: f64 = 60.0;
const MM3_PER_M3: f64 = 1e9;
const CM3_PER_M3: f64 = 1e6;

/// The conditions at which a gas volume is counted.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Reference {
    /// Temperature of the counted gas.
    pub temperature: Temperature,
    /// Absolute pressure of the counted gas.
    pub pressure: AbsolutePressure,
}

impl Reference {
    /// Normal reference atmosphere of ISO 8778: 20 °C and 100 kPa.
    pub const ISO_8778: Self =
        Self { temperature: Temperature::from_kelvin(293.15), pressure: AbsolutePressure::from_pascals(100_000.0) };

    /// 0 °C and 101.325 kPa, the condition most flow instruments mean by "standard" (common practice, no source).
    pub const ZERO_CELSIUS_ATMOSPHERE: Self =
        Self { temperature: Temperature::from_kelvin(273.15), pressure: AbsolutePressure::from_pascals(101_325.0) };
}

/// A leak, as throughput in Pa·m³/s at a stated temperature. Out of the test volume is positive.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LeakRate(f64);

impl LeakRate {
    /// No leak.
    pub const ZERO: Self = Self(0.0);

    /// From Pa·m³/s.
    pub const fn from_pa_m3_s(rate: f64) -> Self {
        Self(rate)
    }

    /// From mbar·l/s: 0.1 Pa·m³/s exactly.
    pub const fn from_mbar_l_s(rate: f64) -> Self {
        Self(rate / 10.0)
    }

    /// From a volume flow in mm³/s counted at `reference`.
    pub const fn from_mm3_s(rate: f64, reference: Reference) -> Self {
        Self(rate * reference.pressure.pascals() / MM3_PER_M3)
    }

    /// From a volume flow in cm³/min counted at `reference`.
    pub const fn from_cm3_min(rate: f64, reference: Reference) -> Self {
        Self(rate * reference.pressure.pascals() / (CM3_PER_M3 * SECONDS_PER_MINUTE))
    }

    /// Pa·m³/s.
    pub const fn pa_m3_s(self) -> f64 {
        self.0
    }

    /// Volume flow in mm³/s at `reference`; the value must already be at the reference temperature (see
    /// [`LeakRate::at_temperature`]).
    pub const fn mm3_s(self, reference: Reference) -> f64 {
        self.0 * MM3_PER_M3 / reference.pressure.pascals()
    }

    /// The same flow of molecules, stated at another temperature: throughput is `n·R·T`, so it scales with `T`
    /// (ideal gas law).
    pub fn at_temperature(self, from: Temperature, to: Temperature) -> Self {
        Self(self.0 * to.kelvin() / from.kelvin())
    }

    /// Difference of two leaks, as when the background leak is subtracted.
    pub fn less(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}
