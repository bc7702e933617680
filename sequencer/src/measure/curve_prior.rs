//! The curves a fit may take, and what is known of them before it: which time constants, how well, or none.

use crate::exponential::{exp, ln};
use crate::limits::EXPONENTIALS;

/// A curve fitted to the trapped pressure.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Curve {
    /// `y0 + b·t`.
    Line,
    /// `y0 + b·t + a·exp(−t/τ)`.
    Transient {
        /// Time constant, in seconds.
        tau_s: f64,
    },
}

impl Curve {
    /// Number of fitted parameters.
    pub const fn parameters(self) -> u32 {
        match self {
            Self::Line => 2,
            Self::Transient { .. } => 3,
        }
    }
}

/// Time constants between bounds.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TauRange {
    /// Shortest, in seconds.
    pub min_s: f64,
    /// Longest, in seconds.
    pub max_s: f64,
}

impl TauRange {
    /// Width of one of `count` equal cells, in ln τ.
    pub(super) fn cell(self, count: usize) -> f64 {
        ln(self.max_s / self.min_s) / count as f64
    }

    /// Middles of as many equal cells on a logarithmic scale as there are slots.
    fn middles(self, slots: &mut [f64]) {
        let cell = self.cell(slots.len());
        for (k, slot) in slots.iter_mut().enumerate() {
            *slot = self.min_s * exp((k as f64 + 0.5) * cell);
        }
    }
}

/// Prior knowledge of the curve.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum CurvePrior {
    /// A straight line, and nothing else.
    Line,
    /// A line and one transient, whose time constant is taken as exact.
    Exact {
        /// Time constant, in seconds.
        tau_s: f64,
    },
    /// There is a transient, and the time constant of its dominant mode has been measured.
    Calibrated {
        /// Time constant, in seconds.
        tau_s: f64,
        /// Standard uncertainty of its logarithm, that is its relative uncertainty.
        u_rel: f64,
        /// Range of its minor modes, and of the dominant one should the calibration not hold.
        minor: TauRange,
    },
    /// There may be a transient, with time constants anywhere in a range.
    Profiled(TauRange),
}

impl CurvePrior {
    /// The shortest window that decides, in milliseconds: twice the calibrated time constant, or the longest that is allowed
    /// for. In a shorter one what is left of several modes looks straight, and one that rises hides a leak (our judgement,
    /// no source; measured in docs/figures.md).
    pub(crate) const fn decides_from_ms(self) -> u32 {
        match self {
            Self::Calibrated { tau_s, .. } => (2_000.0 * tau_s) as u32,
            Self::Profiled(range) => (1_000.0 * range.max_s) as u32,
            Self::Line | Self::Exact { .. } => 0,
        }
    }

    /// The time constants a fit allows for, in seconds, the calibrated one first; gives how many.
    pub(super) fn taus(self, slots: &mut [f64; EXPONENTIALS]) -> usize {
        let [first, others @ ..] = slots;
        match self {
            Self::Line => return 0,
            Self::Exact { tau_s } => {
                *first = tau_s;
                return 1;
            }
            Self::Calibrated { tau_s, minor, .. } => {
                *first = tau_s;
                minor.middles(others);
            }
            Self::Profiled(range) => range.middles(slots),
        }
        EXPONENTIALS
    }
}
