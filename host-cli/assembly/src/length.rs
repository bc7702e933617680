//! Lengths, exact to the nanometre: sums and comparisons are the same on every machine and in any order.

use std::fmt;
use std::iter::Sum;
use std::ops::{Add, Neg, Sub};

use serde::{Serialize, Serializer};

/// A length, or a difference of two, in whole nanometres.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Length(i64);

/// The greatest length of a part, ten metres: sums of a few and squares of sums fit whole numbers.
pub const LENGTH_MAX: Length = Length(10_000_000_000);

impl Length {
    /// None.
    pub const ZERO: Self = Self(0);

    /// From nanometres.
    pub const fn from_nm(nm: i64) -> Self {
        Self(nm)
    }

    /// From metres, to the nearest nanometre; beyond [`LENGTH_MAX`] that.
    pub fn from_m(m: f64) -> Self {
        Self((m * 1e9).round().clamp(-(LENGTH_MAX.0 as f64), LENGTH_MAX.0 as f64) as i64)
    }

    /// In nanometres.
    pub const fn nm(self) -> i64 {
        self.0
    }

    /// In millimetres.
    pub fn mm(self) -> f64 {
        self.0 as f64 / 1e6
    }

    /// Without its sign.
    pub const fn abs(self) -> Self {
        Self(self.0.abs())
    }
}

impl Add for Length {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl Sub for Length {
    type Output = Self;

    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}

impl Neg for Length {
    type Output = Self;

    fn neg(self) -> Self {
        Self(-self.0)
    }
}

impl Sum for Length {
    fn sum<I: Iterator<Item = Self>>(all: I) -> Self {
        all.fold(Self::ZERO, Add::add)
    }
}

/// In millimetres, to the micrometre.
impl fmt::Display for Length {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = format!("{:.3}", self.mm());
        f.pad(if text == "-0.000" { "0.000" } else { &text })
    }
}

/// As a number of millimetres.
impl Serialize for Length {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_f64(self.mm())
    }
}
