//! When a growing window is looked at, and how the risks are shared out among the looks (Boole's inequality).

use super::curve_prior::CurvePrior;
use super::quantile::normal_quantile;
use crate::limits::LOOKS_MAX;
use crate::recipe::RawRecipe;
use crate::time::{Duration, millis};

/// When a growing window is looked at, and the risk of each look.
///
/// The first is taken as soon as a window may decide, since an earlier one could only cost risk and computing time; from then on
/// the time since measuring began grows by an eighth from look to look. Each look may be wrong with an equal share of
/// the whole risk; the sum over the looks bounds the probability that any is (Boole's inequality), whatever the
/// correlation between looks. That is conservative, but cheap here: a slope's uncertainty falls as the 3/2 power of
/// time, and the rest of the transient faster still, so even the factor required by thirty looks costs less time than
/// few looks would.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Schedule {
    looks: u32,
    first: Duration,
    last: Duration,
    decides_from_ms: u32,
    z_accept: f64,
    z_reject: f64,
    z_coverage: f64,
}

impl Schedule {
    /// From the recipe's times and risks, and what is known of the gas.
    pub(crate) fn new(raw: &RawRecipe, curves: &CurvePrior) -> Self {
        let decides_from_ms = curves.decides_from_ms();
        let last = millis(raw.measure_ms_max);
        let first = millis(raw.measure_ms_min.max(decides_from_ms)).min(last);
        let mut looks = 1;
        let mut window = first;
        while window < last && looks < LOOKS_MAX {
            window = longer(window);
            looks += 1;
        }
        let share = f64::from(looks);
        Self {
            looks,
            first,
            last,
            decides_from_ms,
            z_accept: normal_quantile(1.0 - raw.false_accept / share),
            z_reject: normal_quantile(1.0 - raw.false_reject / share),
            z_coverage: normal_quantile(0.5 + raw.coverage / 2.0),
        }
    }

    /// How many looks there are at most.
    pub const fn looks(&self) -> u32 {
        self.looks
    }

    /// The shortest window that is looked at before the last: the recipe's shortest, or the shortest that decides.
    pub const fn first(&self) -> Duration {
        self.first
    }

    /// When the look after one at `time` is due, never past the last.
    pub fn next(&self, time: Duration) -> Duration {
        longer(time).min(self.last)
    }

    /// The shortest window that decides, in milliseconds, however early a look is taken: two calibrated time constants, or,
    /// where none is known, the longest that the recipe allows for; 0 for a straight line.
    pub const fn decides_from_ms(&self) -> u32 {
        self.decides_from_ms
    }

    /// Normal quantile a look must reach to call a valve tight.
    pub const fn z_accept(&self) -> f64 {
        self.z_accept
    }

    /// Normal quantile a look must reach to call a valve leaking.
    pub const fn z_reject(&self) -> f64 {
        self.z_reject
    }

    /// Two-sided normal quantile of the stated coverage.
    pub const fn z_coverage(&self) -> f64 {
        self.z_coverage
    }
}

fn longer(window: Duration) -> Duration {
    Duration::from_ticks(window.as_ticks() + window.as_ticks() / 8)
}
