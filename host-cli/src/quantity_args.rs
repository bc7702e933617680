//! Options that are quantities: parsed, range checked, and every mistake reported at once.

use std::ops::RangeInclusive;

use seathold_quantity::limit::{self, Limit};
use seathold_quantity::{Dimension, InputError, InputProblem, UnitDef};
use seathold_sequencer::field::Unit;
use seathold_sequencer::units::{AbsolutePressure, Reference, Temperature};

use crate::error::Error;

/// One quantity by itself, in the base unit of its dimension: for an option that is checked as it is read.
///
/// # Errors
/// What is wrong with it, and what is allowed.
pub fn one(unit: Unit, text: &str, range: RangeInclusive<f64>) -> Result<f64, String> {
    one_at(unit, text, range, 1.0)
}

/// The same for a leak, whose volumes are counted at this pressure.
///
/// # Errors
/// As there.
pub fn one_at(unit: Unit, text: &str, range: RangeInclusive<f64>, reference_pa: f64) -> Result<f64, String> {
    let dimension = Dimension(unit);
    let quantity = dimension.parse(text).map_err(|why| why.to_string())?;
    let value = quantity.value(reference_pa);
    if range.contains(&value) {
        return Ok(value);
    }
    let (least, most) = range.into_inner();
    let symbol = dimension.display_unit(Some(quantity.symbol), most);
    let write = |v| symbol.write(dimension, v, reference_pa);
    Err(format!("{} is outside {} to {}", write(value), write(least), write(most)))
}

/// The options of one command as they are read.
#[derive(Debug, Default)]
pub struct QuantityArgs {
    problems: Vec<InputProblem>,
    /// Both reference conditions were given, by options or by a recipe.
    reference_stated: bool,
}

impl QuantityArgs {
    /// Adds a mistake.
    pub fn wrong(&mut self, message: impl Into<String>) {
        self.problems.push(InputProblem { line: None, message: message.into() });
    }

    /// A quantity in the base unit of its dimension, with the unit typed.
    pub fn quantity_in(
        &mut self,
        option: &str,
        unit: Unit,
        text: &str,
        range: &RangeInclusive<f64>,
        reference_pa: f64,
    ) -> Option<(f64, UnitDef)> {
        let kind = Dimension(unit);
        match kind.parse(text) {
            Err(why) => self.wrong(format!("{option}: {why}")),
            Ok(quantity) => {
                if let Err(why) = limit::standard_is_stated(text, quantity.symbol, reference_pa) {
                    self.wrong(format!("{option}: {why}"));
                    return None;
                }
                let value = quantity.value(reference_pa);
                if range.contains(&value) {
                    return Some((value, quantity.symbol));
                }
                let (least, most) = (*range.start(), *range.end());
                let symbol = kind.display_unit(Some(quantity.symbol), most);
                let write = |v| symbol.write(kind, v, reference_pa);
                self.wrong(format!("{option}: {} is outside {} to {}", write(value), write(least), write(most)));
            }
        }
        None
    }

    /// The same without the unit; not for leaks, which need a reference.
    pub fn quantity(&mut self, option: &str, unit: Unit, text: &str, range: RangeInclusive<f64>) -> f64 {
        self.quantity_in(option, unit, text, &range, 1.0).map_or(*range.start(), |(value, _)| value)
    }

    /// A quantity that may be left out.
    pub fn maybe(&mut self, option: &str, unit: Unit, text: Option<&str>, range: RangeInclusive<f64>) -> Option<f64> {
        text.map(|text| self.quantity(option, unit, text, range))
    }

    /// The reference conditions of leaks.
    pub fn reference(&mut self, temperature: Option<&str>, pressure: Option<&str>) -> Reference {
        self.reference_stated |= temperature.is_some() && pressure.is_some();
        let built_in = Reference::ISO_8778;
        let kelvin = self.maybe("--reference-temperature", Unit::Kelvin, temperature, 250.0..=350.0);
        let pascals = self.maybe("--reference-pressure", Unit::PascalAbsolute, pressure, 50_000.0..=120_000.0);
        Reference {
            temperature: kelvin.map_or(built_in.temperature, Temperature::from_kelvin),
            pressure: pascals.map_or(built_in.pressure, AbsolutePressure::from_pascals),
        }
    }

    /// The reference conditions are those of a recipe.
    pub fn reference_of_recipe(&mut self) {
        self.reference_stated = true;
    }

    /// A limit.
    pub fn limit(&mut self, text: &str, dn: Option<u32>, reference: Reference) -> Option<Limit> {
        match limit::parse(text, dn, reference) {
            Ok(limit) if limit.symbol.is_standard() && !self.reference_stated => {
                self.wrong(format!("--limit: {}", limit::standard_unstated(text)));
                None
            }
            Ok(limit) => Some(limit),
            Err(why) => {
                self.wrong(format!("--limit: {why}"));
                None
            }
        }
    }

    /// Ends the reading.
    ///
    /// # Errors
    /// Everything wrong, at once.
    pub fn finish(self) -> Result<(), Error> {
        if self.problems.is_empty() {
            return Ok(());
        }
        Err(Error::Input(InputError { origin: "command line".into(), problems: self.problems }))
    }
}

/// A coverage as typed, like "95 %".
///
/// # Errors
/// What it may be, where it is not.
pub fn coverage(text: &str) -> Result<f64, String> {
    let p = one(Unit::Ratio, text, 0.0..=1.0);
    match p {
        Ok(p) if (0.5..=0.999).contains(&p) => Ok(p),
        _ => Err("give a probability from 50 % to 99.9 %".into()),
    }
}
