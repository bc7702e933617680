//! Quantities as people type them: "6 bar", "45 cm3", "7.5 mm3/s", "10 s".
//!
//! A unit is an exact ratio to the base unit of its dimension ([`Unit`]), and the arithmetic is done with whole numbers
//! of any length; the one rounding is the last, to the nearest double. So `0.07 bar` is 7000 Pa, not 7000.000000000001.

use std::fmt;

use num_bigint::BigInt;
use num_rational::BigRational;
use num_traits::{One, Signed, ToPrimitive, Zero};
use seathold_sequencer::field::Unit;

/// What a typed unit measures, where one dimension takes two: a leak is a throughput, or a volume flow at a stated
/// reference pressure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Counted {
    /// In the field's own base unit.
    AsIs,
    /// Cubic metres a second, to be multiplied by the reference pressure.
    Volume,
}

/// One unit: its symbol, and the exact ratio `numerator × 10^tens / denominator` to the base unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UnitDef {
    /// As typed and printed, with plain digits.
    pub text: &'static str,
    numerator: i64,
    denominator: i64,
    tens: i32,
    /// Added to the typed number before scaling, in hundredths: only degrees Celsius have one.
    offset_hundredths: i64,
    counted: Counted,
}

const fn tens(text: &'static str, tens: i32) -> UnitDef {
    UnitDef { text, numerator: 1, denominator: 1, tens, offset_hundredths: 0, counted: Counted::AsIs }
}

const fn ratio(text: &'static str, numerator: i64, denominator: i64, tens: i32) -> UnitDef {
    UnitDef { text, numerator, denominator, tens, offset_hundredths: 0, counted: Counted::AsIs }
}

const fn volume_flow(text: &'static str, denominator: i64, tens: i32) -> UnitDef {
    UnitDef { text, numerator: 1, denominator, tens, offset_hundredths: 0, counted: Counted::Volume }
}

/// A cubic foot, (0.3048 m)³, in 10⁻¹² m³; and a cubic inch, (0.0254 m)³, in 10⁻¹² m³. Both exact: NIST SP 811,
/// appendix B.8, from the international foot of 1959.
const CUBIC_FOOT: i64 = 28_316_846_592;
const CUBIC_INCH: i64 = 16_387_064;

/// Pressures. bar and psi: NIST SP 811, appendix B.8; psi is 4.4482216152605 N over 6.4516e-4 m², both exact.
const PRESSURES: &[UnitDef] = &[
    tens("Pa", 0),
    tens("hPa", 2),
    tens("kPa", 3),
    tens("MPa", 6),
    tens("mbar", 2),
    tens("bar", 5),
    ratio("psi", 44_482_216_152_605, 64_516, -5),
];
/// As [`PRESSURES`], and the standard atmosphere (101 325 Pa exactly, 10th CGPM, 1954, resolution 4).
const ABSOLUTE_PRESSURES: &[UnitDef] = &[
    tens("Pa", 0),
    tens("hPa", 2),
    tens("kPa", 3),
    tens("MPa", 6),
    tens("mbar", 2),
    tens("bar", 5),
    ratio("psi", 44_482_216_152_605, 64_516, -5),
    ratio("atm", 101_325, 1, 0),
];
const PRESSURE_RATES: &[UnitDef] = &[
    tens("Pa/s", 0),
    tens("kPa/s", 3),
    tens("MPa/s", 6),
    tens("mbar/s", 2),
    tens("bar/s", 5),
    ratio("psi/s", 44_482_216_152_605, 64_516, -5),
];
const TIMES: &[UnitDef] = &[tens("ms", 0), tens("s", 3), ratio("min", 60, 1, 3), ratio("h", 3_600, 1, 3)];
const SECONDS: &[UnitDef] = &[tens("s", 0), tens("ms", -3), ratio("min", 60, 1, 0), ratio("h", 3_600, 1, 0)];
const VOLUMES: &[UnitDef] = &[
    tens("m3", 0),
    tens("l", -3),
    tens("dm3", -3),
    tens("ml", -6),
    tens("cm3", -6),
    tens("mm3", -9),
    ratio("in3", CUBIC_INCH, 1, -12),
    ratio("ft3", CUBIC_FOOT, 1, -12),
];
/// Leaks. mbar·l/s is 100 Pa × 10⁻³ m³/s; volume flows are counted at the reference pressure. sccm and scfh are standard
/// cubic centimetres a minute and standard cubic feet an hour: the same, where the reference conditions are those that
/// "standard" means to whoever wrote them ([`UnitDef::is_standard`]).
const LEAKS: &[UnitDef] = &[
    tens("Pa*m3/s", 0),
    tens("mbar*l/s", -1),
    volume_flow("mm3/s", 1, -9),
    volume_flow("cm3/s", 1, -6),
    volume_flow("cm3/min", 60, -6),
    volume_flow("ml/s", 1, -6),
    volume_flow("ml/min", 60, -6),
    volume_flow("l/min", 60, -3),
    volume_flow("l/h", 3_600, -3),
    volume_flow(SCCM, 60, -6),
    UnitDef { numerator: CUBIC_FOOT, ..volume_flow(SCFH, 3_600, -12) },
];
const SCCM: &str = "sccm";
const SCFH: &str = "scfh";
/// 0 °C is 273.15 K exactly (SI Brochure, 9th edition, 2.3.1); T/K = (θ/°F + 459.67)/1.8 (NIST SP 811, appendix B.8).
const TEMPERATURES: &[UnitDef] = &[
    tens("K", 0),
    tens("mK", -3),
    UnitDef { offset_hundredths: 27_315, ..tens("C", 0) },
    UnitDef { offset_hundredths: 27_315, ..tens("degC", 0) },
    UnitDef { offset_hundredths: 45_967, ..ratio("F", 5, 9, 0) },
    UnitDef { offset_hundredths: 45_967, ..ratio("degF", 5, 9, 0) },
];
/// A field whose greatest temperature is below this, K, holds a difference: no bench is that cold.
const DIFFERENCE_BELOW: f64 = 200.0;
const TEMPERATURE_RATES: &[UnitDef] =
    &[tens("K/s", 0), tens("mK/s", -3), ratio("K/min", 1, 60, 0), ratio("K/h", 1, 3_600, 0)];
