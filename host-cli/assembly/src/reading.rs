//! One reading of a length, as it stands in a cell.

use seathold_quantity::{Dimension, QuantityError, UnitDef};
use seathold_sequencer::field::Unit;

use crate::length::Length;

/// Bounds of a length, in metres: from a tenth of a millimetre to two metres.
pub const PART_M: std::ops::RangeInclusive<f64> = 1e-4..=2.0;

/// A reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// The length.
    pub length: Length,
    /// One of its last digit, in metres.
    pub digit_m: f64,
}

/// A reading, in this unit where it names none.
///
/// # Errors
/// What is wrong with it, and what is allowed.
pub fn reading(cell: &str, unit: UnitDef) -> Result<Reading, String> {
    let end = |from: usize, of: &[char]| {
        let is_part = |c: char| c.is_ascii_digit() || of.contains(&c);
        cell[from..].find(|c| !is_part(c)).map_or(cell.len(), |at| from + at)
    };
    let mantissa = end(0, &['.', ',', '+', '-']);
    // "3e1" has an exponent, "3 e" has not.
    let exponent = cell[mantissa..]
        .strip_prefix(['e', 'E'])
        .filter(|rest| rest.starts_with(|c: char| c.is_ascii_digit() || c == '-' || c == '+'));
    let number_end = if exponent.is_some() { end(mantissa + 1, &['+', '-']) } else { mantissa };
    let (number, own) = (&cell[..number_end], cell[number_end..].trim());
    let unit = if own.is_empty() { unit.text } else { crate::length_unit::unit(own).map_or(own, |unit| unit.text) };
    let read = |number: &str| Dimension(Unit::Metre).parse(&format!("{number} {unit}"));
    let (number, found) = match read(number) {
        Err(QuantityError::TwoReadings(_)) if number.matches(',').count() == 1 && !number.contains('.') => {
            // A comma before three digits: where only one of its two meanings is the length of a part, it has that.
            let meanings = [number.replace(',', "."), number.replace(',', "")];
            let possible = |text: &String| read(text).is_ok_and(|found| PART_M.contains(&found.value(1.0)));
            match meanings.each_ref().map(possible) {
                [true, false] => (meanings[0].clone(), read(&meanings[0])),
                [false, true] => (meanings[1].clone(), read(&meanings[1])),
                _ => (number.to_owned(), read(number)),
            }
        }
        found => (number.to_owned(), found),
    };
    let found = found.map_err(|why| why.to_string())?;
    let metres = found.value(1.0);
    if !PART_M.contains(&metres) {
        return Err(format!("{cell} is outside {} mm to {} mm", PART_M.start() * 1e3, PART_M.end() * 1e3));
    }
    let digits =
        number[..mantissa.min(number.len())].find(['.', ',']).map_or(0, |at| mantissa.min(number.len()) - at - 1);
    let power: i32 = exponent.and_then(|_| number.split(['e', 'E']).nth(1)?.parse().ok()).unwrap_or(0);
    let one_m = Dimension(Unit::Metre).parse(&format!("1 {}", found.symbol.text)).map_or(0.0, |one| one.value(1.0));
    Ok(Reading { length: Length::from_m(metres), digit_m: one_m * 10f64.powi(power.clamp(-30, 30) - digits as i32) })
}

/// Whether a cell is one.
pub(crate) fn is_length(cell: &str, unit: UnitDef) -> bool {
    reading(cell, unit).is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::length_unit::unit;

    #[test]
    fn a_comma_that_can_mean_only_one_thing() {
        let um = |cell: &str, sign: &str| reading(cell, unit(sign).unwrap()).map(|reading| reading.length.nm() / 1_000);
        // 30 125 mm would be 30 m; 30.125 µm would be no part.
        assert_eq!((um("30,125", "mm"), um("30,125", "um"), um("1,125", "in")), (Ok(30_125), Ok(30_125), Ok(28_575)));
        assert_eq!(um("30,12", "mm"), Ok(30_120));
        // 1.125 mm and 1.125 m are both possible.
        assert!(um("1,125", "mm").unwrap_err().contains("1,125"));
    }

    #[test]
    fn a_reading_with_its_unit_and_its_last_digit() {
        let of =
            |cell: &str| reading(cell, unit("mm").unwrap()).map(|r| (r.length.nm() / 1_000, (r.digit_m * 1e9).round()));
        assert_eq!(of("30.10"), Ok((30_100, 10_000.0)));
        assert_eq!(of("30"), Ok((30_000, 1_000_000.0)));
        assert_eq!(of("1.1250 in"), Ok((28_575, 2_540.0)));
        assert_eq!(of("1.125\""), Ok((28_575, 25_400.0)));
        assert_eq!((of("30100 µm"), of("3.010e1")), (Ok((30_100, 1_000.0)), Ok((30_100, 10_000.0))));
        for cell in ["", "long", "30 furlong", "0", "3000", "-3", "1e", "1,2,3", "3.0.1"] {
            assert!(of(cell).is_err(), "{cell}");
        }
    }
}
