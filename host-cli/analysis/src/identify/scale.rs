//! How large the bench is: pressures tell all volumes, flows and leaks only against each other.
//!
//! Larger by one factor in every volume, conductance and leak (and a regulator that droops less in proportion) a plant shows the
//! same pressures: in its equations they stand only as ratios (derivable). The factor comes from the rig's far volume, and from a leak
//! that is known in units of its own: by how much it is larger than the fit at the rig's volume makes it. The two are combined by their
//! uncertainties (JCGM 100:2008, 5.1.2, for the ratio; the weighted mean, any textbook).

use super::WithU;
use crate::calibration::APART;

/// A leak on the far side that is known, as a plant states it, Pa·m³/s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KnownLeak {
    /// Its rate.
    pub rate: f64,
    /// Its standard uncertainty, as a ratio.
    pub u_rel: f64,
}

/// The factor, about 1, that the fit at the rig's volume is to be multiplied by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    /// It.
    pub factor: WithU,
    /// By the known leak alone.
    pub by_leak: Option<WithU>,
    /// How many standard uncertainties leak and rig are apart.
    pub apart: f64,
}

/// Of a rig whose volume is known to `rig_u_rel`, with the known leak as the fit makes it.
///
/// # Errors
/// In words: where the known leak does not show.
pub fn scale(rig_u_rel: f64, known: Option<(KnownLeak, WithU)>) -> Result<Scale, String> {
    let Some((known, fitted)) = known else {
        return Ok(Scale { factor: WithU { value: 1.0, u: rig_u_rel }, by_leak: None, apart: 0.0 });
    };
    if !(fitted.value > 3.0 * fitted.u) || !(known.rate > 0.0) {
        return Err(format!(
            "with the known leak {:.3} ± {:.3} mm³/s more is lost than without, which is not clearly more: was it open, and are these \
             the recordings?",
            fitted.value * 1e4,
            fitted.u * 1e4
        ));
    }
    let by_leak = known.rate / fitted.value;
    let u = by_leak * known.u_rel.hypot(fitted.u / fitted.value);
    let (leak_weight, rig_weight) = ((u * u).recip(), (rig_u_rel * rig_u_rel).recip());
    let weight = leak_weight + rig_weight;
    let apart = (by_leak - 1.0).abs() / u.hypot(rig_u_rel);
    // Two that contradict each other: the mean is as uncertain as they are apart (R. T. Birge, Physical Review 40 (1932) 207).
    let widened = if apart > APART { apart } else { 1.0 };
    Ok(Scale {
        factor: WithU { value: (leak_weight * by_leak + rig_weight) / weight, u: weight.sqrt().recip() * widened },
        by_leak: Some(WithU { value: by_leak, u }),
        apart,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_better_known_counts_more() {
        let known = KnownLeak { rate: 2.04e-3, u_rel: 0.01 };
        let found = scale(0.01, Some((known, WithU { value: 2e-3, u: 0.0 }))).unwrap();
        // 1.02 ± 0.0102 and 1 ± 0.01: 1.0098 ± 0.00714.
        assert!((found.factor.value - 1.0098).abs() < 1e-4 && (found.factor.u - 0.00714).abs() < 1e-5, "{found:?}");
        let apart = scale(0.01, Some((KnownLeak { rate: 4e-3, ..known }, WithU { value: 2e-3, u: 0.0 }))).unwrap();
        assert!(apart.apart > 40.0 && apart.factor.u > 0.3, "as uncertain as they are apart: {apart:?}");
        let rough = scale(0.2, Some((known, WithU { value: 2e-3, u: 0.0 }))).unwrap();
        assert!((rough.factor.value - 1.02).abs() < 3e-4, "{rough:?}");
        assert_eq!(scale(0.02, None).unwrap().factor, WithU { value: 1.0, u: 0.02 });
    }

    #[test]
    fn a_leak_that_does_not_show_is_refused() {
        let known = KnownLeak { rate: 2e-3, u_rel: 0.01 };
        assert!(scale(0.02, Some((known, WithU { value: 1e-5, u: 1e-5 }))).unwrap_err().contains("was it open"));
    }
}