/// Sonic conductance: ISO 6358-1 states it in m³/(s·Pa) and in dm³/(s·bar).
const CONDUCTANCES: &[UnitDef] = &[tens("m3/(s*Pa)", 0), tens("dm3/(s*bar)", -8), tens("l/(s*bar)", -8)];
/// Lengths. An inch is 25.4 mm exactly (international yard and pound agreement, 1959; NIST SP 811, appendix B.8).
const LENGTHS: &[UnitDef] = &[tens("m", 0), tens("mm", -3), tens("cm", -2), tens("um", -6), ratio("in", 254, 1, -4)];
const COUNTS: &[UnitDef] = &[tens("counts", 0), tens("", 0)];
const PRESSURE_STEPS: &[UnitDef] = &[tens("Pa/count", 0), tens("kPa/count", 3), tens("mbar/count", 2)];
const TEMPERATURE_STEPS: &[UnitDef] = &[tens("K/count", 0), tens("mK/count", -3)];
const VOLTAGES: &[UnitDef] = &[tens("V", 0), tens("mV", -3)];
const RESISTANCES: &[UnitDef] = &[tens("ohm", 0), tens("kohm", 3)];
const RATIOS: &[UnitDef] = &[tens("", 0), tens("%", -2), tens("ppm", -6)];

/// The dimension of a field.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Dimension(pub Unit);

impl Dimension {
    /// The units accepted, the base unit first.
    pub const fn symbols(self) -> &'static [UnitDef] {
        match self.0 {
            Unit::Pascal | Unit::PascalRms => PRESSURES,
            Unit::PascalAbsolute => ABSOLUTE_PRESSURES,
            Unit::PascalPerSecond => PRESSURE_RATES,
            Unit::Millisecond => TIMES,
            Unit::Second => SECONDS,
            Unit::CubicMetre => VOLUMES,
            Unit::PascalCubicMetrePerSecond => LEAKS,
            Unit::Kelvin => TEMPERATURES,
            Unit::KelvinPerSecond => TEMPERATURE_RATES,
            Unit::Count => COUNTS,
            Unit::PascalPerCount => PRESSURE_STEPS,
            Unit::KelvinPerCount => TEMPERATURE_STEPS,
            Unit::Volt => VOLTAGES,
            Unit::Ohm => RESISTANCES,
            Unit::SonicConductance => CONDUCTANCES,
            Unit::Metre => LENGTHS,
            Unit::Ratio | Unit::Flag => RATIOS,
        }
    }

    /// The usual unit, for templates and for what was never typed.
    pub fn usual(self) -> UnitDef {
        let name = match self.0 {
            Unit::Pascal => "bar",
            Unit::PascalAbsolute => "kPa",
            Unit::PascalPerSecond => "bar/s",
            Unit::Millisecond => "s",
            Unit::CubicMetre => "cm3",
            Unit::PascalCubicMetrePerSecond => "mm3/s",
            Unit::Kelvin => "C",
            Unit::KelvinPerSecond => "mK/s",
            Unit::SonicConductance => "dm3/(s*bar)",
            Unit::Metre => "mm",
            _ => self.base().text,
        };
        self.symbol(name).unwrap_or(self.base())
    }

    /// The unit to print a number in, of a field that reaches up to `most` in the base unit: the one typed, or the
    /// usual one; but not one that counts from another zero, where the field holds a difference.
    pub fn display_unit(self, typed: Option<UnitDef>, most: f64) -> UnitDef {
        let symbol = typed.unwrap_or(self.usual());
        if symbol.offset_hundredths != 0 && most < DIFFERENCE_BELOW { self.base() } else { symbol }
    }

    /// The unit of this name.
    pub fn symbol(self, text: &str) -> Option<UnitDef> {
        let plain = plain(text);
        self.symbols().iter().copied().find(|s| s.text == plain)
    }

    /// The base unit.
    pub const fn base(self) -> UnitDef {
        self.symbols()[0]
    }

    /// The units accepted, for an error.
    pub fn choices(self) -> String {
        let mut named: Vec<&str> = self.symbols().iter().map(|s| s.text).filter(|t| !t.is_empty()).collect();
        if self.0 == Unit::PascalCubicMetrePerSecond {
            named.push("bubbles/min of a VOLUME");
        }
        named.join(", ")
    }

    const fn bare_allowed(self) -> bool {
        matches!(self.0, Unit::Count | Unit::Ratio | Unit::Flag)
    }
}

