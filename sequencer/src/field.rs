//! Fields with names, units and ranges: the one table that validation, error messages and file readers share.

use core::fmt;

/// The base unit a field's number is in. File readers convert user input into it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Unit {
    /// Pascals above atmosphere, or a difference of pressure in pascals.
    Pascal,
    /// Pascals above vacuum.
    PascalAbsolute,
    /// Pascals a second.
    PascalPerSecond,
    /// Milliseconds.
    Millisecond,
    /// Cubic metres.
    CubicMetre,
    /// Pa·m³/s.
    PascalCubicMetrePerSecond,
    /// Kelvin.
    Kelvin,
    /// Kelvin a second.
    KelvinPerSecond,
    /// Converter counts.
    Count,
    /// Pascals a count.
    PascalPerCount,
    /// Kelvin a count.
    KelvinPerCount,
    /// Volts.
    Volt,
    /// Ohms.
    Ohm,
    /// Seconds, where fractions matter: time constants.
    Second,
    /// Pascals where fractions matter: noise.
    PascalRms,
    /// Sonic conductance of ISO 6358, m³/(s·Pa).
    SonicConductance,
    /// Metres: lengths of parts.
    Metre,
    /// A plain ratio.
    Ratio,
    /// Yes (1) or no (0).
    Flag,
}

impl Unit {
    /// The unit's symbol as printed after a number; empty for ratios and flags.
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Pascal | Self::PascalAbsolute => "Pa",
            Self::PascalPerSecond => "Pa/s",
            Self::Millisecond => "ms",
            Self::CubicMetre => "m³",
            Self::PascalCubicMetrePerSecond => "Pa·m³/s",
            Self::Kelvin => "K",
            Self::KelvinPerSecond => "K/s",
            Self::Count => "counts",
            Self::PascalPerCount => "Pa/count",
            Self::KelvinPerCount => "K/count",
            Self::Volt => "V",
            Self::Ohm => "Ω",
            Self::Second => "s",
            Self::PascalRms => "Pa",
            Self::SonicConductance => "m³/(s·Pa)",
            Self::Metre => "m",
            Self::Ratio | Self::Flag => "",
        }
    }

    /// Whether only whole numbers make sense.
    pub const fn whole(self) -> bool {
        matches!(self, Self::Pascal | Self::PascalPerSecond | Self::Millisecond | Self::Count | Self::Flag)
    }
}

/// One field of a raw recipe or rig `T`.
pub struct Field<T: 'static> {
    /// Name, as written in files and errors.
    pub name: &'static str,
    /// What it is, in one line, for templates and help.
    pub about: &'static str,
    /// Base unit.
    pub unit: Unit,
    /// Least allowed value, in the base unit.
    pub min: f64,
    /// Greatest allowed value, in the base unit.
    pub max: f64,
    /// Reads the field, in the base unit.
    pub get: fn(&T) -> f64,
    /// Writes the field, in the base unit; the value saturates at the range of the field's type.
    pub set: fn(&mut T, f64),
}

impl<T> fmt::Debug for Field<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Field").field("name", &self.name).field("min", &self.min).field("max", &self.max).finish()
    }
}

/// Error of a field.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Problem {
    /// Outside its own range (or not a number).
    OutOfRange {
        /// The value.
        value: f64,
        /// Least allowed.
        min: f64,
        /// Greatest allowed.
        max: f64,
    },
    /// Breaks a rule that ties it to another field.
    Conflict {
        /// The value.
        value: f64,
        /// The other field.
        with: &'static str,
        /// The bound that follows from it.
        bound: f64,
        /// The rule, as a phrase after the field's name: "must stay below …".
        rule: &'static str,
    },
}

/// One error, with the field's name.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FieldError {
    /// The field.
    pub field: &'static str,
    /// Its unit.
    pub unit: Unit,
    /// The error.
    pub problem: Problem,
}

impl fmt::Display for FieldError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let unit = self.unit.symbol();
        match self.problem {
            Problem::OutOfRange { value, min, max } => {
                write!(f, "{}: {value} {unit} is outside {min} to {max} {unit}", self.field)
            }
            Problem::Conflict { value, with, bound, rule } => {
                write!(f, "{}: {value} {unit} {rule} {bound} {unit} (from {with})", self.field)
            }
        }
    }
}

impl core::error::Error for FieldError {}

/// How many errors one validation reports; the tables are shorter than this.
pub const ERRORS_MAX: usize = 64;

/// All errors of a recipe or rig, in the order of its table.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Errors(heapless::Vec<FieldError, ERRORS_MAX>);

