//! The finished length of a valve: `L = body + fitting + fitting − compression`, compression being what the seals give as the
//! valve is bolted, both together.
//!
//! Its standard uncertainty, by the law of propagation (JCGM 100:2008, 5.1.2 and 5.2.2):
//!
//! `u² = u²(body) + u²(two fittings) + (2·u(gauge))² + u²(compression)`
//!
//! A reading scatters by itself; what the gauge's certificate leaves open is the same for both fittings, so those two add up
//! before they are squared; and so does a body's, where it is measured with the same gauge: `(3·u(gauge))²` in all.
//!
//! Whether a length conforms is decided by the probability that it does (JCGM 106:2012, 7.3 and 8.3): inside its tolerance by so much
//! that the two tails beyond both ends hold no more than the stated risk, it conforms; outside by as much, it does not; between the
//! two it is too close to say. Lengths of chosen parts are to be [likely ones](crate::likely_length), not readings: then the
//! choice among them changes nothing, since what is probable after the readings were seen was worked out after they were seen.
//!
//! Tails are those of Student's t with the effective degrees of freedom (JCGM 100:2008, G.4), normal where they are many.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use crate::length::Length;

/// What a finished valve is to be, and what it is made of beside its fittings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LengthRequirement {
    /// Shortest, longest, and what it is meant to be.
    pub limits: LengthLimits,
    /// By how much the seals shorten it, both together.
    pub compression: Length,
    /// How well a finished length is known.
    pub uncertainty: LengthUncertainty,
    /// Risk of calling a valve conforming that is not, or not conforming that is.
    pub risk: f64,
    guard: Length,
}

/// A tolerance.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LengthLimits {
    /// Shortest allowed.
    pub least: Length,
    /// Longest allowed.
    pub most: Length,
    /// What is wanted.
    pub nominal: Length,
}

/// Standard uncertainties, in metres.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct LengthUncertainty {
    /// Of a body's length.
    pub body_m: f64,
    /// Of two fittings' lengths together, from the scatter of readings and their step.
    pub fittings_m: f64,
    /// Of the gauge: the same for every part that is measured with it.
    pub gauge_m: f64,
    /// Of the compression.
    pub compression_m: f64,
    /// Effective degrees of freedom; `None` where nothing was estimated from few readings.
    pub freedom: Option<f64>,
}

/// From so many degrees of freedom on the normal distribution is taken: its quantiles differ by less than a thousandth.
const FREEDOM_NORMAL: f64 = 5_000.0;

impl LengthUncertainty {
    /// Of the finished length.
    pub fn combined_m(&self) -> f64 {
        let of_pair = 2.0 * self.gauge_m;
        self.body_m.hypot(self.fittings_m).hypot(of_pair).hypot(self.compression_m)
    }

    /// How much of the distribution lies farther than so many standard uncertainties to one side.
    fn tail(&self, deviations: f64) -> f64 {
        match self.freedom.filter(|freedom| *freedom < FREEDOM_NORMAL).map(|freedom| StudentsT::new(0.0, 1.0, freedom))
        {
            Some(Ok(student)) => student.sf(deviations),
            _ => Normal::standard().sf(deviations),
        }
    }

    /// How far inside a tolerance of this width a length is to be, so that both tails beyond its ends hold no more than `risk`. Half
    /// of it and more where no length is far enough inside.
    fn guard_m(&self, width_m: f64, risk: f64) -> f64 {
        let u = self.combined_m();
        if u <= 0.0 {
            return 0.0;
        }
        let beyond = |guard: f64| self.tail(guard / u) + self.tail((width_m - guard) / u);
        // Up to the middle that only falls; where the middle is not enough, one tail alone gets half the risk, which is beyond it.
        let reachable = beyond(width_m / 2.0) <= risk;
        let is_enough = |guard: f64| if reachable { beyond(guard) <= risk } else { self.tail(guard / u) <= risk / 2.0 };
        let (mut low, mut high) = (0.0, if reachable { width_m / 2.0 } else { u });
        // Tails of few degrees of freedom are long; no more doublings than reach any risk that can be stated.
        for _ in 0..40 {
            if is_enough(high) {
                break;
            }
            high *= 2.0;
        }
        for _ in 0..60 {
            let middle = (low + high) / 2.0;
            if is_enough(middle) {
                high = middle;
            } else {
                low = middle;
            }
        }
        high
    }
}

/// Whether a finished length conforms.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LengthVerdict {
    /// Within its tolerance.
    Conforms,
    /// Too close to an end of its tolerance to say.
    TooClose,
    /// Outside.
    DoesNot,
}

impl LengthVerdict {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Conforms => "conforms",
            Self::TooClose => "too close to say",
            Self::DoesNot => "does not conform",
        }
    }
}

