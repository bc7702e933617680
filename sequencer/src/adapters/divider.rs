//! A resistance thermometer in a divider with a resistor of known size, across the converter's own reference, so that
//! the reference cancels. Readings are in millikelvin.
//!
//! # Example
//! ```
//! use seathold_sequencer::adapters::analogue::Characteristic;
//! use seathold_sequencer::adapters::conversion::Conversion;
//! use seathold_sequencer::adapters::divider::{MILLIKELVIN, RawDivider};
//! use seathold_sequencer::adapters::thermistor::Thermistor;
//! use seathold_sequencer::input::SensorFault;
//!
//! let sensor = RawDivider::DEMO.validate(Thermistor::TEN_KILOHM)?;
//! // At 25 °C it has 10 kΩ, as the resistor in series: half of the converter's 4096.
//! let counts = sensor.counts(&Conversion::single(2_048, 0)).expect("a healthy code");
//! assert!((MILLIKELVIN.temperature(counts).celsius() - 25.0).abs() < 0.01);
//! assert_eq!(sensor.counts(&Conversion::single(4_095, 1)), Err(SensorFault::Open));
//! # Ok::<(), seathold_sequencer::field::Errors>(())
//! ```

use super::analogue::Characteristic;
use super::conversion::Conversion;
use super::ratiometric::full_scale;
use crate::field::{Errors, Field, FieldError, Unit, Validator, conflict};
use crate::input::SensorFault;
use crate::rig::Thermometer;

/// Relation of a sensor's resistance and temperature.
pub trait Law {
    /// Least temperature the law holds for.
    fn kelvin_min(&self) -> f64;
    /// Greatest temperature the law holds for.
    fn kelvin_max(&self) -> f64;
    /// Whether the resistance rises with the temperature.
    fn is_ptc(&self) -> bool;
    /// Resistance, in ohms.
    fn ohms(&self, kelvin: f64) -> f64;
    /// Temperature, in kelvin.
    fn kelvin(&self, ohms: f64) -> f64;
}

/// Scale of a reading of [`Divider`] for a rig: a count is a millikelvin.
pub const MILLIKELVIN: Thermometer = Thermometer { kelvin_at_zero: 0.0, kelvin_per_count: 1e-3 };

/// The divider as entered, not yet validated. Each member says its range; [`FIELDS`] is the table they come from.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawDivider {
    /// Bits of the converter: 8 to 24.
    pub adc_bits: u32,
    /// The resistor in series with the sensor: 10 to 1 000 000 Ω.
    pub series_ohm: f64,
    /// The sensor lies between input and ground; else between reference and input.
    pub sensor_to_ground: bool,
    /// Temperature below which the sensor counts as faulty: 73.15 to 1 123.15 K.
    pub min_k: f64,
    /// Temperature above which the sensor counts as faulty: 73.15 to 1 123.15 K.
    pub max_k: f64,
}

impl RawDivider {
    /// 10 kΩ from the reference to the input, the sensor from there to ground; −20 to 70 °C.
    pub const DEMO: Self =
        Self { adc_bits: 12, series_ohm: 10_000.0, sensor_to_ground: true, min_k: 253.15, max_k: 343.15 };
}

