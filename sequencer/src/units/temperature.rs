//! Temperatures.

/// Thermodynamic temperature, in kelvin.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Temperature(f64);

impl Temperature {
    /// From kelvin.
    pub const fn from_kelvin(kelvin: f64) -> Self {
        Self(kelvin)
    }

    /// From degrees Celsius (0 °C is 273.15 K exactly, SI Brochure 9th ed., 2.3.1).
    pub const fn from_celsius(celsius: f64) -> Self {
        Self(celsius + 273.15)
    }

    /// Kelvin.
    pub const fn kelvin(self) -> f64 {
        self.0
    }

    /// Degrees Celsius.
    pub const fn celsius(self) -> f64 {
        self.0 - 273.15
    }
}
