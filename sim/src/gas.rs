//! The gas: air as an ideal gas with constant heat capacities.
//!
//! Its accuracy, from CoolProp 8.0.0 (computed; `tests/tests/plant/physics.rs`): from 10 to 115 °C and 1 to 8 bar the
//! ideal density is within 0.37 % and γ within 1.2 %; a filled adiabatic vessel ends 0.9 K too hot; and at 700 kPa a
//! real gas loses 0.48 % more mass per pascal than an ideal one, so a leak from `V·dp/dt` is that much low. A rig's
//! volume is known to 2 %: the real-gas factor is omitted.

/// Specific gas constant of dry air, J/(kg·K): 8.31446 J/(mol·K) over 0.028965 kg/mol, as printed in gas-dynamics
/// texts (287.05); CoolProp's air has 287.0491.
pub const R: f64 = 287.05;

/// Ratio of heat capacities of air; CoolProp gives 1.40197 at 1 atm and 1.41292 at 700 kPa, 293.15 K.
pub const GAMMA: f64 = 1.4;

/// Heat capacity at constant volume, J/(kg·K).
pub const CV: f64 = R / (GAMMA - 1.0);

/// Heat capacity at constant pressure, J/(kg·K).
pub const CP: f64 = GAMMA * CV;

/// Temperature of the reference atmosphere, K (ISO 8778).
pub const T_REF: f64 = 293.15;

/// Density of air in the reference atmosphere, kg/m³ (ISO 8778, ISO 6358-1: 100 kPa, 293.15 K, 65 % humidity). Part of
/// the *definition* of sonic conductance; it is not `p/(R·T)` of dry air (1.1884), and is used nowhere else.
pub const RHO_REF: f64 = 1.185;

/// Gauge pressure at which leaks are stated here, Pa: 6 bar, the middle of the low-pressure gas seat test of
/// ISO 5208 and EN 12266-1 (from memory).
pub const LEAK_STATED_AT_GAUGE: f64 = 600_000.0;

/// Atmosphere at which leaks are stated, Pa.
pub const LEAK_STATED_INTO: f64 = 101_325.0;

/// Mass of gas in a volume, kg.
pub fn mass(pressure: f64, volume: f64, temperature: f64) -> f64 {
    pressure * volume / (R * temperature)
}

/// Internal energy of gas in a volume, J: `p·V/(γ−1)`, whatever its temperature.
pub fn energy(pressure: f64, volume: f64) -> f64 {
    pressure * volume / (GAMMA - 1.0)
}

/// Pressure from internal energy and volume, Pa.
pub fn pressure(energy: f64, volume: f64) -> f64 {
    (GAMMA - 1.0) * energy / volume
}

/// Temperature from internal energy and mass, K.
pub fn temperature(energy: f64, mass: f64) -> f64 {
    energy / (mass * CV)
}

/// Square root. IEEE 754 (clause 5.4.1) requires the correctly rounded one, so the processor's own instruction, which
/// the feature `std` gives, and `libm`'s long division have the same bits.
#[inline]
pub fn sqrt(x: f64) -> f64 {
    #[cfg(feature = "std")]
    return x.sqrt();
    #[cfg(not(feature = "std"))]
    libm::sqrt(x)
}
