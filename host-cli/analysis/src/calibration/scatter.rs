//! What leak-free sides show as a leak: mean and scatter over several, by the length of the window.
//!
//! Heat that filling left in a wall, creep of the seats and drift of the room look like a leak in any single window, and differ
//! from valve to valve. Repeats tell how much.

use seathold_sequencer::measure::{BlockedTrace, CURVE_SHARE, Compensation, Conditions, LeakEstimate, fit};
use seathold_sequencer::recipe::Recipe;
use seathold_sequencer::rig::{BLANK_RUNS_MIN, EARLY_S, RawRig, Rig};
use seathold_sequencer::time::Instant;
use seathold_sequencer::units::{AbsolutePressure, GaugePressure, Temperature};

/// A reading of the trapped pressure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrappedReading {
    /// Seconds since the gas began to settle: from the end of venting, as a run counts.
    pub at_s: f64,
    /// The transducer's counts.
    pub counts: i32,
    /// The thermometer's, where one is fitted.
    pub thermometer: i32,
}

/// What a window of a leak-free side shows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BlankLook {
    /// Its length, in seconds.
    pub window_s: f64,
    /// The leak shown, with whatever background is in the rig, in Pa·m³/s.
    pub leak: f64,
}

/// Mean and scatter of leak-free sides, as a rig takes them.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BlankScatter {
    /// How many sides.
    pub runs: u32,
    /// What they show in a long window, and the standard uncertainty of the next one's, in Pa·m³/s.
    pub background: f64,
    /// See above.
    pub background_u: f64,
    /// What they show beyond it in a window of [`EARLY_S`], and the same of it.
    pub early: f64,
    /// See above.
    pub early_u: f64,
}

/// The shortest window looked at, and the ratio of each to the one before, as in a run.
const SHORTEST_S: f64 = 4.0;
const LONGER: f64 = 1.125;

/// The shortest trace whose long end says anything of a long window, in seconds (our judgement).
pub const TRACE_S_MIN: f64 = 20.0;

/// What the windows of a trace show that begin `settle_s` after the gas began to settle. Windows in which a run would decide nothing are
/// left out.
pub fn looks(readings: &[TrappedReading], rig: &Rig, recipe: &Recipe, settle_s: f64) -> Vec<BlankLook> {
    let begin = readings.partition_point(|reading| reading.at_s < settle_s);
    let readings = readings.get(begin..).unwrap_or_default();
    let (Some(first), Some(last)) = (readings.first(), readings.last()) else { return Vec::new() };
    let far = rig.raw().far;
    let mut out = Vec::new();
    let mut window_s = SHORTEST_S;
    let (mut trace, mut next) = (BlockedTrace::new(), 0);
    while window_s <= last.at_s - first.at_s + 1e-9 {
        while let Some(reading) = readings.get(next).filter(|reading| reading.at_s <= first.at_s + window_s) {
            trace.push(Instant::from_ticks((reading.at_s * 1e6) as u64), reading.counts, reading.thermometer);
            next += 1;
        }
        let compensation = Compensation::of(rig, first.counts);
        let used = readings.get(..next).unwrap_or_default();
        let mean = |of: fn(&TrappedReading) -> i32| {
            used.iter().map(|reading| f64::from(of(reading))).sum::<f64>() / used.len().max(1) as f64
        };
        if let Some(found) = fit(*recipe.curves(), compensation, settle_s, &trace) {
            let pressure: GaugePressure = far.pressure(mean(|reading| reading.counts) as i32);
            let gas = rig.raw().thermometer.map(|t| t.temperature(mean(|reading| reading.thermometer) as i32));
            let conditions = Conditions {
                rig,
                recipe,
                gas: gas.unwrap_or_else(|| Temperature::from_kelvin(recipe.raw().gas_k)),
                pressure: pressure.to_absolute(rig.atmosphere()),
                target: AbsolutePressure::from_pascals(f64::from(recipe.raw().target_pa) + rig.atmosphere().pascals()),
                noise_counts: trace.noise_counts(),
            };
            let estimate = LeakEstimate::new(&found, &conditions);
            if estimate.budget.curve < CURVE_SHARE * recipe.limit().pa_m3_s() {
                let shown = estimate.leak.pa_m3_s() + rig.background(found.span_s).pa_m3_s;
                out.push(BlankLook { window_s, leak: shown });
            }
        }
        window_s *= LONGER;
    }
    out
}

