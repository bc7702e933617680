//! Ratiometric pressure transducers: 0.5 to 4.5 V from a 5 V supply, and the like. The signal is a share of the supply,
//! so it must be divided by the actual supply, not the nominal one.
//!
//! Two ways to wire one: the converter's reference is taken from the transducer's supply, or the supply is read on an
//! input of its own, which also detects a brown-out.
//!
//! # Example
//! The same pressure reads the same while the supply sags, as the reference sags with it.
//! ```
//! use seathold_sequencer::adapters::analogue::Characteristic;
//! use seathold_sequencer::adapters::conversion::Conversion;
//! use seathold_sequencer::adapters::ratiometric::RawRatiometric;
//! use seathold_sequencer::input::SensorFault;
//!
//! let sensor = RawRatiometric::HALF_TO_FOUR_AND_A_HALF.validate()?;
//! let transducer = sensor.transducer();
//! let code = |signal_v: f64, supply_v: f64| Conversion::single((signal_v / supply_v * 4_096.0) as u32, 0);
//!
//! for supply_v in [5.0, 4.8] {
//!     // 58 % of the supply: 10 % is 0 bar, 90 % is 10 bar.
//!     let counts = Characteristic::counts(&sensor, &code(0.58 * supply_v, supply_v)).expect("a healthy signal");
//!     assert!((transducer.pressure(counts).pascals() - 600_000).abs() < 1_000);
//! }
//! assert_eq!(Characteristic::counts(&sensor, &code(0.0, 5.0)), Err(SensorFault::Open));
//! # Ok::<(), seathold_sequencer::field::Errors>(())
//! ```

use super::analogue::Characteristic;
use super::conversion::Conversion;
use crate::field::{Errors, Field, FieldError, Unit, Validator, conflict};
use crate::input::SensorFault;
use crate::rig::Transducer;

/// Counts of the whole supply: a count is a millionth of it.
pub const COUNTS_PER_SUPPLY: f64 = 1e6;

/// A ratiometric transducer and its wiring as entered, not yet validated. Each member says its range; [`FIELDS`] is the table they come from.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawRatiometric {
    /// Bits of the converter: 8 to 24.
    pub adc_bits: u32,
    /// The converter's reference: 0.5 to 6 V.
    pub reference_v: f64,
    /// Share of the signal that reaches the converter: 0.05 to 1.
    pub signal_divider: f64,
    /// The transducer's supply is read on an input of its own; else the reference is taken from it.
    pub supply_measured: bool,
    /// Share of the supply that reaches its input, or that the reference is: 0.05 to 1.
    pub supply_divider: f64,
    /// Least supply that the transducer works with, where it is measured: 1 to 40 V. In files `supply_min`.
    pub supply_v_min: f64,
    /// Most supply that the transducer works with: 1 to 40 V. In files `supply_max`.
    pub supply_v_max: f64,
    /// Signal at the low end of the range, as a share of the supply: 0.01 to 0.99.
    pub low: f64,
    /// Signal at the high end of the range, as a share of the supply: 0.01 to 0.99.
    pub high: f64,
    /// Signal below which a wire is broken or the transducer signals a failure: 0.001 to 0.5.
    pub fail_low: f64,
    /// Signal above which a wire is shorted or the transducer signals a failure: 0.5 to 0.999.
    pub fail_high: f64,
    /// Gauge pressure at the low end of the range: −101 325 to 10 000 000 Pa.
    pub range_low_pa: f64,
    /// Gauge pressure at the high end of the range: 1 000 to 10 000 000 Pa.
    pub range_high_pa: f64,
}

