//! A leak at one pressure, referred to another: a limit holds at the test pressure, and what is trapped is rarely there.

use crate::sqrt::sqrt;
use crate::units::AbsolutePressure;

/// What a leak is multiplied by to be that of another pressure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReferredLeak {
    /// The factor: half-way between the two laws below.
    pub factor: f64,
    /// Its standard uncertainty, as a ratio, for not knowing which of them the leak follows: anything between them is as
    /// likely (a rectangular distribution, JCGM 100:2008, 4.3.7).
    pub u_rel: f64,
}

/// Critical ratio of the pressures of a thin orifice, for a diatomic gas: `(2/(γ + 1))^(γ/(γ − 1))`, γ = 1.4 (gas
/// dynamics; any text).
const CRITICAL: f64 = 0.528_281_787_717;

/// The least share of the aimed-at gauge pressure that a leak is referred from: from less, the two laws differ so much
/// that nothing can be said (our judgement; a window so far out of its band is never called tight).
const SHARE_MIN: f64 = 0.25;

impl ReferredLeak {
    /// From gas that leaks into this atmosphere at `from`, to gas at `to`.
    ///
    /// A leak as fine as a valve may have follows one of two laws, or stands between them:
    /// - a capillary with viscous flow, `p² − pa²` (compressible Poiseuille flow; any text, from memory);
    /// - an orifice, `p·√(1 − ((r − b)/(1 − b))²)` with `r = pa/p`, and `p` where `r` is under the critical ratio `b`
    ///   (ISO 6358-1, seen second-hand, with the `b` of an ideal nozzle).
    pub fn new(from: AbsolutePressure, to: AbsolutePressure, atmosphere: AbsolutePressure) -> Self {
        let (to, pa) = (to.pascals(), atmosphere.pascals());
        // Below the atmosphere air leaks inwards, which is not referred to anything.
        if !(to > pa) {
            return Self { factor: 1.0, u_rel: 0.0 };
        }
        let least = pa + SHARE_MIN * (to - pa);
        let from = if from.pascals() > least { from.pascals() } else { least };
        let viscous = (to * to - pa * pa) / (from * from - pa * pa);
        let orifice = orifice(to, pa) / orifice(from, pa);
        let factor = 0.5 * (viscous + orifice);
        // Half the distance between the laws, over √3.
        Self { factor, u_rel: libm::fabs(viscous - orifice) / factor * 0.288_675_134_594_812_9 }
    }
}

/// Flow through an orifice, but for a constant.
fn orifice(p: f64, pa: f64) -> f64 {
    let over = (pa / p - CRITICAL) / (1.0 - CRITICAL);
    if over > 0.0 { p * sqrt(1.0 - over * over) } else { p }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn referred(from: f64, to: f64) -> ReferredLeak {
        let at = AbsolutePressure::from_pascals;
        ReferredLeak::new(at(from), at(to), at(100_000.0))
    }

    #[test]
    fn at_the_same_pressure_nothing_is_added() {
        assert_eq!(referred(7e5, 7e5), ReferredLeak { factor: 1.0, u_rel: 0.0 });
        assert_eq!(referred(2e4, 3e4), ReferredLeak { factor: 1.0, u_rel: 0.0 });
    }

    /// By hand: 48 over 35 hundredths of a square bar, and 7 over 6 bar.
    #[test]
    fn half_way_between_the_square_and_the_pressure_itself() {
        let ReferredLeak { factor, u_rel } = referred(6e5, 7e5);
        let (viscous, choked) = (48.0 / 35.0, 7.0 / 6.0);
        assert!((factor - 0.5 * (viscous + choked)).abs() < 1e-12, "{factor}");
        assert!((u_rel * factor - 0.5 * (viscous - choked) / 3.0_f64.sqrt()).abs() < 1e-12, "{u_rel}");
    }

    /// Against the subsonic flow through an ideal nozzle, which the ellipse approaches within 0.3 %.
    #[test]
    fn below_the_critical_ratio_an_orifice_is_a_nozzle() {
        let nozzle = |p: f64| {
            let r = 1e5 / p;
            p * (r.powf(2.0 / 1.4) - r.powf(2.4 / 1.4)).sqrt()
        };
        for (from, to) in [(1.2e5, 1.5e5), (1.4e5, 1.6e5), (1.1e5, 1.8e5)] {
            let (ours, theirs) = (orifice(to, 1e5) / orifice(from, 1e5), nozzle(to) / nozzle(from));
            assert!((ours / theirs - 1.0).abs() < 6e-3, "{from} to {to}: {ours} {theirs}");
        }
    }

    proptest! {
        /// Whatever is read, a factor that can be reckoned with; up where the target is higher.
        #[test]
        fn any_pressures(from in -1e6..2e6, to in 1.2e5..1.1e6) {
            let ReferredLeak { factor, u_rel } = referred(from, to);
            prop_assert!(factor.is_finite() && factor > 0.0 && factor < 25.0, "{factor}");
            prop_assert!((0.0..0.58).contains(&u_rel), "{u_rel}");
            prop_assert_eq!(factor >= 1.0, to >= from.max(1e5 + 0.25 * (to - 1e5)));
        }
    }
}
