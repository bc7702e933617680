//! Platinum resistance thermometers, Pt100 and Pt1000.
//!
//! Source: IEC 60751:2022 clause 4.2 (equation and constants seen quoted second-hand, in several tables that agree):
//! `R = R0·(1 + A·t + B·t²)` from 0 to 850 °C, and with `+ C·(t − 100 °C)·t³` from −200 to 0 °C.
//!
//! # Example
//! ```
//! use seathold_sequencer::adapters::divider::Law;
//! use seathold_sequencer::adapters::platinum::Platinum;
//!
//! assert!((Platinum::PT100.ohms(373.15) - 138.51).abs() < 0.005);
//! assert!((Platinum::PT1000.kelvin(1_077.9) - 293.15).abs() < 0.02);
//! ```

use super::divider::Law;
use crate::sqrt::sqrt;

const A: f64 = 3.9083e-3;
const B: f64 = -5.775e-7;
const C: f64 = -4.183e-12;

/// Steps of Newton's method below 0 °C. The first guess is within 2.5 K, and each step squares the error: three are
/// enough for a microkelvin, one is a reserve.
const STEPS: u32 = 4;

/// 0 °C in kelvin (SI Brochure, 9th edition, 2.3.1).
const ZERO_CELSIUS: f64 = 273.15;

/// A platinum resistor of IEC 60751.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Platinum {
    /// Resistance at 0 °C, in ohms.
    pub r0_ohm: f64,
}

impl Platinum {
    /// 100 Ω at 0 °C.
    pub const PT100: Self = Self { r0_ohm: 100.0 };
    /// 1000 Ω at 0 °C.
    pub const PT1000: Self = Self { r0_ohm: 1_000.0 };
}

fn ratio(t: f64) -> f64 {
    let above = 1.0 + A * t + B * t * t;
    if t < 0.0 { above + C * (t - 100.0) * t * t * t } else { above }
}

impl Law for Platinum {
    fn kelvin_min(&self) -> f64 {
        73.15
    }

    fn kelvin_max(&self) -> f64 {
        1_123.15
    }

    fn is_ptc(&self) -> bool {
        true
    }

    fn ohms(&self, kelvin: f64) -> f64 {
        self.r0_ohm * ratio(kelvin - ZERO_CELSIUS)
    }

    fn kelvin(&self, ohms: f64) -> f64 {
        let wanted = ohms / self.r0_ohm;
        // The root of the quadratic; beyond its maximum, out of platinum's range, the maximum.
        let mut t = (-A + sqrt((A * A - 4.0 * B * (1.0 - wanted)).max(0.0))) / (2.0 * B);
        if wanted < 1.0 {
            for _ in 0..STEPS {
                let slope = A + 2.0 * B * t + C * t * t * (4.0 * t - 300.0);
                t -= (ratio(t) - wanted) / slope;
            }
        }
        t + ZERO_CELSIUS
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Reference values of IEC 60751 for 100 Ω at 0 °C, as printed in tables for its 1995 and 2008 editions (seen
    /// quoted second-hand).
    const TABLE: &[(f64, f64)] = &[
        (-200.0, 18.52),
        (-150.0, 39.72),
        (-100.0, 60.26),
        (-50.0, 80.31),
        (-10.0, 96.09),
        (0.0, 100.00),
        (10.0, 103.90),
        (20.0, 107.79),
        (50.0, 119.40),
        (100.0, 138.51),
        (150.0, 157.33),
        (200.0, 175.86),
        (300.0, 212.05),
        (400.0, 247.09),
        (500.0, 280.98),
        (600.0, 313.71),
    ];

    #[test]
    fn agrees_with_the_published_table_both_ways() {
        for &(celsius, ohms) in TABLE {
            let kelvin = celsius + ZERO_CELSIUS;
            // Half a unit of the last place printed, and the temperature it corresponds to.
            assert!((Platinum::PT100.ohms(kelvin) - ohms).abs() <= 0.005_001, "{celsius} °C");
            assert!((Platinum::PT100.kelvin(ohms) - kelvin).abs() < 0.02, "{celsius} °C");
            assert!((Platinum::PT1000.kelvin(10.0 * ohms) - kelvin).abs() < 0.02, "{celsius} °C");
        }
    }

    proptest! {
        #[test]
        fn conversion_there_and_back(kelvin in 73.15..1_123.15f64) {
            let back = Platinum::PT100.kelvin(Platinum::PT100.ohms(kelvin));
            prop_assert!((back - kelvin).abs() < 1e-6, "{back}");
        }

        #[test]
        fn any_resistance_gives_a_number(ohms in 0.0..1e9f64) {
            prop_assert!(Platinum::PT100.kelvin(ohms).is_finite());
        }
    }
}
