//! Pressure transmitters on a 4–20 mA loop, read as the voltage over a shunt.
//!
//! Currents outside 4 to 20 mA are taken as NAMUR NE 43 recommends (read quoted second-hand, by several who agree):
//!
//! | current | meaning | result |
//! |---|---|---|
//! | ≤ 3.6 mA | failure, or a broken wire | [`SensorFault::Open`] |
//! | 3.6 to 3.8 mA | neither | counts below the healthy range: implausible |
//! | 3.8 to 20.5 mA | the measured value, up to saturation | counts |
//! | 20.5 to 21.0 mA | neither | counts above the healthy range: implausible |
//! | ≥ 21.0 mA | failure, or a short | [`SensorFault::Short`] |
//!
//! # Example
//! ```
//! use seathold_sequencer::adapters::analogue::Characteristic;
//! use seathold_sequencer::adapters::conversion::Conversion;
//! use seathold_sequencer::adapters::current_loop::RawCurrentLoop;
//! use seathold_sequencer::input::SensorFault;
//!
//! let sensor = RawCurrentLoop { adc_bits: 16, ..RawCurrentLoop::DEMO }.validate()?;
//! let code = |ma: f64| Conversion::single((ma * 1e-3 * 150.0 / 3.3 * 65_536.0) as u32, 0);
//! // The rig file takes zero, scale and the healthy range from here.
//! let transducer = sensor.transducer();
//!
//! let counts = sensor.counts(&code(13.6)).expect("a healthy current");
//! assert!((transducer.pressure(counts).pascals() - 600_000).abs() < 50);
//! assert_eq!(sensor.counts(&code(1.0)), Err(SensorFault::Open));
//! assert_eq!(sensor.counts(&code(21.5)), Err(SensorFault::Short));
//!
//! // 250 Ω, as for 5 V, would hide a short: 21 mA is more than the reference of 3.3 V can show.
//! let wrong = RawCurrentLoop { shunt_ohm: 250.0, ..RawCurrentLoop::DEMO }.validate();
//! assert!(wrong.is_err_and(|errors| errors.as_slice()[0].field == "shunt"));
//! # Ok::<(), seathold_sequencer::field::Errors>(())
//! ```

use super::analogue::Characteristic;
use super::conversion::Conversion;
use super::ratiometric::full_scale;
use crate::field::{Errors, Field, FieldError, Unit, Validator, conflict};
use crate::input::SensorFault;
use crate::rig::Transducer;

/// Counts a milliampere: a count is 10 nA.
pub const COUNTS_PER_MA: f64 = 1e5;

/// At or below this the transmitter signals a failure (NAMUR NE 43).
pub const FAIL_LOW_MA: f64 = 3.6;
/// Least current that is a measured value (NAMUR NE 43).
pub const SATURATED_LOW_MA: f64 = 3.8;
/// Most current that is a measured value (NAMUR NE 43).
pub const SATURATED_HIGH_MA: f64 = 20.5;
/// At or above this the transmitter signals a failure (NAMUR NE 43).
pub const FAIL_HIGH_MA: f64 = 21.0;

/// A transmitter and its shunt as entered, not yet validated. Each member says its range; [`FIELDS`] is the table they come from.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawCurrentLoop {
    /// Bits of the converter: 8 to 24.
    pub adc_bits: u32,
    /// The converter's reference: 0.5 to 6 V.
    pub reference_v: f64,
    /// Resistor the loop's current flows through: 10 to 280 Ω.
    pub shunt_ohm: f64,
    /// Gauge pressure at 4 mA: −101 325 to 10 000 000 Pa.
    pub range_low_pa: f64,
    /// Gauge pressure at 20 mA: 1 000 to 10 000 000 Pa.
    pub range_high_pa: f64,
}

impl RawCurrentLoop {
    /// 0 to 10 bar gauge over 150 Ω, on a converter of 12 bits with a reference of 3.3 V.
    pub const DEMO: Self =
        Self { adc_bits: 12, reference_v: 3.3, shunt_ohm: 150.0, range_low_pa: 0.0, range_high_pa: 1_000_000.0 };
}

