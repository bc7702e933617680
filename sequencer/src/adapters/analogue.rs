//! A converter's input and what is wired to it, read as counts.

use super::conversion::{Adc, Conversion};
use super::parts::Converter;
use super::ratiometric::Ratiometric;
use crate::input::{Sample, SensorFault};

/// What is wired to a converter's input: the meaning of its codes, and which of them no healthy sensor gives.
pub trait Characteristic {
    /// The reading in counts.
    ///
    /// # Errors
    /// The fault that such a code means.
    fn counts(&self, conversion: &Conversion) -> Result<i32, SensorFault>;
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
}

fn convert<A: Adc>(input: &mut A) -> nb::Result<Conversion, SensorFault> {
    input.convert().map_err(|error| error.map(|_| SensorFault::Device))
}
