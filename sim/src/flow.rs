//! Flow from one place to another: valves by ISO 6358, fine leaks by Poiseuille.
//!
//! Every element gives mass flow, enthalpy flow and the slopes of both against the pressures and temperatures at its
//! two ends, so that the integrator has an exact Jacobian. Where slopes are not needed (`SLOPES` false) they stay 0 and
//! cost nothing.
//!
//! # Near Δp = 0
//!
//! The ellipse of ISO 6358 has an infinite slope where the pressures are equal, which is not physical. Above a pressure
//! ratio of [`LINEAR_RATIO`] it is replaced by an odd cubic in the pressure difference that meets the ellipse with the
//! same value and slope (a linear region from a ratio of 0.995 to 0.999 is common in simulators and not in the
//! standard; the cubic has no kink where the two meet). The flow has the enthalpy and √T of upstream: no smoothing
//! between the two ends' temperatures, because that would carry heat through a valve without flow.

use crate::gas;

/// Ratio of pressures above which the flow is taken as nearly linear in Δp.
pub const LINEAR_RATIO: f64 = 0.999;

/// Pressure and temperature at one end of an element.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct End {
    /// Absolute pressure, Pa.
    pub p: f64,
    /// Temperature, K.
    pub t: f64,
}

/// Flow from the first end to the second, with its slopes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Flow {
    /// Mass flow, kg/s.
    pub mass: f64,
    /// Enthalpy flow, W.
    pub heat: f64,
    /// Slopes of the mass flow against p1, p2, t1, t2.
    pub dmass: [f64; 4],
    /// Slopes of the enthalpy flow against p1, p2, t1, t2.
    pub dheat: [f64; 4],
}

impl Flow {
    /// `self × factor`.
    #[inline(always)]
    pub fn scaled<const SLOPES: bool>(mut self, factor: f64) -> Self {
        self.mass *= factor;
        self.heat *= factor;
        if !SLOPES {
            return self;
        }
        for slope in self.dmass.iter_mut().chain(self.dheat.iter_mut()) {
            *slope *= factor;
        }
        self
    }

    /// `self + other × factor`: parallel paths.
    #[inline(always)]
    pub fn add<const SLOPES: bool>(&mut self, other: &Self, factor: f64) {
        self.mass += other.mass * factor;
        self.heat += other.heat * factor;
        if !SLOPES {
            return;
        }
        for (slope, o) in self.dmass.iter_mut().zip(other.dmass) {
            *slope += o * factor;
        }
        for (slope, o) in self.dheat.iter_mut().zip(other.dheat) {
            *slope += o * factor;
        }
    }

    /// The same flow with the ends exchanged.
    #[inline(always)]
    fn reversed<const SLOPES: bool>(self) -> Self {
        if !SLOPES {
            return Self { mass: -self.mass, heat: -self.heat, ..Self::default() };
        }
        let exchange = |d: [f64; 4]| [-d[1], -d[0], -d[3], -d[2]];
        Self { mass: -self.mass, heat: -self.heat, dmass: exchange(self.dmass), dheat: exchange(self.dheat) }
    }
}

/// A valve or sharp passage by ISO 6358: critical pressure ratio b, for a sonic conductance of 1 m³/(s·Pa).
///
/// `q_m = C·p1·ρ0·√(T0/T1)` while `p2/p1 ≤ b`, and times `√(1 − ((p2/p1 − b)/(1 − b))²)` above (ISO 6358-1, seen
/// second-hand in public documentation of two general simulators).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Passage {
    b: f64,
    inv_1mb: f64,
    /// Flow function at [`LINEAR_RATIO`], and the cubic that meets it: `edge·(alpha·s + beta·s³)`.
    edge: f64,
    alpha: f64,
    beta: f64,
}

impl Passage {
    /// A thin orifice: b of the ideal nozzle, `(2/(γ+1))^(γ/(γ−1))` for γ 1.4.
    pub const ORIFICE_B: f64 = 0.528_281_787_717_174_2;

    /// From the critical pressure ratio, `0 ≤ b < LINEAR_RATIO`.
    pub fn new(b: f64) -> Self {
        let x = (LINEAR_RATIO - b) / (1.0 - b);
        // Slope of the ellipse against s where they meet, over the value there.
        let slope = x / (1.0 + x);
        Self {
            b,
            inv_1mb: 1.0 / (1.0 - b),
            edge: gas::sqrt(1.0 - x * x),
            alpha: (3.0 - slope) / 2.0,
            beta: (slope - 1.0) / 2.0,
        }
    }

    /// Flow from `one` to `two`.
    #[inline(always)]
    pub fn flow<const SLOPES: bool>(&self, one: End, two: End) -> Flow {
        if one.p >= two.p {
            self.downhill::<SLOPES>(one, two)
        } else {
            self.downhill::<SLOPES>(two, one).reversed::<SLOPES>()
        }
    }

