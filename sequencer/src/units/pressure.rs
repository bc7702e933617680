//! Pressures, gauge and absolute, and their rates.

use super::{LeakRate, Volume};

/// One pound-force per square inch in pascals: 4.4482216152605 N over 6.4516e-4 m², both exact by definition
/// (NIST SP 811 appendix B.8), rounded to double precision.
pub const PASCALS_PER_PSI: f64 = 6_894.757_293_168_362;

/// The standard atmosphere, exactly 101 325 Pa (10th CGPM, 1954, resolution 4).
pub const STANDARD_ATMOSPHERE: AbsolutePressure = AbsolutePressure::from_pascals(101_325.0);

/// Pressure above the surrounding atmosphere, in whole pascals.
///
/// Range: ±2.1 GPa, far beyond any rig; arithmetic saturates rather than wraps.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct GaugePressure(i32);

impl GaugePressure {
    /// Atmospheric pressure: nothing above the surroundings.
    pub const ZERO: Self = Self(0);

    /// From whole pascals above atmosphere.
    pub const fn from_pascals(pascals: i32) -> Self {
        Self(pascals)
    }

    /// Whole pascals above atmosphere.
    pub const fn pascals(self) -> i32 {
        self.0
    }

    /// Sum with a difference of pressure in pascals, saturating.
    pub const fn plus(self, pascals: i32) -> Self {
        Self(self.0.saturating_add(pascals))
    }

    /// Difference of this pressure and `other`, in pascals (negative when below), saturating.
    pub const fn above(self, other: Self) -> i32 {
        self.0.saturating_sub(other.0)
    }

    /// Whether this pressure lies nearer to the atmosphere than `limit`, on either side of it. A reading well below
    /// zero is a transducer error, and no more empty than one well above.
    pub const fn is_within(self, limit: Self) -> bool {
        self.0 < limit.0 && self.0 > -limit.0
    }

    /// The absolute pressure, given that of the atmosphere.
    pub fn to_absolute(self, atmosphere: AbsolutePressure) -> AbsolutePressure {
        AbsolutePressure(f64::from(self.0) + atmosphere.0)
    }
}

/// Pressure above vacuum, in pascals.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AbsolutePressure(f64);

impl AbsolutePressure {
    /// From pascals above vacuum.
    pub const fn from_pascals(pascals: f64) -> Self {
        Self(pascals)
    }

    /// Pascals above vacuum.
    pub const fn pascals(self) -> f64 {
        self.0
    }
}

/// How fast a pressure changes, in pascals a second; falling is negative.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PressureRate(f64);

impl PressureRate {
    /// From pascals a second.
    pub const fn from_pascals_per_second(rate: f64) -> Self {
        Self(rate)
    }

    /// Pascals a second.
    pub const fn pascals_per_second(self) -> f64 {
        self.0
    }

    /// The flow leaving a closed volume whose pressure falls at this rate with the gas at constant temperature:
    /// `Q = −V·dp/dt`, in Pa·m³/s at the gas temperature.
    ///
    /// Source: the ideal gas law differentiated at constant V and T; the same mass balance is the basis of ASTM E2930
    /// and EN 13184.
    pub fn leak_from(self, volume: Volume) -> LeakRate {
        LeakRate::from_pa_m3_s(-self.0 * volume.cubic_metres())
    }
}