impl RawRatiometric {
    /// 0.5 to 4.5 V from 5 V for 0 to 10 bar gauge, on a converter of 12 bits whose reference is the supply.
    ///
    /// Such transducers are commonly rated for 10 and 90 % of the supply, with failure below 5 and above 95 %: common
    /// practice, no source.
    pub const HALF_TO_FOUR_AND_A_HALF: Self = Self {
        adc_bits: 12,
        reference_v: 5.0,
        signal_divider: 1.0,
        supply_measured: false,
        supply_divider: 1.0,
        supply_v_min: 4.5,
        supply_v_max: 5.5,
        low: 0.1,
        high: 0.9,
        fail_low: 0.05,
        fail_high: 0.95,
        range_low_pa: 0.0,
        range_high_pa: 1_000_000.0,
    };
}

/// The fields in the order they are checked and written.
pub const FIELDS: &[Field<RawRatiometric>] = &[
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
        name: "signal_divider",
        about: "share of the signal that reaches the converter",
        unit: Unit::Ratio,
        min: 0.05,
        max: 1.0,
        get: |r| r.signal_divider,
        set: |r, v| r.signal_divider = v,
    },
    Field {
        name: "supply_measured",
        about: "the transducer's supply is read on an input of its own; else the reference is taken from it",
        unit: Unit::Flag,
        min: 0.0,
        max: 1.0,
        get: |r| f64::from(u8::from(r.supply_measured)),
        set: |r, v| r.supply_measured = v != 0.0,
    },
    Field {
        name: "supply_divider",
        about: "share of the supply that reaches its input, or that the reference is",
        unit: Unit::Ratio,
        min: 0.05,
        max: 1.0,
        get: |r| r.supply_divider,
        set: |r, v| r.supply_divider = v,
    },
    Field {
        name: "supply_min",
        about: "least supply that the transducer works with, where it is measured",
        unit: Unit::Volt,
        min: 1.0,
        max: 40.0,
        get: |r| r.supply_v_min,
        set: |r, v| r.supply_v_min = v,
    },
    Field {
        name: "supply_max",
        about: "most supply that the transducer works with",
        unit: Unit::Volt,
        min: 1.0,
        max: 40.0,
        get: |r| r.supply_v_max,
        set: |r, v| r.supply_v_max = v,
    },
    Field {
        name: "low",
        about: "signal at the low end of the range, as a share of the supply",
        unit: Unit::Ratio,
        min: 0.01,
        max: 0.99,
        get: |r| r.low,
        set: |r, v| r.low = v,
    },
    Field {
        name: "high",
        about: "signal at the high end of the range, as a share of the supply",
        unit: Unit::Ratio,
        min: 0.01,
        max: 0.99,
        get: |r| r.high,
        set: |r, v| r.high = v,
    },
    Field {
        name: "fail_low",
        about: "signal below which a wire is broken or the transducer signals a failure",
        unit: Unit::Ratio,
        min: 0.001,
        max: 0.5,
        get: |r| r.fail_low,
        set: |r, v| r.fail_low = v,
    },
    Field {
        name: "fail_high",
        about: "signal above which a wire is shorted or the transducer signals a failure",
        unit: Unit::Ratio,
        min: 0.5,
        max: 0.999,
        get: |r| r.fail_high,
        set: |r, v| r.fail_high = v,
    },
    Field {
        name: "range_low",
        about: "gauge pressure at the low end of the range",
        unit: Unit::Pascal,
        min: -101_325.0,
        max: 10_000_000.0,
        get: |r| r.range_low_pa,
        set: |r, v| r.range_low_pa = v,
    },
    Field {
        name: "range_high",
        about: "gauge pressure at the high end of the range",
        unit: Unit::Pascal,
        min: 1_000.0,
        max: 10_000_000.0,
        get: |r| r.range_high_pa,
        set: |r, v| r.range_high_pa = v,
    },
];

/// A ratiometric transducer, validated as a whole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ratiometric {
    raw: RawRatiometric,
    /// Code of the whole reference.
    full: f64,
    /// Counts for a signal's code as large as its reference.
    counts_per_one: f64,
}