    #[inline(always)]
    fn downhill<const SLOPES: bool>(&self, up: End, down: End) -> Flow {
        let inv_p = 1.0 / up.p;
        let r = down.p * inv_p;
        // Flow function and its slope against the ratio.
        let (psi, dpsi) = if r <= self.b {
            (1.0, 0.0)
        } else if r <= LINEAR_RATIO {
            let x = (r - self.b) * self.inv_1mb;
            let psi = gas::sqrt(1.0 - x * x);
            (psi, -x * self.inv_1mb / psi)
        } else {
            let s = (1.0 - r) / (1.0 - LINEAR_RATIO);
            let s2 = s * s;
            (
                self.edge * s * (self.alpha + self.beta * s2),
                -self.edge * (self.alpha + 3.0 * self.beta * s2) / (1.0 - LINEAR_RATIO),
            )
        };
        let per_pa = gas::RHO_REF * gas::sqrt(gas::T_REF / up.t);
        let mass = per_pa * up.p * psi;
        if !SLOPES {
            return Flow { mass, heat: gas::CP * up.t * mass, ..Flow::default() };
        }
        let dmass = [per_pa * (psi - r * dpsi), per_pa * dpsi, -mass / (2.0 * up.t), 0.0];
        carrying(up, mass, dmass)
    }
}

/// The flow with the enthalpy it carries from upstream.
#[inline(always)]
fn carrying(up: End, mass: f64, dmass: [f64; 4]) -> Flow {
    let h = gas::CP * up.t;
    let dheat = [h * dmass[0], h * dmass[1], h * dmass[2] + gas::CP * mass, h * dmass[3]];
    Flow { mass, heat: h * mass, dmass, dheat }
}

/// A fine viscous leak for a conductance of 1 kg/(s·Pa²): `q_m = p1² − p2²` (compressible Poiseuille flow; textbook).
///
/// The gas in a fine passage has the temperature of the metal, so its own temperature does not matter.
#[inline(always)]
pub fn viscous<const SLOPES: bool>(one: End, two: End) -> Flow {
    if one.p >= two.p {
        viscous_downhill::<SLOPES>(one, two)
    } else {
        viscous_downhill::<SLOPES>(two, one).reversed::<SLOPES>()
    }
}

#[inline(always)]
fn viscous_downhill<const SLOPES: bool>(up: End, down: End) -> Flow {
    let mass = (up.p - down.p) * (up.p + down.p);
    if !SLOPES {
        return Flow { mass, heat: gas::CP * up.t * mass, ..Flow::default() };
    }
    carrying(up, mass, [2.0 * up.p, -2.0 * down.p, 0.0, 0.0])
}

/// A leak of a stated size, split between a viscous passage and a thin orifice.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Leak {
    /// Viscous conductance, kg/(s·Pa²).
    pub viscous: f64,
    /// Sonic conductance of the orifice, m³/(s·Pa).
    pub orifice: f64,
}

impl Leak {
    /// From a rate in Pa·m³/s at 293.15 K, stated from 6 bar gauge to a standard atmosphere, of which the share
    /// `orifice` (0 to 1) is an orifice and the rest viscous.
    pub fn stated(rate: f64, orifice: f64) -> Self {
        let p1 = gas::LEAK_STATED_AT_GAUGE + gas::LEAK_STATED_INTO;
        let p2 = gas::LEAK_STATED_INTO;
        let mass = rate / (gas::R * gas::T_REF);
        // 1.01 bar over 7.01 bar is far below the critical ratio: the orifice is choked.
        Self { viscous: mass * (1.0 - orifice) / (p1 * p1 - p2 * p2), orifice: mass * orifice / (gas::RHO_REF * p1) }
    }

    /// Two leaks in parallel.
    pub fn and(self, other: Self) -> Self {
        Self { viscous: self.viscous + other.viscous, orifice: self.orifice + other.orifice }
    }

    /// A leak `factor` times as large.
    pub fn times(self, factor: f64) -> Self {
        Self { viscous: self.viscous * factor, orifice: self.orifice * factor }
    }

    /// Whether there is no leak.
    pub fn is_none(self) -> bool {
        self.viscous == 0.0 && self.orifice == 0.0
    }

    /// Adds this leak's flow to `flow`.
    #[inline(always)]
    pub fn add_to<const SLOPES: bool>(self, flow: &mut Flow, orifice: &Passage, one: End, two: End) {
        if self.viscous != 0.0 {
            flow.add::<SLOPES>(&viscous::<SLOPES>(one, two), self.viscous);
        }
        if self.orifice != 0.0 {
            flow.add::<SLOPES>(&orifice.flow::<SLOPES>(one, two), self.orifice);
        }
    }
}
