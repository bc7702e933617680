//! The daily check of a bench by a check standard (NIST/SEMATECH e-Handbook of Statistical Methods, 2.1.2): a reference leak, or a plug.

use super::chart::{ControlChart, chart_by_first};

/// A figure with its expanded uncertainty, of 95 %.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figure {
    /// The value.
    pub value: f64,
    /// The half-width of its interval.
    pub expanded: f64,
}

/// Rules that tell of a bench that has moved: a point beyond, a shift, a trend. The others tell of a chart that is too regular (our choice:
/// all eight together would stop a sound bench too often).
const STOPPING: [u8; 5] = [1, 2, 3, 5, 6];

/// What the last check says.
#[derive(Clone, Debug, PartialEq)]
pub struct DailyCheck {
    /// The difference from the certificate over what both uncertainties allow: beyond 1 they disagree.
    pub normalized_error: f64,
    /// The chart, from two checks on.
    pub chart: Option<ControlChart>,
    /// The rules that tell of a bench that has moved and that the last check breaks.
    pub broken: Vec<u8>,
}

impl DailyCheck {
    /// Checks in order, of which the last is looked at; limits are from the first so many. `None` without any.
    pub fn of(checks: &[Figure], certificate: Figure, first: usize) -> Option<Self> {
        let last = checks.last()?;
        let values: Vec<f64> = checks.iter().map(|check| check.value).collect();
        // Fewer than two, and no more is wrong with figures that were judged.
        let chart = chart_by_first(&values, first).ok();
        let at = values.len() - 1;
        let of_last = chart.iter().flat_map(|chart| chart.signals.iter().filter(|(point, _)| *point == at));
        let broken = of_last.map(|(_, rule)| *rule).filter(|rule| STOPPING.contains(rule)).collect();
        // ISO/IEC 17043:2010, B.3.1.3 e (from memory).
        let allowed = last.expanded.hypot(certificate.expanded);
        let off = (last.value - certificate.value).abs();
        let normalized_error = if allowed > 0.0 {
            off / allowed
        } else if off > 0.0 {
            f64::INFINITY
        } else {
            0.0
        };
        Some(Self { normalized_error, chart, broken })
    }

    /// Whether it agrees with the certificate, and breaks no rule.
    pub fn in_control(&self) -> bool {
        self.normalized_error <= 1.0 && self.broken.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn figure(value: f64, expanded: f64) -> Figure {
        Figure { value, expanded }
    }

    #[test]
    fn against_the_certificate() {
        let check = |value| DailyCheck::of(&[figure(value, 0.3)], figure(20.0, 0.4), 20).unwrap();
        assert!((check(20.25).normalized_error - 0.5).abs() < 1e-12);
        assert!(check(20.49).in_control() && !check(20.51).in_control() && check(20.0).chart.is_none());
        assert!(DailyCheck::of(&[], figure(0.0, 0.0), 20).is_none());
    }

    proptest! {
        /// A check that is off by many times what the first ones scattered is never in control, however well it agrees with a certificate
        /// that hardly knows.
        #[test]
        fn a_step_is_seen(step in 5.0f64..50.0, seed in 0u64..1_000) {
            let scatter = |i: u64| ((i * 7 + seed) % 11) as f64 / 10.0;
            let mut checks: Vec<Figure> = (0..20).map(|i| figure(scatter(i), 100.0)).collect();
            let mean = checks.iter().map(|c| c.value).sum::<f64>() / 20.0;
            checks.push(figure(mean + step, 100.0));
            prop_assert!(!DailyCheck::of(&checks, figure(0.5, 100.0), 20).unwrap().in_control());
        }
    }
}
