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
    /// How many figures are fitted.
    pub const fn parameters(self) -> u32 {
        match self {
            Self::Line => 2,
            Self::Transient { .. } => 3,
        }
    }
}

/// What is known of the curve before a fit.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Curves {
    /// A straight line, and nothing else.
    Line,
    /// There is a transient, and its time constant is known.
    Calibrated {
        /// Time constant, in seconds.
        tau_s: f64,
        /// Standard uncertainty of its logarithm, that is its own as a ratio.
        u_rel: f64,
    },
    /// There may be a transient, with a time constant between bounds.
    Profiled {
        /// Shortest, in seconds.
        tau_min_s: f64,
        /// Longest, in seconds.
        tau_max_s: f64,
    },
}

impl Curves {
    /// A straight line, and nothing else.
    pub const LINE: Self = Self::Line;

    /// A transient whose time constant is taken as exact, in seconds.
    pub const fn transient(tau_s: f64) -> Self {
        Self::Calibrated { tau_s, u_rel: 0.0 }
    }

    /// A transient, if any, with τ anywhere between these bounds, in seconds.
    pub const fn profiled(tau_min_s: f64, tau_max_s: f64) -> Self {
        Self::Profiled { tau_min_s, tau_max_s }
    }
}