impl RawRatiometric {
    /// Checks every field and every rule between fields, and reports every error, one by one.
    pub fn validate_with(&self, report: impl FnMut(FieldError)) -> Option<Ratiometric> {
        let mut validator = Validator::new(report);
        validator.ranges(self, FIELDS);
        let mut below = |field, unit, value, bound, with| {
            validator.require(value < bound, conflict(field, unit, value, "must stay below", bound, with));
        };
        below("supply_min", Unit::Volt, self.supply_v_min, self.supply_v_max, "supply_max");
        below("fail_low", Unit::Ratio, self.fail_low, self.low, "low");
        below("low", Unit::Ratio, self.low, self.high, "high");
        below("high", Unit::Ratio, self.high, self.fail_high, "fail_high");
        below("range_low", Unit::Pascal, self.range_low_pa, self.range_high_pa, "range_high");
        // A failure beyond the converter's range would be taken for a reading.
        if self.supply_measured {
            let room = self.reference_v / self.supply_v_max;
            below(
                "signal_divider",
                Unit::Ratio,
                self.signal_divider * self.fail_high,
                room,
                "reference over supply_max",
            );
            below("supply_divider", Unit::Ratio, self.supply_divider, room, "reference over supply_max");
        } else {
            let bound = self.supply_divider;
            below("signal_divider", Unit::Ratio, self.signal_divider * self.fail_high, bound, "supply_divider");
        }
        let full = full_scale(self.adc_bits);
        let counts_per_one = COUNTS_PER_SUPPLY * self.supply_divider / self.signal_divider;
        validator.clean().then_some(Ratiometric { raw: *self, full, counts_per_one })
    }

    /// As [`RawRatiometric::validate_with`], with the errors collected.
    ///
    /// # Errors
    /// All errors, at once.
    #[expect(clippy::result_large_err, reason = "for hosts and tests; a controller calls `validate_with`")]
    pub fn validate(&self) -> Result<Ratiometric, Errors> {
        let mut errors = Errors::default();
        self.validate_with(|error| errors.add(error)).ok_or(errors)
    }
}

/// Steps of a converter of so many bits; the greatest code is one less.
pub(super) fn full_scale(bits: u32) -> f64 {
    f64::from(1_u32.checked_shl(bits).unwrap_or(1))
}

impl Ratiometric {
    /// The reading in millionths of the supply, rounded down.
    ///
    /// # Errors
    /// `BrownOut` when the supply is out of its range; `Open` below `fail_low` and `Short` above `fail_high`, for any
    /// one of the summed codes; `Device` when the supply is to be measured and was not.
    pub fn counts(&self, signal: &Conversion, supply: Option<&Conversion>) -> Result<i32, SensorFault> {
        let against = match supply {
            Some(supply) => {
                let volts = |code: u32| f64::from(code) / self.full * self.raw.reference_v / self.raw.supply_divider;
                if volts(supply.least) < self.raw.supply_v_min || volts(supply.most) > self.raw.supply_v_max {
                    return Err(SensorFault::BrownOut);
                }
                supply.mean()
            }
            None if self.raw.supply_measured => return Err(SensorFault::Device),
            None => self.full,
        };
        let counts = |code: f64| code * self.counts_per_one / against;
        if counts(signal.least.into()) < self.raw.fail_low * COUNTS_PER_SUPPLY {
            return Err(SensorFault::Open);
        }
        if counts(signal.most.into()) > self.raw.fail_high * COUNTS_PER_SUPPLY {
            return Err(SensorFault::Short);
        }
        // `as` saturates, and truncates towards zero; nothing here is negative.
        Ok(counts(signal.mean()) as i32)
    }

    /// The transducer as a rig needs it. The healthy range extends half-way to the failure limits.
    pub fn transducer(&self) -> Transducer {
        let raw = &self.raw;
        let pa_per_count = (raw.range_high_pa - raw.range_low_pa) / ((raw.high - raw.low) * COUNTS_PER_SUPPLY);
        let zero = raw.low * COUNTS_PER_SUPPLY - raw.range_low_pa / pa_per_count;
        Transducer {
            zero_counts: libm::round(zero) as i32,
            pa_per_count,
            counts_min: libm::round((raw.low + raw.fail_low) / 2.0 * COUNTS_PER_SUPPLY) as i32,
            counts_max: libm::round((raw.high + raw.fail_high) / 2.0 * COUNTS_PER_SUPPLY) as i32,
        }
    }
}

