//! A converter's input and what is wired to it, read as counts.
//!
//! # Example
//! A transmitter of 4 to 20 mA on a converter of 12 bits. On a board, the `Adc` is the converter's driver.
//! ```
//! use seathold_sequencer::adapters::Converter;
//! use seathold_sequencer::adapters::analogue::Analogue;
//! use seathold_sequencer::adapters::conversion::{Adc, Conversion};
//! use seathold_sequencer::adapters::current_loop::RawCurrentLoop;
//! use seathold_sequencer::input::SensorFault;
//!
//! /// The codes it will give, one a conversion.
//! struct Codes(Vec<u32>, u32);
//!
//! impl Adc for Codes {
//!     type Error = ();
//!
//!     fn convert(&mut self) -> nb::Result<Conversion, ()> {
//!         let code = self.0.pop().ok_or(nb::Error::WouldBlock)?;
//!         self.1 += 1;
//!         Ok(Conversion::single(code, self.1))
//!     }
//! }
//!
//! let sensor = RawCurrentLoop::DEMO.validate()?;
//! let transducer = sensor.transducer();
//! // 12 mA over 150 Ω is 1.8 V of 3.3 V; then the wire breaks.
//! let mut far = Analogue::new(Codes(vec![0, 2_234], 0), sensor);
//!
//! let sample = far.read().expect("a healthy current");
//! let bar = f64::from(transducer.pressure(sample.counts).pascals()) / 1e5;
//! assert!((bar - 5.0).abs() < 0.01, "half of 0 to 10 bar: {bar}");
//! assert_eq!(far.read(), Err(nb::Error::Other(SensorFault::Open)));
//! assert_eq!(far.read(), Err(nb::Error::WouldBlock));
//! # Ok::<(), seathold_sequencer::field::Errors>(())
//! ```

use super::conversion::{Adc, Conversion};
use super::parts::Converter;
use super::ratiometric::Ratiometric;
use crate::input::{Sample, SensorFault};
use crate::rig::{Thermometer, Transducer};

/// What is wired to a converter's input: the meaning of its codes, and which of them no healthy sensor gives.
pub trait Characteristic {
    /// The reading in counts.
    ///
    /// # Errors
    /// The fault that such a code means.
    fn counts(&self, conversion: &Conversion) -> Result<i32, SensorFault>;

    /// Scale of its counts for a rig, where it is a pressure transducer that knows it.
    fn transducer(&self) -> Option<Transducer> {
        None
    }

    /// Scale of its counts for a rig, where it is a thermometer that knows it.
    fn thermometer(&self) -> Option<Thermometer> {
        None
    }
}

/// A sensor on a converter's input.
#[derive(Debug)]
pub struct Analogue<A, C> {
    input: A,
    sensor: C,
}

impl<A, C> Analogue<A, C> {
    /// What is wired to the input.
    pub const fn new(input: A, sensor: C) -> Self {
        Self { input, sensor }
    }
}

impl<A: Adc, C: Characteristic> Converter for Analogue<A, C> {
    fn read(&mut self) -> nb::Result<Sample, SensorFault> {
        let conversion = convert(&mut self.input)?;
        let counts = self.sensor.counts(&conversion).map_err(nb::Error::Other)?;
        Ok(Sample { counts, number: conversion.number })
    }

    fn transducer(&self) -> Option<Transducer> {
        self.sensor.transducer()
    }

    fn thermometer(&self) -> Option<Thermometer> {
        self.sensor.thermometer()
    }
}

/// A ratiometric transducer with its supply on an input of its own.
#[derive(Debug)]
pub struct AnalogueRatio<A, B> {
    signal: A,
    supply: B,
    sensor: Ratiometric,
    /// The supply as last read, and the number of signal readings since.
    last: Option<(Conversion, u8)>,
}

/// Readings of the signal for which one reading of the supply is valid.
const SUPPLY_AGE_MAX: u8 = 2;

impl<A, B> AnalogueRatio<A, B> {
    /// The transducer, its signal's input and its supply's.
    pub const fn new(signal: A, supply: B, sensor: Ratiometric) -> Self {
        Self { signal, supply, sensor, last: None }
    }
}

impl<A: Adc, B: Adc> Converter for AnalogueRatio<A, B> {
    fn read(&mut self) -> nb::Result<Sample, SensorFault> {
        match convert(&mut self.supply) {
            Ok(supply) => self.last = Some((supply, 0)),
            Err(nb::Error::WouldBlock) => {}
            Err(fault) => {
                self.last = None;
                return Err(fault);
            }
        }
        let signal = convert(&mut self.signal)?;
        let Some((supply, age)) = &mut self.last else { return Err(nb::Error::Other(SensorFault::Device)) };
        if *age >= SUPPLY_AGE_MAX {
            return Err(nb::Error::Other(SensorFault::Device));
        }
        *age += 1;
        let counts = self.sensor.counts(&signal, Some(supply)).map_err(nb::Error::Other)?;
        Ok(Sample { counts, number: signal.number })
    }

    fn transducer(&self) -> Option<Transducer> {
        Some(self.sensor.transducer())
    }
}

fn convert<A: Adc>(input: &mut A) -> nb::Result<Conversion, SensorFault> {
    input.convert().map_err(|error| error.map(|_| SensorFault::Device))
}