/// A number with its unit, as typed, and exact.
#[derive(Clone, Debug, PartialEq)]
pub struct Quantity {
    /// In the base unit; a volume flow is still in m³/s.
    scaled: BigRational,
    /// The unit it was typed in.
    pub symbol: UnitDef,
}

/// Why a text is not a quantity, and what would be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum QuantityError {
    /// No number at the front.
    NotANumber(String, Dimension),
    /// A bare number where a unit is needed.
    NoUnit(String, Dimension),
    /// A unit that this field does not take.
    UnknownUnit(String, String, Dimension),
    /// Finer than the whole number the field counts in.
    TooFine(String, Dimension),
    /// A comma that may divide decimals or thousands.
    TwoReadings(String),
    /// Bubbles of no stated volume.
    NoBubble(String),
}

impl fmt::Display for QuantityError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotANumber(text, kind) => write!(f, "\"{text}\" is not a number with a unit ({})", kind.choices()),
            Self::NoUnit(text, kind) => write!(f, "\"{text}\" needs a unit ({})", kind.choices()),
            Self::UnknownUnit(text, unit, kind) => {
                let names = kind.symbols().iter().map(|s| s.text);
                let hint = crate::did_you_mean(unit, names);
                write!(f, "\"{text}\": unit \"{unit}\" does not fit here{hint} (units taken: {})", kind.choices())
            }
            Self::TooFine(text, kind) => {
                write!(f, "\"{text}\" is finer than the whole {} this is counted in", kind.base().text)
            }
            Self::NoBubble(text) => write!(
                f,
                "\"{text}\": bubbles differ by the tube they come from, so say the volume of one, like \"10 bubbles/min of \
                 0.15 ml\""
            ),
            Self::TwoReadings(text) => write!(
                f,
                "\"{text}\" can be read in two ways, with the comma before decimals or thousands: write it with a point, or \
                 without thousands marked"
            ),
        }
    }
}

/// Superscripts, middle dots and blanks as the plain signs that [`UnitDef::text`] uses.
fn plain(unit: &str) -> String {
    let mut out = String::with_capacity(unit.len());
    for c in unit.chars() {
        match c {
            '³' => out.push('3'),
            '·' | '⋅' | '.' => out.push('*'),
            '°' | ' ' => {}
            _ => out.push(c),
        }
    }
    out.strip_prefix("Pam3").map(|rest| format!("Pa*m3{rest}")).unwrap_or(out)
}

fn power_of_ten(exponent: i32) -> BigRational {
    let power = BigRational::from_integer(BigInt::from(10).pow(exponent.unsigned_abs()));
    if exponent < 0 { power.recip() } else { power }
}

impl UnitDef {
    fn factor(self) -> BigRational {
        BigRational::new(self.numerator.into(), self.denominator.into()) * power_of_ten(self.tens)
    }

    fn offset(self) -> BigRational {
        BigRational::new(self.offset_hundredths.into(), 100.into())
    }

    /// Whether it counts gas at "standard" conditions. There are many definitions of those, so that it means something
    /// only where the reference conditions are stated.
    pub fn is_standard(self) -> bool {
        matches!(self.text, SCCM | SCFH)
    }