impl Errors {
    pub(crate) const fn new() -> Self {
        Self(heapless::Vec::new())
    }

    /// Adds one; past the capacity the rest are dropped, which cannot make an invalid recipe look valid.
    pub fn add(&mut self, error: FieldError) {
        let _ = self.0.push(error);
    }

    /// The errors.
    pub fn as_slice(&self) -> &[FieldError] {
        &self.0
    }
}

/// The part of a field that a check needs, without texts: a controller that only counts errors then carries no names,
/// no help and no setters. Half the flash again is saved by bounds of half the digits: never within the field's own, and
/// beyond them by less than a ten-millionth. Host and controller check by the same.
pub(crate) struct Bounds<T> {
    min: f32,
    max: f32,
    get: fn(&T) -> f64,
}

impl<T> Clone for Bounds<T> {
    fn clone(&self) -> Self {
        *self
    }
}

impl<T> Copy for Bounds<T> {}

impl<T> fmt::Debug for Bounds<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Bounds").field("min", &self.min).field("max", &self.max).finish_non_exhaustive()
    }
}

/// The bounds of a table, in its order; for a constant of `N` = the table's length.
#[expect(clippy::indexing_slicing, reason = "evaluated by the compiler, which stops if an index is out of range")]
pub(crate) const fn bounds<T, const N: usize>(fields: &[Field<T>]) -> [Bounds<T>; N] {
    assert!(N > 0 && N == fields.len(), "a bound for each field");
    let mut all = [Bounds { min: 0.0, max: 0.0, get: fields[0].get }; N];
    let mut i = 0;
    while i < N {
        let (min, max) = (fields[i].min as f32, fields[i].max as f32);
        let min = if min as f64 > fields[i].min { min.next_down() } else { min };
        let max = if (max as f64) < fields[i].max { max.next_up() } else { max };
        all[i] = Bounds { min, max, get: fields[i].get };
        i += 1;
    }
    all
}

/// Checks the rules and reports each violation. Errors are passed on one by one, so that a controller need not hold
/// them all; a reporter that uses no names costs none.
pub struct Validator<R> {
    report: R,
    clean: bool,
}

impl<R> fmt::Debug for Validator<R> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Validator").field("clean", &self.clean).finish_non_exhaustive()
    }
}

impl<R: FnMut(FieldError)> Validator<R> {
    /// Passes each broken rule to `report`.
    pub const fn new(report: R) -> Self {
        Self { report, clean: true }
    }

    /// Whether every rule so far holds.
    pub const fn clean(&self) -> bool {
        self.clean
    }

    /// Reports `error` unless `holds`.
    pub fn require(&mut self, holds: bool, error: FieldError) {
        if !holds {
            self.clean = false;
            (self.report)(error);
        }
    }

    /// Checks every field of `raw` against its own range.
    pub fn ranges<T>(&mut self, raw: &T, fields: &[Field<T>]) {
        for field in fields {
            self.range(field.name, field.unit, (field.get)(raw), field.min, field.max);
        }
    }

    /// The same by the table's [`bounds`]; `fields` only gives the names for errors.
    pub(crate) fn ranges_by<T>(&mut self, raw: &T, bounds: &[Bounds<T>], fields: &[Field<T>]) {
        for (bounds, field) in bounds.iter().zip(fields) {
            let value = (bounds.get)(raw);
            let problem = Problem::OutOfRange { value, min: field.min, max: field.max };
            let holds = value >= f64::from(bounds.min) && value <= f64::from(bounds.max);
            self.require(holds, FieldError { field: field.name, unit: field.unit, problem });
        }
    }

    /// Checks a number, which need not be in a table.
    pub fn range(&mut self, field: &'static str, unit: Unit, value: f64, min: f64, max: f64) {
        // NaN lies in no range.
        let problem = Problem::OutOfRange { value, min, max };
        self.require(value >= min && value <= max, FieldError { field, unit, problem });
    }
}

/// A broken rule between two fields: "`field`: `value` `rule` `bound` (from `with`)".
pub const fn conflict(
    field: &'static str,
    unit: Unit,
    value: f64,
    rule: &'static str,
    bound: f64,
    with: &'static str,
) -> FieldError {
    FieldError { field, unit, problem: Problem::Conflict { value, with, bound, rule } }
}

impl core::error::Error for Errors {}

impl fmt::Display for Errors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, error) in self.0.iter().enumerate() {
            if i > 0 {
                writeln!(f)?;
            }
            write!(f, "{error}")?;
        }
        Ok(())
    }
}