impl LengthRequirement {
    /// With the guard band that its uncertainty and risk make.
    pub fn new(limits: LengthLimits, compression: Length, uncertainty: LengthUncertainty, risk: f64) -> Self {
        let width_m = (limits.most - limits.least).mm() / 1e3;
        let guard = Length::from_m((uncertainty.guard_m(width_m, risk) * 1e9).ceil() / 1e9);
        Self { limits, compression, uncertainty, risk, guard }
    }

    /// The guard band, rounded up to the next nanometre.
    pub const fn guard_band(&self) -> Length {
        self.guard
    }

    /// The lengths that are called conforming, if any are.
    pub fn accepted(&self) -> Option<(Length, Length)> {
        let (least, most) = (self.limits.least + self.guard, self.limits.most - self.guard);
        (least <= most).then_some((least, most))
    }

    /// The finished length of a body and the sum of its two fittings.
    pub fn finished(&self, body: Length, fittings: Length) -> Length {
        body + fittings - self.compression
    }

    /// Whether a finished length conforms.
    pub fn verdict(&self, finished: Length) -> LengthVerdict {
        let LengthLimits { least, most, .. } = self.limits;
        if finished >= least + self.guard && finished <= most - self.guard {
            LengthVerdict::Conforms
        } else if finished < least - self.guard || finished > most + self.guard {
            LengthVerdict::DoesNot
        } else {
            LengthVerdict::TooClose
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MM: i64 = 1_000_000;

    fn requirement(half_um: i64, gauge_m: f64, freedom: Option<f64>) -> LengthRequirement {
        let limits = LengthLimits {
            least: Length::from_nm(120 * MM - half_um * 1_000),
            most: Length::from_nm(120 * MM + half_um * 1_000),
            nominal: Length::from_nm(120 * MM),
        };
        let fittings_m = 10e-6 * 2f64.sqrt();
        let uncertainty = LengthUncertainty { body_m: 20e-6, fittings_m, gauge_m, compression_m: 40e-6, freedom };
        LengthRequirement::new(limits, Length::from_nm(400_000), uncertainty, 0.01)
    }

    /// 20² + 2·10² + 20² + 40² = 2600: 50.99 µm. The quantile of 1 % is 2.326 348: 118.62 µm.
    #[test]
    fn a_guard_band_at_both_ends() {
        let of = requirement(500, 10e-6, None);
        assert!((of.uncertainty.combined_m() * 1e6 - 50.990_195).abs() < 1e-6);
        assert_eq!(of.guard_band().nm(), 118_621);
        let (least, most) = of.accepted().unwrap();
        for (finished, verdict) in [
            (least, LengthVerdict::Conforms),
            (least - Length::from_nm(1), LengthVerdict::TooClose),
            (of.limits.least - of.guard_band(), LengthVerdict::TooClose),
            (of.limits.least - of.guard_band() - Length::from_nm(1), LengthVerdict::DoesNot),
            (most, LengthVerdict::Conforms),
            (most + Length::from_nm(1), LengthVerdict::TooClose),
            (of.limits.most + of.guard_band() + Length::from_nm(1), LengthVerdict::DoesNot),
        ] {
            assert_eq!(of.verdict(finished), verdict, "{finished}");
        }
    }

    /// Both ends together are to hold the risk: in the middle of ±2.5 u they hold 2 · 0.6210 % = 1.242 %, of ±2.6 u 2 · 0.4661 %
    /// (tables of the normal distribution). With one end alone both would have been accepted.
    #[test]
    fn two_ends_share_the_risk() {
        let u = requirement(500, 10e-6, None).uncertainty.combined_m();
        let half = |deviations: f64| (deviations * u * 1e6).round() as i64;
        assert_eq!(requirement(half(2.5), 10e-6, None).accepted(), None);
        let of = requirement(half(2.6), 10e-6, None);
        let (least, most) = of.accepted().unwrap();
        assert!(of.verdict(of.limits.nominal) == LengthVerdict::Conforms && (most - least).nm() < half(0.4) * 1_000);
    }

    /// One-sided quantiles of Student's t at 1 %: 2.764 for 10 degrees of freedom, 6.965 for 2 (JCGM 100:2008, table G.2, 98 %).
    #[test]
    fn few_degrees_of_freedom_widen_it() {
        for (freedom, quantile) in [(10.0, 2.764), (2.0, 6.965)] {
            let of = requirement(5_000, 10e-6, Some(freedom));
            let found = of.guard_band().nm() as f64 / 1e9 / of.uncertainty.combined_m();
            assert!((found / quantile - 1.0).abs() < 2e-3, "{found}");
        }
    }

    /// Where it cannot be measured well enough, nothing conforms and nothing is said to fail that may be right.
    #[test]
    fn too_coarse_a_gauge_proves_nothing() {
        let of = requirement(500, 0.2e-3, None);
        assert_eq!((of.accepted(), of.verdict(of.limits.nominal)), (None, LengthVerdict::TooClose));
        assert_eq!(requirement(500, 10e-3, Some(1.0)).accepted(), None);
    }
}