    /// Whether a leak in this unit is a volume of gas, which needs a reference pressure to mean anything.
    pub(crate) fn needs_reference(self) -> bool {
        self.counted == Counted::Volume
    }

    /// The symbol as printed: "Pa·m³/s".
    pub fn pretty(self) -> String {
        match self.text {
            "C" | "degC" => "°C".into(),
            "F" | "degF" => "°F".into(),
            text => text.replace('*', "·").replace("m3", "m³").replace("in3", "in³").replace("ft3", "ft³"),
        }
    }

    /// A value in the base unit as a number in this one, to the nearest double.
    pub fn from_base(self, value: f64, reference_pa: f64) -> f64 {
        self.exact_from_base(value, reference_pa).and_then(|r| r.to_f64()).unwrap_or(f64::NAN)
    }

    /// A number in this unit in the base unit, for tables of readings: in floating point, so that the last digit may
    /// differ from the exact one of [`Dimension::parse`]. A volume flow stays one, in m³/s.
    pub fn to_base(self, value: f64) -> f64 {
        let power = 10f64.powi(self.tens.abs());
        let (up, down) = if self.tens < 0 { (1.0, power) } else { (power, 1.0) };
        (value + self.offset_hundredths as f64 / 100.0) * (self.numerator as f64 * up)
            / (self.denominator as f64 * down)
    }

    fn exact_from_base(self, value: f64, reference_pa: f64) -> Option<BigRational> {
        let mut exact = BigRational::from_float(value)?;
        if self.counted == Counted::Volume {
            // At no pressure a leak is no volume.
            exact /= BigRational::from_float(reference_pa).filter(|pressure| !pressure.is_zero())?;
        }
        Some(exact / self.factor() - self.offset())
    }

    /// The shortest text in this unit that reads back as the same value. What none would read back, being too large, too
    /// small or no number, is written in the base unit.
    pub fn write(self, kind: Dimension, value: f64, reference_pa: f64) -> String {
        let in_base = || {
            let plain = value == 0.0 || (1e-5..1e15).contains(&value.abs());
            let number = if plain { format!("{value}") } else { format!("{value:e}") };
            format!("{number} {}", kind.base().text).trim_end().to_owned()
        };
        let Some(exact) = self.exact_from_base(value, reference_pa).filter(is_typable) else { return in_base() };
        let join = if self.text.is_empty() || self.text == "%" { "" } else { " " };
        for digits in 1..=19 {
            let text = format!("{}{join}{}", round_digits(&exact, digits), self.text);
            if kind.parse(&text).is_ok_and(|q| q.value(reference_pa) == value) {
                return text;
            }
        }
        in_base()
    }

    /// The same as it is printed, with at most six significant digits: "7.5 mm³/s".
    pub fn write_pretty(self, kind: Dimension, value: f64, reference_pa: f64) -> String {
        /// Of an exact value in another unit the rest means nothing to a reader.
        const DIGITS: i32 = 6;
        let text = self.write(kind, value, reference_pa);
        let Some((number, unit)) = text.split_once(' ') else { return text };
        let shorter =
            decimal(number).map(|exact| round_digits(&exact, DIGITS)).filter(|short| short.len() < number.len());
        format!("{} {}", shorter.as_deref().unwrap_or(number), kind.symbol(unit).unwrap_or(self).pretty())
    }
}

/// Whether a number is of a size that can be typed. With thousands of digits before or behind the point it would take
/// for ever to be rounded, and nobody could read it.
fn is_typable(exact: &BigRational) -> bool {
    let size = exact.abs().to_f64().unwrap_or(f64::NAN);
    exact.is_zero() || (1e-60..1e60).contains(&size)
}

/// An exact number to so many significant digits, in plain notation where that is short.
fn round_digits(exact: &BigRational, digits: i32) -> String {
    if exact.is_zero() {
        return "0".into();
    }
    // The power of ten that brings the number to `digits` digits before the point.
    let mut shift = digits - 1 - exact.abs().to_f64().map_or(0, |v| v.log10().floor() as i32);
    let mut whole = (exact * power_of_ten(shift)).round().to_integer();
    // Trailing zeros mean nothing.
    let ten = BigInt::from(10);
    while !whole.is_zero() && (&whole % &ten).is_zero() {
        whole /= &ten;
        shift -= 1;
    }
    let sign = if whole.is_negative() { "-" } else { "" };
    let figures = whole.abs().to_string();
    let point = figures.len() as i32 - shift;
    match point {
        // 12300, 0.00123, 1.23
        _ if shift <= 0 && point <= 9 => format!("{sign}{figures}{}", "0".repeat(shift.unsigned_abs() as usize)),
        -3..=0 => format!("{sign}0.{}{figures}", "0".repeat(point.unsigned_abs() as usize)),
        _ if point > 0 && shift > 0 => {
            let (before, after) = figures.split_at(point as usize);
            format!("{sign}{before}.{after}")
        }
        _ => {
            let (before, after) = figures.split_at(1);
            let dot = if after.is_empty() { "" } else { "." };
            format!("{sign}{before}{dot}{after}e{}", point - 1)
        }
    }
}