/// Mean and scatter of sides, each with its looks; `None` where fewer than four have enough of them.
///
/// Each side's looks are fitted by `a + b·10 s/T`, by least squares; mean and standard deviation of `a` and `b` are those of the
/// next side (JCGM 100:2008, 4.2.3, for one more observation: `s·√(1 + 1/n)`). What a look is off its own side's curve adds to
/// the early part.
pub fn scatter(sides: &[Vec<BlankLook>]) -> Option<BlankScatter> {
    let mut fitted = Vec::new();
    let (mut off, mut count) = (0.0, 0.0);
    for looks in sides {
        let longest = looks.last().map_or(0.0, |look| look.window_s);
        if looks.len() < 4 || longest < TRACE_S_MIN {
            continue;
        }
        let n = looks.len() as f64;
        let x = |look: &BlankLook| EARLY_S / look.window_s;
        let (mx, my) = (looks.iter().map(x).sum::<f64>() / n, looks.iter().map(|l| l.leak).sum::<f64>() / n);
        let xx: f64 = looks.iter().map(|l| (x(l) - mx).powi(2)).sum();
        let xy: f64 = looks.iter().map(|l| (x(l) - mx) * (l.leak - my)).sum();
        let b = xy / xx;
        let a = my - b * mx;
        for look in looks {
            off += ((look.leak - a - b * x(look)) / x(look)).powi(2);
            count += 1.0;
        }
        fitted.push((a, b));
    }
    let runs = u32::try_from(fitted.len()).ok().filter(|runs| *runs >= BLANK_RUNS_MIN)?;
    let n = f64::from(runs);
    let of = |values: &dyn Fn(&(f64, f64)) -> f64| {
        let mean = fitted.iter().map(values).sum::<f64>() / n;
        let variance = fitted.iter().map(|one| (values(one) - mean).powi(2)).sum::<f64>() / (n - 1.0);
        (mean, variance)
    };
    let ((background, background_variance), (early, early_variance)) = (of(&|one| one.0), of(&|one| one.1));
    let next = 1.0 + 1.0 / n;
    Some(BlankScatter {
        runs,
        background,
        background_u: (next * background_variance).sqrt(),
        early,
        early_u: (next * (early_variance + off / count)).sqrt(),
    })
}

impl BlankScatter {
    /// Sets it in a rig.
    pub const fn apply(&self, rig: &mut RawRig) {
        rig.background_pa_m3_s = self.background;
        rig.background_u_pa_m3_s = self.background_u;
        rig.background_early_pa_m3_s = self.early;
        rig.background_early_u_pa_m3_s = self.early_u;
        rig.blank_runs = self.runs;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn side(a: f64, b: f64) -> Vec<BlankLook> {
        [5.0, 8.0, 12.0, 20.0, 40.0].map(|window_s| BlankLook { window_s, leak: a + b * 10.0 / window_s }).to_vec()
    }

    #[test]
    fn mean_and_scatter_of_what_was_put_in() {
        let sides: Vec<_> = [(1.0, 5.0), (2.0, 6.0), (3.0, 7.0), (2.0, 6.0)].map(|(a, b)| side(a, b)).to_vec();
        let found = scatter(&sides).unwrap();
        // Variance 2/3, for one more of five quarters.
        let u = (1.25_f64 * 2.0 / 3.0).sqrt();
        assert_eq!(found.runs, 4);
        assert!((found.background - 2.0).abs() < 1e-12 && (found.early - 6.0).abs() < 1e-12, "{found:?}");
        assert!((found.background_u - u).abs() < 1e-9 && (found.early_u - u).abs() < 1e-9, "{found:?}");
        assert_eq!(scatter(&sides[..3]), None);
    }

    #[test]
    fn what_is_off_the_curve_adds_to_the_early_part() {
        let mut sides: Vec<_> = [1.0; 6].map(|a| side(a, 0.0)).to_vec();
        assert!(scatter(&sides).unwrap().early_u < 1e-9);
        for looks in &mut sides {
            looks[0].leak += 1.0;
        }
        assert!(scatter(&sides).unwrap().early_u > 0.1);
    }
}
