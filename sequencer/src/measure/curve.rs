use crate::limits::CURVES_MAX;

/// One curve that may be fitted to the trapped pressure.
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

/// The curves a fit chooses among, each with a weight before the data are seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Curves {
    list: [(Curve, f64); CURVES_MAX],
    count: usize,
}

impl Curves {
    /// A straight line, and nothing else.
    pub const LINE: Self = Self { list: [(Curve::Line, 1.0); CURVES_MAX], count: 1 };

    /// A transient whose time constant is taken as exact, in seconds.
    pub const fn transient(tau_s: f64) -> Self {
        Self { list: [(Curve::Transient { tau_s }, 1.0); CURVES_MAX], count: 1 }
    }

    /// A transient whose time constant is known with a standard uncertainty, as a ratio: three points that carry the
    /// same mean and variance as the normal distribution (Gauss–Hermite quadrature, Abramowitz & Stegun 25.4.46), on the
    /// logarithm of τ, so that it stays positive.
    pub fn calibrated(tau_s: f64, u_rel: f64) -> Self {
        if !(u_rel > 1e-3) {
            return Self::transient(tau_s);
        }
        let factor = libm::exp(1.732_050_807_568_877_2 * u_rel);
        Self::EMPTY
            .with(Curve::Transient { tau_s: tau_s / factor }, 1.0 / 6.0)
            .with(Curve::Transient { tau_s }, 2.0 / 3.0)
            .with(Curve::Transient { tau_s: tau_s * factor }, 1.0 / 6.0)
    }

    /// Nothing known but bounds: a line, or a transient with τ anywhere between the bounds, evenly on a logarithmic
    /// grid.
    pub fn profiled(tau_min_s: f64, tau_max_s: f64) -> Self {
        let points = CURVES_MAX - 1;
        let step = libm::pow(tau_max_s / tau_min_s, 1.0 / (points - 1) as f64);
        let mut curves = Self::EMPTY.with(Curve::Line, 0.5);
        let mut tau_s = tau_min_s;
        for _ in 0..points {
            curves = curves.with(Curve::Transient { tau_s }, 0.5 / points as f64);
            tau_s *= step;
        }
        curves
    }

    const EMPTY: Self = Self { list: [(Curve::Line, 0.0); CURVES_MAX], count: 0 };

    fn with(mut self, curve: Curve, prior: f64) -> Self {
        if let Some(slot) = self.list.get_mut(self.count) {
            *slot = (curve, prior);
            self.count += 1;
        }
        self
    }

    /// How many.
    pub const fn count(&self) -> usize {
        self.count
    }

    /// One, with its weight.
    pub fn get(&self, index: usize) -> Option<(Curve, f64)> {
        self.list.get(..self.count)?.get(index).copied()
    }
}