/// A decimal comma as a point; `None` where it may be meant to mark thousands, as in "1,500", or certainly is.
fn with_point(number: &str) -> Option<String> {
    let Some((before, after)) = number.split_once(',') else { return Some(number.to_owned()) };
    if after.contains([',', '.']) || before.contains('.') {
        return None;
    }
    let places = after.find(['e', 'E']).unwrap_or(after.len());
    let whole = before.trim_start_matches(['+', '-']);
    // Nobody marks thousands behind a nought, nor behind four digits.
    let may_mark = places == 3 && matches!(whole.len(), 1..=3) && whole != "0";
    (!may_mark).then(|| format!("{before}.{after}"))
}

/// A decimal number, exactly. Digits are limited so that a hostile text cannot take for ever.
fn decimal(text: &str) -> Option<BigRational> {
    const LENGTH_MAX: usize = 40;
    const EXPONENT_MAX: i32 = 60;
    if text.len() > LENGTH_MAX {
        return None;
    }
    let (mantissa, exponent) = match text.find(['e', 'E']) {
        Some(at) => (&text[..at], text[at + 1..].parse::<i32>().ok().filter(|e| e.abs() <= EXPONENT_MAX)?),
        None => (text, 0),
    };
    let (before, after) = mantissa.split_once('.').unwrap_or((mantissa, ""));
    let digits = format!("{before}{after}");
    let unsigned = digits.strip_prefix(['+', '-']).unwrap_or(&digits);
    if unsigned.is_empty()
        || !unsigned.bytes().all(|b| b.is_ascii_digit())
        || !after.bytes().all(|b| b.is_ascii_digit())
    {
        return None;
    }
    let whole: BigInt = digits.parse().ok()?;
    Some(BigRational::from_integer(whole) * power_of_ten(exponent - after.len() as i32))
}

impl Dimension {
    /// Reads a number with its unit. A blank between them is optional; so are superscripts and middle dots. Decimals may
    /// have a comma before them, where that cannot mark thousands.
    ///
    /// # Errors
    /// Says what is wrong and which units are taken.
    pub fn parse(self, text: &str) -> Result<Quantity, QuantityError> {
        let text = text.trim();
        // "1e3 Pa" has an exponent; "3 e" does not: an `e` belongs to the number only before a digit or a sign.
        let bytes = text.as_bytes();
        let is_exponent = |i: usize| {
            matches!(bytes[i], b'e' | b'E')
                && i > 0
                && bytes.get(i + 1).is_some_and(|b| b.is_ascii_digit() || matches!(b, b'+' | b'-'))
        };
        let number_end = (0..bytes.len())
            .find(|&i| !(bytes[i].is_ascii_digit() || matches!(bytes[i], b'.' | b',' | b'+' | b'-') || is_exponent(i)))
            .unwrap_or(bytes.len());
        let (number, unit) = (&text[..number_end], text[number_end..].trim());
        let pointed = with_point(number).ok_or_else(|| QuantityError::TwoReadings(text.into()))?;
        let Some(exact) = decimal(&pointed) else { return Err(QuantityError::NotANumber(text.into(), self)) };
        if unit.is_empty() && !self.bare_allowed() {
            return Err(QuantityError::NoUnit(text.into(), self));
        }
        if self.0 == Unit::PascalCubicMetrePerSecond && unit.starts_with("bubble") {
            return bubbles(text, unit).map(|volume| Quantity { scaled: exact * volume, symbol: BUBBLES_IN });
        }
        let Some(symbol) = self.symbol(unit) else {
            return Err(QuantityError::UnknownUnit(text.into(), unit.into(), self));
        };
        let mut scaled = (exact + symbol.offset()) * symbol.factor();
        if self.0.whole() {
            let rounded = scaled.round();
            // A psi is never a whole number of pascals; rounding by less than a thousandth part does not matter.
            if (&scaled - &rounded).abs() * BigInt::from(1_000) > scaled.abs() {
                return Err(QuantityError::TooFine(text.into(), self));
            }
            scaled = rounded;
        }
        Ok(Quantity { scaled, symbol })
    }
}

/// What a leak that was typed in bubbles is shown in.
const BUBBLES_IN: UnitDef = volume_flow("ml/min", 60, -6);