impl Characteristic for Ratiometric {
    fn counts(&self, conversion: &Conversion) -> Result<i32, SensorFault> {
        Ratiometric::counts(self, conversion, None)
    }

    fn transducer(&self) -> Option<Transducer> {
        Some(Ratiometric::transducer(self))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::adapters::Converter;
    use crate::adapters::analogue::{Analogue, AnalogueRatio};
    use crate::adapters::conversion::tests::Given;
    use crate::field::Problem;
    use crate::input::Sample;
    use proptest::prelude::*;

    const RAW: RawRatiometric = RawRatiometric::HALF_TO_FOUR_AND_A_HALF;

    /// Behind dividers, on a 3.3 V converter that reads the supply too.
    const DIVIDED: RawRatiometric = RawRatiometric {
        reference_v: 3.3,
        signal_divider: 0.6,
        supply_measured: true,
        supply_divider: 1.0 / 3.0,
        ..RAW
    };

    fn code(code: u32) -> Conversion {
        Conversion::single(code, 0)
    }

    #[test]
    fn ends_and_middle_of_the_range() {
        let sensor = RAW.validate().unwrap();
        let transducer = sensor.transducer();
        for (volts, pascals) in [(0.5, 0), (2.5, 500_000), (4.5, 1_000_000)] {
            let counts = Characteristic::counts(&sensor, &code((volts / 5.0 * 4096.0) as u32)).unwrap();
            // Two steps of 12 bits over 0.8 of the supply.
            let step = 2.0 * 1e6 / (0.8 * 4096.0);
            assert!(f64::from((transducer.pressure(counts).pascals() - pascals).abs()) < step, "{volts} V");
        }
    }

    #[test]
    fn a_broken_wire_is_open_and_a_shorted_one_short() {
        let sensor = RAW.validate().unwrap();
        assert_eq!(Characteristic::counts(&sensor, &code(0)), Err(SensorFault::Open));
        assert_eq!(Characteristic::counts(&sensor, &code(4095)), Err(SensorFault::Short));
    }

    #[test]
    fn an_intermittently_broken_wire_is_not_averaged_away() {
        let sensor = RAW.validate().unwrap();
        let mostly_good = Conversion { sum: 63 * 2_048, of: 64, least: 0, most: 2_048, number: 0 };
        assert_eq!(Characteristic::counts(&sensor, &mostly_good), Err(SensorFault::Open));
        let spikes = Conversion { sum: 63 * 2_048 + 4_095, of: 64, least: 2_048, most: 4_095, number: 0 };
        assert_eq!(Characteristic::counts(&sensor, &spikes), Err(SensorFault::Short));
    }

    #[test]
    fn a_supply_that_sags_does_not_change_the_reading_until_it_browns_out() {
        let sensor = DIVIDED.validate().unwrap();
        let at = |supply_v: f64| {
            let code = |volts: f64| Conversion::single((volts / 3.3 * 4096.0) as u32, 0);
            sensor.counts(&code(supply_v * 0.5 * 0.6), Some(&code(supply_v / 3.0)))
        };
        for supply_v in [4.6, 4.8, 5.0, 5.2, 5.4] {
            assert!((at(supply_v).unwrap() - 500_000).abs() < 600, "{supply_v} V: {:?}", at(supply_v));
        }
        assert_eq!(at(4.4), Err(SensorFault::BrownOut));
        assert_eq!(at(5.6), Err(SensorFault::BrownOut));
        assert_eq!(at(0.0), Err(SensorFault::BrownOut));
    }

    #[test]
    fn a_supply_that_should_be_measured_and_is_not_is_a_fault() {
        let sensor = DIVIDED.validate().unwrap();
        assert_eq!(sensor.counts(&code(2_000), None), Err(SensorFault::Device));
        // One reading of it is valid for two of the signal, then it is too old.
        let signal = (0..).map(|n| Ok(Conversion::single(1_800, n)));
        let supply = [Ok(Conversion::single(2_068, 0))].into_iter();
        let mut channel = AnalogueRatio::new(Given(signal), Given(supply), sensor);
        assert!(channel.read().is_ok());
        assert!(channel.read().is_ok());
        assert_eq!(channel.read(), Err(nb::Error::Other(SensorFault::Device)));
    }

    #[test]
    fn a_converter_that_fails_is_a_device_fault_and_one_that_is_not_ready_waits() {
        let answers = [Err(nb::Error::WouldBlock), Err(nb::Error::Other(())), Ok(Conversion::single(2_048, 5))];
        let mut channel = Analogue::new(Given(answers.into_iter()), RAW.validate().unwrap());
        assert_eq!(channel.read(), Err(nb::Error::WouldBlock));
        assert_eq!(channel.read(), Err(nb::Error::Other(SensorFault::Device)));
        assert_eq!(channel.read(), Ok(Sample { counts: 500_000, number: 5 }));
        assert_eq!(channel.read(), Err(nb::Error::WouldBlock));
    }

    #[test]
    fn wiring_that_hides_a_failure_is_refused() {
        let clipped = RawRatiometric { signal_divider: 0.66, ..DIVIDED };
        let errors = clipped.validate().unwrap_err();
        assert!(matches!(errors.as_slice(), [e] if e.field == "signal_divider"), "{errors}");
    }

    #[test]
    fn each_field_out_of_its_range_is_named() {
        for field in FIELDS.iter().filter(|f| f.unit != Unit::Flag) {
            for value in [field.min - 1.0, field.max + 1.0] {
                let mut raw = RAW;
                (field.set)(&mut raw, value.max(0.0));
                if (field.get)(&raw) >= field.min && (field.get)(&raw) <= field.max {
                    continue;
                }
                let errors = raw.validate().unwrap_err();
                let named = |e: &FieldError| e.field == field.name && matches!(e.problem, Problem::OutOfRange { .. });
                assert!(errors.as_slice().iter().any(named), "{}: {errors}", field.name);
            }
        }
    }

    proptest! {
        /// Any codes give a reading inside the failure limits, or a fault.
        #[test]
        fn any_codes_give_a_reading_or_a_fault(signal: u32, supply: u32, measured: bool) {
            let sensor = DIVIDED.validate().unwrap();
            let supply = Conversion::single(supply, 0);
            if let Ok(counts) = sensor.counts(&Conversion::single(signal, 0), measured.then_some(&supply)) {
                prop_assert!((50_000..=950_000).contains(&counts));
            }
            if let Ok(counts) = Characteristic::counts(&RAW.validate().unwrap(), &Conversion::single(signal, 0)) {
                prop_assert!((50_000..=950_000).contains(&counts));
            }
        }

        /// More code is more pressure, and never from a fault below to a fault above without readings between.
        #[test]
        fn readings_rise_with_the_code(supply in 1_862..2_270u32) {
            let sensor = DIVIDED.validate().unwrap();
            let transducer = sensor.transducer();
            let supply = Conversion::single(supply, 0);
            let mut last = None;
            for signal in 0..4_096 {
                match sensor.counts(&Conversion::single(signal, 0), Some(&supply)) {
                    Ok(counts) => {
                        let pressure = transducer.pressure(counts);
                        prop_assert!(last.is_none_or(|l| l < pressure));
                        last = Some(pressure);
                    }
                    Err(SensorFault::Open) => prop_assert!(last.is_none()),
                    Err(fault) => prop_assert!(last.is_some() && fault == SensorFault::Short),
                }
            }
        }
    }
}