/// The fields in the order they are checked and written.
pub const FIELDS: &[Field<RawDivider>] = &[
    Field {
        name: "adc_bits",
        about: "bits of the converter",
        unit: Unit::Count,
        min: 8.0,
        max: super::conversion::BITS_MAX as f64,
        get: |r| r.adc_bits.into(),
        set: |r, v| r.adc_bits = v as u32,
    },
    Field {
        name: "series",
        about: "the resistor in series with the sensor",
        unit: Unit::Ohm,
        min: 10.0,
        max: 1e6,
        get: |r| r.series_ohm,
        set: |r, v| r.series_ohm = v,
    },
    Field {
        name: "sensor_to_ground",
        about: "the sensor lies between input and ground; else between reference and input",
        unit: Unit::Flag,
        min: 0.0,
        max: 1.0,
        get: |r| f64::from(u8::from(r.sensor_to_ground)),
        set: |r, v| r.sensor_to_ground = v != 0.0,
    },
    Field {
        name: "min",
        about: "temperature below which the sensor counts as faulty",
        unit: Unit::Kelvin,
        min: 73.15,
        max: 1_123.15,
        get: |r| r.min_k,
        set: |r, v| r.min_k = v,
    },
    Field {
        name: "max",
        about: "temperature above which the sensor counts as faulty",
        unit: Unit::Kelvin,
        min: 73.15,
        max: 1_123.15,
        get: |r| r.max_k,
        set: |r, v| r.max_k = v,
    },
];

/// A divider with its sensor, validated as a whole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Divider<L> {
    law: L,
    series_ohm: f64,
    sensor_to_ground: bool,
    full: f64,
    /// Mean codes that a healthy sensor gives.
    code_min: f64,
    code_max: f64,
}

impl RawDivider {
    /// Checks every field and every rule between fields, and reports every error, one by one.
    pub fn validate_with<L: Law>(&self, law: L, report: impl FnMut(FieldError)) -> Option<Divider<L>> {
        let mut validator = Validator::new(report);
        validator.ranges(self, FIELDS);
        validator.range("min", Unit::Kelvin, self.min_k, law.kelvin_min(), law.kelvin_max());
        validator.range("max", Unit::Kelvin, self.max_k, law.kelvin_min(), law.kelvin_max());
        validator.require(
            self.min_k < self.max_k,
            conflict("min", Unit::Kelvin, self.min_k, "must stay below", self.max_k, "max"),
        );
        let full = full_scale(self.adc_bits);
        let share = |kelvin: f64| {
            let ohms = law.ohms(kelvin);
            (if self.sensor_to_ground { ohms } else { self.series_ohm }) / (ohms + self.series_ohm)
        };
        let (a, b) = (share(self.min_k) * full, share(self.max_k) * full);
        let (code_min, code_max) = if a < b { (a, b) } else { (b, a) };
        // A broken or shorted wire must lie outside, at least four quantisation steps from the nearest healthy code.
        validator.require(
            code_min >= 4.0 && code_max <= full - 5.0,
            conflict(
                "series",
                Unit::Ohm,
                self.series_ohm,
                "must leave room to detect a broken wire; try",
                law.ohms((self.min_k + self.max_k) / 2.0),
                "min and max",
            ),
        );
        validator.clean().then_some(Divider {
            law,
            series_ohm: self.series_ohm,
            sensor_to_ground: self.sensor_to_ground,
            full,
            code_min,
            code_max,
        })
    }

    /// As [`RawDivider::validate_with`], with the errors collected.
    ///
    /// # Errors
    /// All errors, at once.
    #[expect(clippy::result_large_err, reason = "for hosts and tests; a controller calls `validate_with`")]
    pub fn validate<L: Law>(&self, law: L) -> Result<Divider<L>, Errors> {
        let mut errors = Errors::default();
        self.validate_with(law, |error| errors.add(error)).ok_or(errors)
    }
}

impl<L: Law> Characteristic for Divider<L> {
    /// The temperature in millikelvin. Out of its range in any one of the summed codes is a fault: more resistance than
    /// the sensor can have is an open circuit, less a short one.
    fn counts(&self, conversion: &Conversion) -> Result<i32, SensorFault> {
        let (beyond_least, beyond_most) = if self.sensor_to_ground {
            (SensorFault::Short, SensorFault::Open)
        } else {
            (SensorFault::Open, SensorFault::Short)
        };
        if f64::from(conversion.least) < self.code_min {
            return Err(beyond_least);
        }
        if f64::from(conversion.most) > self.code_max {
            return Err(beyond_most);
        }
        let code = conversion.mean();
        let ohms = if self.sensor_to_ground {
            self.series_ohm * code / (self.full - code)
        } else {
            self.series_ohm * (self.full - code) / code
        };
        Ok((self.law.kelvin(ohms) * 1e3) as i32)
    }