/// "bubbles/min of 0.15 ml": cubic metres a second, for each bubble a minute.
fn bubbles(text: &str, unit: &str) -> Result<BigRational, QuantityError> {
    let rest = ["bubbles/min", "bubble/min"].into_iter().find_map(|name| unit.strip_prefix(name));
    let volume = rest.and_then(|rest| rest.trim_start().strip_prefix("of "));
    let Some(volume) = volume else { return Err(QuantityError::NoBubble(text.into())) };
    let read = Dimension(Unit::CubicMetre).parse(volume)?;
    if !read.scaled.is_positive() {
        return Err(QuantityError::NoBubble(text.into()));
    }
    Ok(read.scaled / BigInt::from(60))
}

impl Quantity {
    /// The value in the base unit, to the nearest double. `reference_pa` is the absolute pressure at which volumes of
    /// leaked gas are counted; only leaks use it.
    pub fn value(&self, reference_pa: f64) -> f64 {
        let mut exact = self.scaled.clone();
        if self.symbol.needs_reference() {
            exact *= BigRational::from_float(reference_pa).unwrap_or_else(BigRational::one);
        }
        exact.to_f64().unwrap_or(f64::NAN)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const REFERENCE: f64 = 100_000.0;

    fn value(unit: Unit, text: &str) -> f64 {
        Dimension(unit).parse(text).unwrap().value(REFERENCE)
    }

    #[test]
    fn conversions_are_exact() {
        // Factors: NIST SP 811 appendix B.8; SI Brochure 9th ed., tables 8 and 2.3.1.
        let cases: &[(Unit, &str, f64)] = &[
            (Unit::Pascal, "6 bar", 600_000.0),
            (Unit::Pascal, "0.07bar", 7_000.0),
            (Unit::Pascal, "70 mbar", 7_000.0),
            (Unit::Pascal, "0.6 MPa", 600_000.0),
            (Unit::Pascal, "90 psi", 620_528.0),
            (Unit::PascalAbsolute, "1 psi", 6_894.757_293_168_362),
            (Unit::PascalAbsolute, "1 atm", 101_325.0),
            (Unit::Millisecond, "1.5 min", 90_000.0),
            (Unit::Millisecond, "10 s", 10_000.0),
            (Unit::CubicMetre, "45 cm3", 45e-6),
            (Unit::CubicMetre, "45 cm³", 45e-6),
            (Unit::CubicMetre, "45ml", 45e-6),
            (Unit::PascalCubicMetrePerSecond, "7.5 mm3/s", 7.5e-4),
            (Unit::PascalCubicMetrePerSecond, "7.5e-4 Pa·m³/s", 7.5e-4),
            (Unit::PascalCubicMetrePerSecond, "7.5e-4 Pa m3/s", 7.5e-4),
            (Unit::PascalCubicMetrePerSecond, "7.5e-3 mbar.l/s", 7.5e-4),
            (Unit::PascalCubicMetrePerSecond, "0.45 cm3/min", 7.5e-4),
            (Unit::Kelvin, "20 °C", 293.15),
            (Unit::Kelvin, "293.15 K", 293.15),
            (Unit::Kelvin, "68 °F", 293.15),
            (Unit::Kelvin, "60 degF", 288.705_555_555_555_6),
            (Unit::KelvinPerSecond, "0.02 mK/s", 2e-5),
            (Unit::Ratio, "95 %", 0.95),
            (Unit::Ratio, "0.01", 0.01),
            (Unit::Count, "-3", -3.0),
            // 0.3048³/3600 and 0.0254³, exactly (NIST SP 811, appendix B.8).
            (Unit::PascalCubicMetrePerSecond, "3600 scfh", 2_831.684_659_2),
            (Unit::PascalCubicMetrePerSecond, "60 sccm", 0.1),
            (Unit::CubicMetre, "1 in3", 1.638_706_4e-5),
            (Unit::CubicMetre, "1 ft³", 0.028_316_846_592),
            (Unit::PascalPerSecond, "90 psi/s", 620_528.0),
            // Bubbles by the volume that the user states: 12 of 0.15 ml a minute are 30 mm³/s.
            (Unit::PascalCubicMetrePerSecond, "12 bubbles/min of 0.15 ml", 3e-3),
            (Unit::PascalCubicMetrePerSecond, "12bubbles/min of 0,15ml", 3e-3),
            (Unit::PascalCubicMetrePerSecond, "1 bubble/min of 60 mm3", 1e-4),
            // With a decimal comma.
            (Unit::Pascal, "6,25 bar", 625_000.0),
            (Unit::PascalCubicMetrePerSecond, "7,5 mm3/s", 7.5e-4),
            (Unit::PascalCubicMetrePerSecond, "7,5e-4 Pa·m³/s", 7.5e-4),
            (Unit::Pascal, "0,125 bar", 12_500.0),
            (Unit::Kelvin, "-1,5 °C", 271.65),
            (Unit::Ratio, "99,9 %", 0.999),
        ];
        for (unit, text, expected) in cases {
            assert_eq!(value(*unit, text).to_bits(), expected.to_bits(), "{text}");
        }
    }

    #[test]
    fn errors_say_what_is_taken() {
        let message = |unit: Unit, text: &str| Dimension(unit).parse(text).unwrap_err().to_string();
        assert_eq!(message(Unit::Pascal, "6"), "\"6\" needs a unit (Pa, hPa, kPa, MPa, mbar, bar, psi)");
        assert_eq!(
            message(Unit::Pascal, "6 barr"),
            "\"6 barr\": unit \"barr\" does not fit here; did you mean \"bar\"? \
             (units taken: Pa, hPa, kPa, MPa, mbar, bar, psi)"
        );
        assert_eq!(
            message(Unit::Millisecond, "10 bar"),
            "\"10 bar\": unit \"bar\" does not fit here (units taken: ms, s, min, h)"
        );
        assert_eq!(message(Unit::Millisecond, "soon"), "\"soon\" is not a number with a unit (ms, s, min, h)");
        assert_eq!(message(Unit::Millisecond, "0.4 ms"), "\"0.4 ms\" is finer than the whole ms this is counted in");
        assert_eq!(
            message(Unit::Pascal, "1.2.3 bar"),
            "\"1.2.3 bar\" is not a number with a unit (Pa, hPa, kPa, MPa, mbar, bar, psi)"
        );
    }

    #[test]
    fn bubbles_have_a_stated_volume() {
        let leaks = Dimension(Unit::PascalCubicMetrePerSecond);
        for text in
            ["10 bubbles/min", "10 bubbles", "10 bubbles/min of", "10 bubbles/min of 0 ml", "10 bubbles/s of 1 ml"]
        {
            let why = leaks.parse(text).unwrap_err().to_string();
            assert!(why.contains("say the volume of one"), "{text}: {why}");
        }
        let why = leaks.parse("10 bubbles/min of 0.15 bar").unwrap_err().to_string();
        assert!(why.contains("unit \"bar\" does not fit here"), "{why}");
        assert_eq!(
            leaks.parse("10 bubbles/min of 0.15 ml").unwrap().symbol.write(leaks, 2.5e-3, REFERENCE),
            "1.5 ml/min"
        );
        assert!(Dimension(Unit::CubicMetre).parse("10 bubbles/min of 0.15 ml").is_err());
    }

    /// A leak a thousand times as large as meant would let every valve pass.
    #[test]
    fn a_comma_that_may_mark_thousands_is_refused() {
        let leaks = Dimension(Unit::PascalCubicMetrePerSecond);
        for text in
            ["1,500 mm3/s", "-1,500 mm3/s", "12,500e3 mm3/s", "1,500,000 mm3/s", "1,500.5 mm3/s", "1.500,5 mm3/s"]
        {
            let why = leaks.parse(text).unwrap_err().to_string();
            assert!(why.contains("can be read in two ways"), "{text}: {why}");
        }
        for text in ["1,5000 mm3/s", "0,500 mm3/s", "1500,125 mm3/s", "1500 mm3/s", ",5 mm3/s"] {
            assert!(leaks.parse(text).is_ok(), "{text}");
        }
    }

    const UNITS: &[Unit] = &[
        Unit::Pascal,
        Unit::PascalAbsolute,
        Unit::PascalPerSecond,
        Unit::Millisecond,
        Unit::CubicMetre,
        Unit::PascalCubicMetrePerSecond,
        Unit::Kelvin,
        Unit::KelvinPerSecond,
        Unit::Count,
        Unit::PascalPerCount,
        Unit::KelvinPerCount,
        Unit::Ratio,
    ];

    /// Numbers that only a forged file holds.
    #[test]
    fn what_cannot_be_typed_is_written_at_once() {
        let kind = Dimension(Unit::PascalCubicMetrePerSecond);
        let said = |value: f64, reference: f64| kind.usual().write(kind, value, reference);
        for value in [1.7e308, -1.7e308, 5e-324, f64::INFINITY, f64::NAN, 1e61, 1e-80] {
            assert_eq!(said(value, REFERENCE), format!("{value:e} Pa*m3/s"));
        }
        for reference in [0.0, -0.0, f64::NAN, f64::INFINITY, 5e-324, 1.7e308] {
            assert_eq!(said(7.5e-4, reference), "0.00075 Pa*m3/s");
            kind.usual().from_base(7.5e-4, reference);
        }
        assert!(kind.usual().from_base(7.5e-4, 0.0).is_nan());
        assert_eq!(kind.usual().write_pretty(kind, 7.5e-4, REFERENCE), "7.5 mm³/s");
        assert_eq!(kind.usual().write_pretty(kind, 7.5e-4, 0.0), "0.00075 Pa·m³/s");
        // What is exact in one unit has no end in another.
        let kelvin = Dimension(Unit::Kelvin);
        assert_eq!(kelvin.usual().write_pretty(kelvin, value(Unit::Kelvin, "60 F"), 1.0), "15.5556 °C");
        assert_eq!(kind.usual().write_pretty(kind, 1.0 / 3.0, REFERENCE), "3333.33 mm³/s");
        assert_eq!(kind.usual().write_pretty(kind, 123_456_789.0, REFERENCE), "1.23457e12 mm³/s");
    }

    proptest! {
        /// Any double in any unit at any reference is written, and soon.
        #[test]
        fn any_double_is_written(u in 0..UNITS.len(), s in 0..16usize, v: f64, reference: f64) {
            let kind = Dimension(UNITS[u]);
            let symbol = kind.symbols()[s % kind.symbols().len()];
            prop_assert!(symbol.write(kind, v, reference).len() < 100);
            symbol.from_base(v, reference);
        }

        /// Whatever a field can hold, in whatever unit it is written, it reads back as the same bits.
        #[test]
        fn written_values_read_back(u in 0..UNITS.len(), s in 0..16usize, v in 1e-6..1e6f64, negative: bool) {
            let kind = Dimension(UNITS[u]);
            let symbol = kind.symbols()[s % kind.symbols().len()];
            let v = if kind.0.whole() { v.ceil() } else { v };
            // Below absolute zero the sum with 273.15 loses bits; no field allows it.
            let v = if negative && symbol.offset_hundredths == 0 { -v } else { v };
            let text = symbol.write(kind, v, REFERENCE);
            let back = kind.parse(&text).unwrap().value(REFERENCE);
            prop_assert_eq!(back.to_bits(), v.to_bits(), "{}", text);
        }

        /// With a comma for the point a written value reads back as the same bits, or is refused as two values.
        #[test]
        fn a_decimal_comma_is_a_point(u in 0..UNITS.len(), s in 0..16usize, v in 1e-6..1e6f64) {
            let kind = Dimension(UNITS[u]);
            let symbol = kind.symbols()[s % kind.symbols().len()];
            let v = if kind.0.whole() { v.ceil() } else { v };
            let text = symbol.write(kind, v, REFERENCE);
            match kind.parse(&text.replace('.', ",")) {
                Ok(back) => prop_assert_eq!(back.value(REFERENCE).to_bits(), v.to_bits(), "{}", text),
                Err(why) => prop_assert!(matches!(why, QuantityError::TwoReadings(_)), "{text}: {why}"),
            }
        }

        /// The quick conversion of a reading is the exact one, to the rounding of three operations.
        #[test]
        fn readings_are_converted_as_quantities_are(u in 0..UNITS.len(), s in 0..16usize, v in -1e6..1e6f64) {
            let kind = Dimension(UNITS[u]);
            let symbol = kind.symbols()[s % kind.symbols().len()];
            let quick = symbol.to_base(v) * if symbol.needs_reference() { REFERENCE } else { 1.0 };
            let back = symbol.from_base(quick, REFERENCE);
            prop_assert!((back - v).abs() <= 1e-15 * (8.0 * v.abs() + 4.0 * symbol.offset_hundredths as f64), "{back} {v}");
        }

        /// Powers of ten and whole factors: the double nearest to the true product.
        #[test]
        fn scaling_is_correctly_rounded(mantissa in 0u32..1_000_000, places in 0usize..6) {
            let text = format!("{}.{:0places$}", mantissa / 7, mantissa % 10u32.pow(places as u32).max(1));
            // The standard library parses decimals to the nearest double, so moving the point in the text is an oracle.
            let oracle: f64 = format!("{text}e5").parse().unwrap();
            let ours = Dimension(Unit::PascalAbsolute).parse(&format!("{text} bar")).unwrap().value(REFERENCE);
            prop_assert_eq!(ours.to_bits(), oracle.to_bits());
        }

        /// No text panics.
        #[test]
        fn any_text_is_a_quantity_or_an_error(text in "\\PC{0,50}", u in 0..UNITS.len()) {
            let _ = Dimension(UNITS[u]).parse(&text).map(|q| q.value(REFERENCE));
        }
    }
}