/// The fields in the order they are checked and written.
pub const FIELDS: &[Field<RawCurrentLoop>] = &[
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
        name: "reference",
        about: "the converter's reference",
        unit: Unit::Volt,
        min: 0.5,
        max: 6.0,
        get: |r| r.reference_v,
        set: |r, v| r.reference_v = v,
    },
    Field {
        name: "shunt",
        about: "resistor the loop's current flows through",
        unit: Unit::Ohm,
        min: 10.0,
        max: 280.0,
        get: |r| r.shunt_ohm,
        set: |r, v| r.shunt_ohm = v,
    },
    Field {
        name: "range_low",
        about: "gauge pressure at 4 mA",
        unit: Unit::Pascal,
        min: -101_325.0,
        max: 10_000_000.0,
        get: |r| r.range_low_pa,
        set: |r, v| r.range_low_pa = v,
    },
    Field {
        name: "range_high",
        about: "gauge pressure at 20 mA",
        unit: Unit::Pascal,
        min: 1_000.0,
        max: 10_000_000.0,
        get: |r| r.range_high_pa,
        set: |r, v| r.range_high_pa = v,
    },
];

/// A transmitter and its shunt, validated as a whole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurrentLoop {
    raw: RawCurrentLoop,
    ma_per_code: f64,
}

impl RawCurrentLoop {
    /// Checks every field and every rule between fields, and reports every error, one by one.
    pub fn validate_with(&self, report: impl FnMut(FieldError)) -> Option<CurrentLoop> {
        let mut validator = Validator::new(report);
        validator.ranges(self, FIELDS);
        validator.require(
            self.range_low_pa < self.range_high_pa,
            conflict("range_low", Unit::Pascal, self.range_low_pa, "must stay below", self.range_high_pa, "range_high"),
        );
        let full = full_scale(self.adc_bits);
        let ma_per_code = self.reference_v / full / self.shunt_ohm * 1e3;
        // A failure beyond the converter's range would be taken for a reading.
        let shunt_max = (full - 1.0) / full * self.reference_v / (FAIL_HIGH_MA * 1e-3);
        validator.require(
            self.shunt_ohm <= shunt_max,
            conflict(
                "shunt",
                Unit::Ohm,
                self.shunt_ohm,
                "must allow 21 mA to be read, so be at most",
                shunt_max,
                "reference",
            ),
        );
        // Four quantisation steps between a value and a failure, or noise would decide.
        let step_max = (SATURATED_LOW_MA - FAIL_LOW_MA) / 4.0;
        let shunt_min = self.reference_v / full / (step_max * 1e-3);
        validator.require(
            self.shunt_ohm >= shunt_min,
            conflict(
                "shunt",
                Unit::Ohm,
                self.shunt_ohm,
                "must distinguish 3.6 from 3.8 mA, so be at least",
                shunt_min,
                "reference",
            ),
        );
        validator.clean().then_some(CurrentLoop { raw: *self, ma_per_code })
    }

    /// As [`RawCurrentLoop::validate_with`], with the errors collected.
    ///
    /// # Errors
    /// All errors, at once.
    #[expect(clippy::result_large_err, reason = "for hosts and tests; a controller calls `validate_with`")]
    pub fn validate(&self) -> Result<CurrentLoop, Errors> {
        let mut errors = Errors::default();
        self.validate_with(|error| errors.add(error)).ok_or(errors)
    }
}

impl CurrentLoop {
    /// The transmitter as a rig needs it: healthy from 3.8 to 20.5 mA.
    pub fn transducer(&self) -> Transducer {
        let pa_per_count = (self.raw.range_high_pa - self.raw.range_low_pa) / (16.0 * COUNTS_PER_MA);
        let zero = 4.0 * COUNTS_PER_MA - self.raw.range_low_pa / pa_per_count;
        Transducer {
            zero_counts: libm::round(zero) as i32,
            pa_per_count,
            counts_min: (SATURATED_LOW_MA * COUNTS_PER_MA) as i32,
            counts_max: (SATURATED_HIGH_MA * COUNTS_PER_MA) as i32,
        }
    }
}

