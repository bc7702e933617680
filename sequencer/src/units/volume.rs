//! Volumes of gas.

/// A gas volume, in cubic metres.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Volume(f64);

impl Volume {
    /// From cubic metres.
    pub const fn from_cubic_metres(volume: f64) -> Self {
        Self(volume)
    }

    /// From cubic centimetres (millilitres).
    pub const fn from_cubic_centimetres(volume: f64) -> Self {
        Self(volume / 1e6)
    }

    /// Cubic metres.
    pub const fn cubic_metres(self) -> f64 {
        self.0
    }
}
