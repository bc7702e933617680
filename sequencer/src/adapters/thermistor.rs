//! Thermistors (NTC), by their B value or by three constants.
//!
//! # Example
//! ```
//! use seathold_sequencer::adapters::divider::Law;
//! use seathold_sequencer::adapters::thermistor::Thermistor;
//!
//! let sensor = Thermistor::TEN_KILOHM;
//! assert!(sensor.ohms(273.15) > 3.0 * sensor.ohms(298.15), "the colder, the more resistance");
//! assert!((sensor.kelvin(10_000.0) - 298.15).abs() < 1e-9);
//! ```

use super::divider::Law;

/// A thermistor given by its resistance at one temperature and its B value.
///
/// `R = R0·exp(B·(1/T − 1/T0))`: the two-point form that data sheets state B for (IEC 60539-1, from memory). Good to a
/// kelvin or so over tens of kelvin; for better, [`ThreeConstants`].
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Thermistor {
    /// Resistance at `t0_k`, in ohms.
    pub r0_ohm: f64,
    /// Temperature of `r0_ohm`, in kelvin.
    pub t0_k: f64,
    /// B value, in kelvin.
    pub b_k: f64,
}

impl Thermistor {
    /// 10 kΩ at 25 °C with a B of 3950 K: a common value, no source.
    pub const TEN_KILOHM: Self = Self { r0_ohm: 10_000.0, t0_k: 298.15, b_k: 3_950.0 };
}

/// Least temperature the laws are used for, and the greatest: where data sheets of thermistors commonly end.
const KELVIN_MIN: f64 = 218.15;
const KELVIN_MAX: f64 = 423.15;

impl Law for Thermistor {
    fn kelvin_min(&self) -> f64 {
        KELVIN_MIN
    }

    fn kelvin_max(&self) -> f64 {
        KELVIN_MAX
    }

    fn is_ptc(&self) -> bool {
        false
    }

    fn ohms(&self, kelvin: f64) -> f64 {
        self.r0_ohm * libm::exp(self.b_k * (1.0 / kelvin - 1.0 / self.t0_k))
    }

    fn kelvin(&self, ohms: f64) -> f64 {
        1.0 / (1.0 / self.t0_k + libm::log(ohms / self.r0_ohm) / self.b_k)
    }
}

/// A thermistor given by three constants: `1/T = a + b·ln R + c·(ln R)³`.
///
/// Source: J. S. Steinhart and S. R. Hart, "Calibration curves for thermistors", Deep-Sea Research 15 (1968) 497–503
/// (from memory).
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ThreeConstants {
    /// In 1/K.
    pub a: f64,
    /// In 1/K, for a resistance in ohms.
    pub b: f64,
    /// In 1/K, for a resistance in ohms.
    pub c: f64,
}

impl Law for ThreeConstants {
    fn kelvin_min(&self) -> f64 {
        KELVIN_MIN
    }

    fn kelvin_max(&self) -> f64 {
        KELVIN_MAX
    }

    fn is_ptc(&self) -> bool {
        false
    }

    /// By Newton's method on ln R: the cubic rises everywhere, and is nearly straight where thermistors are.
    fn ohms(&self, kelvin: f64) -> f64 {
        let wanted = 1.0 / kelvin - self.a;
        let mut ln = wanted / self.b;
        for _ in 0..16 {
            ln -= (self.b * ln + self.c * ln * ln * ln - wanted) / (self.b + 3.0 * self.c * ln * ln);
        }
        libm::exp(ln)
    }

    fn kelvin(&self, ohms: f64) -> f64 {
        let ln = libm::log(ohms);
        1.0 / (self.a + self.b * ln + self.c * ln * ln * ln)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn at_its_own_temperature_it_has_its_own_resistance() {
        let t = Thermistor::TEN_KILOHM;
        assert_eq!(t.kelvin(10_000.0), 298.15);
        assert_eq!(t.ohms(298.15), 10_000.0);
    }

    /// B between 25 and 85 °C is `ln(R25/R85) / (1/T25 − 1/T85)`, by its definition.
    #[test]
    fn the_b_value_is_recovered_from_two_of_its_points() {
        let t = Thermistor::TEN_KILOHM;
        let b = libm::log(t.ohms(298.15) / t.ohms(358.15)) / (1.0 / 298.15 - 1.0 / 358.15);
        assert!((b - 3_950.0).abs() < 1e-9);
    }

    /// Constants from three of its points, solved for exactly, give back the others. Points: a common 10 kΩ thermistor
    /// in a laboratory instrument's manual, table A.1 (seen in a scan of its text), whose own fit with this equation is
    /// within 0.01 °C. The scan's row for 40 °C, 5331 Ω, lies half a kelvin off the rest and is left out as misread.
    #[test]
    fn three_constants_follow_a_published_table() {
        let points = [(32_128.0, 273.15), (9_814.0, 298.15), (3_542.0, 323.15)];
        let [(x1, y1), (x2, y2), (x3, y3)] = points.map(|(ohms, kelvin)| (libm::log(ohms), 1.0 / kelvin));
        let (g2, g3) = ((y2 - y1) / (x2 - x1), (y3 - y1) / (x3 - x1));
        let c = (g3 - g2) / (x3 - x2) / (x1 + x2 + x3);
        let b = g2 - c * (x1 * x1 + x1 * x2 + x2 * x2);
        let law = ThreeConstants { a: y1 - x1 * (b + c * x1 * x1), b, c };
        for (ohms, celsius) in [(19_549.0, 10.0), (12_262.0, 20.0), (7_908.0, 30.0)] {
            assert!((law.kelvin(ohms) - 273.15 - celsius).abs() < 0.02, "{celsius} °C: {}", law.kelvin(ohms) - 273.15);
        }
    }

    proptest! {
        #[test]
        fn conversion_there_and_back(kelvin in KELVIN_MIN..KELVIN_MAX) {
            let plain = Thermistor::TEN_KILOHM;
            prop_assert!((plain.kelvin(plain.ohms(kelvin)) - kelvin).abs() < 1e-9);
            // Printed with a module for a common 10 kΩ thermistor (seen in its own text).
            let three = ThreeConstants { a: 1.129_148e-3, b: 2.341_25e-4, c: 8.767_41e-8 };
            prop_assert!((three.kelvin(three.ohms(kelvin)) - kelvin).abs() < 1e-9);
        }
    }
}