impl Characteristic for CurrentLoop {
    /// The current in steps of 10 nA, rounded down. A failure in any one of the summed codes is a failure.
    fn counts(&self, conversion: &Conversion) -> Result<i32, SensorFault> {
        if f64::from(conversion.least) * self.ma_per_code <= FAIL_LOW_MA {
            return Err(SensorFault::Open);
        }
        if f64::from(conversion.most) * self.ma_per_code >= FAIL_HIGH_MA {
            return Err(SensorFault::Short);
        }
        Ok((conversion.mean() * self.ma_per_code * COUNTS_PER_MA) as i32)
    }

    fn transducer(&self) -> Option<Transducer> {
        Some(CurrentLoop::transducer(self))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::field::Problem;
    use proptest::prelude::*;

    /// A converter of 16 bits: its steps of 0.34 µA are far finer than the limits.
    const FINE: RawCurrentLoop = RawCurrentLoop { adc_bits: 16, ..RawCurrentLoop::DEMO };

    fn at(sensor: &CurrentLoop, ma: f64) -> Result<i32, SensorFault> {
        sensor.counts(&Conversion::single(libm::round(ma / sensor.ma_per_code) as u32, 0))
    }

    /// Limits of NAMUR NE 43, quoted second-hand.
    #[test]
    fn currents_outside_the_range_are_taken_as_ne_43_recommends() {
        let sensor = FINE.validate().unwrap();
        let transducer = sensor.transducer();
        let read = |ma| at(&sensor, ma).map(|counts| transducer.plausible(counts));
        for (ma, expected) in [
            (0.0, Err(SensorFault::Open)),
            (3.59, Err(SensorFault::Open)),
            (3.61, Ok(false)),
            (3.79, Ok(false)),
            (3.81, Ok(true)),
            (4.0, Ok(true)),
            (20.0, Ok(true)),
            (20.49, Ok(true)),
            (20.51, Ok(false)),
            (20.99, Ok(false)),
            (21.01, Err(SensorFault::Short)),
            (22.0, Err(SensorFault::Short)),
        ] {
            assert_eq!(read(ma), expected, "{ma} mA");
        }
    }

    #[test]
    fn four_and_twenty_milliamperes_are_the_ends_of_the_range() {
        let raw = RawCurrentLoop { range_low_pa: -100_000.0, range_high_pa: 900_000.0, ..FINE };
        let sensor = raw.validate().unwrap();
        let transducer = sensor.transducer();
        for (ma, pascals) in [(4.0, -100_000), (5.6, 0), (12.0, 400_000), (20.0, 900_000)] {
            let counts = at(&sensor, ma).unwrap();
            // A step of 16 bits is 21 Pa.
            assert!((transducer.pressure(counts).pascals() - pascals).abs() < 25, "{ma} mA");
        }
    }

    #[test]
    fn a_shunt_that_hides_a_failure_is_refused() {
        for shunt_ohm in [158.0, 270.0] {
            let errors = RawCurrentLoop { shunt_ohm, ..FINE }.validate().unwrap_err();
            let [error] = errors.as_slice() else { panic!("{errors}") };
            assert!(error.field == "shunt" && matches!(error.problem, Problem::Conflict { with: "reference", .. }));
        }
        let errors = RawCurrentLoop { adc_bits: 8, shunt_ohm: 100.0, ..FINE }.validate().unwrap_err();
        assert!(errors.as_slice().iter().any(|e| e.field == "shunt"), "{errors}");
    }

    proptest! {
        #[test]
        fn any_code_gives_a_reading_or_a_fault(code: u32, bits in 12..=24_u32) {
            let sensor = RawCurrentLoop { adc_bits: bits, ..FINE }.validate().unwrap();
            if let Ok(counts) = sensor.counts(&Conversion::single(code, 0)) {
                prop_assert!((360_000..=2_100_000).contains(&counts));
            }
        }

        #[test]
        fn readings_rise_with_the_code(code in 0..65_535_u32) {
            let sensor = FINE.validate().unwrap();
            let counts = |code| sensor.counts(&Conversion::single(code, 0));
            match (counts(code), counts(code + 1)) {
                (Ok(a), Ok(b)) => prop_assert!(a < b),
                (Err(SensorFault::Open), Err(SensorFault::Open) | Ok(_)) => {}
                (Ok(_) | Err(SensorFault::Short), Err(SensorFault::Short)) => {}
                other => prop_assert!(false, "{other:?}"),
            }
        }
    }
}