    fn thermometer(&self) -> Option<Thermometer> {
        Some(MILLIKELVIN)
    }
}

#[cfg(test)]
mod tests {
    use super::super::platinum::Platinum;
    use super::super::thermistor::Thermistor;
    use super::*;
    use proptest::prelude::*;

    fn code(code: f64) -> Conversion {
        Conversion::single(code as u32, 0)
    }

    /// Pt1000 over 1 kΩ on 24 bits: at 0 °C half of everything.
    const PLATINUM: RawDivider = RawDivider { adc_bits: 24, series_ohm: 1_000.0, ..RawDivider::DEMO };

    #[test]
    fn platinum_at_the_ice_point_reads_it() {
        let sensor = PLATINUM.validate(Platinum::PT1000).unwrap();
        assert_eq!(sensor.counts(&code(8_388_608.0)), Ok(273_150));
        assert!(MILLIKELVIN.temperature(273_150).celsius().abs() < 1e-9);
        let other_way = RawDivider { sensor_to_ground: false, ..PLATINUM }.validate(Platinum::PT1000).unwrap();
        assert_eq!(other_way.counts(&code(8_388_608.0)), Ok(273_150));
    }

    #[test]
    fn a_broken_wire_is_open_and_a_shorted_one_short_whichever_way_round() {
        for sensor_to_ground in [true, false] {
            let sensor = RawDivider { sensor_to_ground, ..RawDivider::DEMO }.validate(Thermistor::TEN_KILOHM).unwrap();
            let (open, short) = if sensor_to_ground { (4_095.0, 0.0) } else { (0.0, 4_095.0) };
            assert_eq!(sensor.counts(&code(open)), Err(SensorFault::Open));
            assert_eq!(sensor.counts(&code(short)), Err(SensorFault::Short));
            let now_and_then = Conversion { sum: 2_048 * 63, of: 64, least: 0, most: 4_095, number: 0 };
            assert!(sensor.counts(&now_and_then).is_err());
        }
    }

    #[test]
    fn a_series_resistor_that_hides_a_broken_wire_is_refused() {
        let raw = RawDivider { series_ohm: 10.0, ..RawDivider::DEMO };
        let errors = raw.validate(Thermistor::TEN_KILOHM).unwrap_err();
        assert!(matches!(errors.as_slice(), [e] if e.field == "series"), "{errors}");
    }

    proptest! {
        #[test]
        fn any_code_gives_a_temperature_in_range_or_a_fault(code: u32, bits in 10..=24_u32, sensor_to_ground: bool) {
            let raw = RawDivider { adc_bits: bits, sensor_to_ground, ..RawDivider::DEMO };
            let sensor = raw.validate(Thermistor::TEN_KILOHM).unwrap();
            if let Ok(millikelvin) = sensor.counts(&Conversion::single(code, 0)) {
                prop_assert!((253_149..=343_150).contains(&millikelvin), "{millikelvin}");
            }
        }

        #[test]
        fn readings_are_monotonic_in_the_code(code in 300..3_600_u32, platinum: bool) {
            let ntc = RawDivider::DEMO.validate(Thermistor::TEN_KILOHM).unwrap();
            let pt = RawDivider { adc_bits: 12, ..PLATINUM }.validate(Platinum::PT1000).unwrap();
            let read = |code| {
                let c = Conversion::single(code, 0);
                if platinum { pt.counts(&c) } else { ntc.counts(&c) }
            };
            if let (Ok(a), Ok(b)) = (read(code), read(code + 1)) {
                prop_assert_eq!(a < b, platinum, "{} {}", a, b);
            }
        }
    }
}
