//! What leak-free sides show as a leak: mean and scatter over several, by the length of the window.
//!
//! Heat that filling left in a wall, creep of the seats and drift of the room look like a leak in any single window, and differ
//! from valve to valve. Repeats tell how much.

use seathold_sequencer::measure::{
    BlockedTrace, Budget, CURVE_SHARE, Compensation, Conditions, LeakEstimate, Settling, fit,
};
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
    /// Its standard uncertainty by its own readings and curve, in Pa·m³/s.
    pub own_u: f64,
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
/// left out. `scatter_measured` says how the runs will be fitted that this is for: with the scatter of valves like them known, or not.
pub fn looks(
    readings: &[TrappedReading],
    rig: &Rig,
    recipe: &Recipe,
    settle_s: f64,
    scatter_measured: bool,
) -> Vec<BlankLook> {
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
        let settling = Settling { scatter_measured, ..Settling::of(rig, recipe, first.counts, settle_s) };
        if let Some(found) = fit(*recipe.curves(), compensation, settling, &trace) {
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
                let Budget { fit, curve, resolution, .. } = estimate.budget;
                out.push(BlankLook { window_s, leak: shown, own_u: fit.hypot(curve).hypot(resolution) });
            }
        }
        window_s *= LONGER;
    }
    out
}

/// Mean and scatter of sides, each with its looks; `None` where fewer than four have enough of them.
///
/// Window by window, over the sides: the mean, and the scatter that is more than the looks' own uncertainties explain, which
/// the next side's window has anyway (as the variance between groups is found by the method of moments: Searle, Casella &
/// McCulloch, *Variance Components*, ch. 3, from memory). `a + b·10 s/T` is fitted to the means, and `A² + B²·(10 s/T)²` to the
/// squares of that scatter with that of the mean itself (JCGM 100:2008, 4.2.3), relative to their size. What the means are off
/// their curve adds to the early part.
pub fn scatter(sides: &[Vec<BlankLook>]) -> Option<BlankScatter> {
    let long = |looks: &&Vec<BlankLook>| looks.len() >= 4 && looks.last().is_some_and(|l| l.window_s >= TRACE_S_MIN);
    let sides: Vec<&Vec<BlankLook>> = sides.iter().filter(long).collect();
    let runs = u32::try_from(sides.len()).ok().filter(|runs| *runs >= BLANK_RUNS_MIN)?;
    let mut windows: Vec<f64> = sides.iter().flat_map(|looks| looks.iter().map(|look| look.window_s)).collect();
    windows.sort_by(f64::total_cmp);
    windows.dedup();
    let seen: Vec<Seen> = windows.into_iter().filter_map(|window_s| Seen::new(window_s, &sides)).collect();
    let (background, early) = line(&seen.iter().map(|w| (w.x, w.mean, 1.0)).collect::<Vec<_>>())?;
    let off = seen.iter().map(|w| ((w.mean - background - early * w.x) / w.x).powi(2)).sum::<f64>() / seen.len() as f64;
    let squares: Vec<_> =
        seen.iter().map(|w| (w.x * w.x, w.excess, 1.0 / (w.variance * w.variance).max(1e-60))).collect();
    let (lasting, first) = parts(&squares);
    // The mean is known no better than its own scatter in the longest window says.
    let lasting = seen.last().map_or(lasting, |longest| lasting.max(longest.variance / f64::from(runs)));
    Some(BlankScatter { runs, background, background_u: lasting.sqrt(), early, early_u: (first + off).sqrt() })
}

/// What the sides showed in windows of one length.
struct Seen {
    /// [`EARLY_S`] over the length.
    x: f64,
    mean: f64,
    /// Over the sides.
    variance: f64,
    /// Of the next side about the mean, beyond its own uncertainty.
    excess: f64,
}

impl Seen {
    /// `None` where too few sides have such a window.
    fn new(window_s: f64, sides: &[&Vec<BlankLook>]) -> Option<Self> {
        let looks: Vec<&BlankLook> =
            sides.iter().filter_map(|looks| looks.iter().find(|look| look.window_s == window_s)).collect();
        if looks.len() < BLANK_RUNS_MIN as usize {
            return None;
        }
        let n = looks.len() as f64;
        let mean = looks.iter().map(|look| look.leak).sum::<f64>() / n;
        let variance = looks.iter().map(|look| (look.leak - mean).powi(2)).sum::<f64>() / (n - 1.0);
        let own = looks.iter().map(|look| look.own_u * look.own_u).sum::<f64>() / n;
        Some(Self { x: EARLY_S / window_s, mean, variance, excess: (variance - own).max(0.0) + variance / n })
    }
}

/// The straight line through (x, y, weight) by least squares: its value at 0 and its slope. `None` without two different x.
fn line(points: &[(f64, f64, f64)]) -> Option<(f64, f64)> {
    let weight: f64 = points.iter().map(|p| p.2).sum();
    let (mx, my) = points.iter().fold((0.0, 0.0), |(x, y), p| (x + p.2 * p.0 / weight, y + p.2 * p.1 / weight));
    let xx: f64 = points.iter().map(|p| p.2 * (p.0 - mx).powi(2)).sum();
    let xy: f64 = points.iter().map(|p| p.2 * (p.0 - mx) * (p.1 - my)).sum();
    (xx > 0.0).then(|| (my - xy / xx * mx, xy / xx))
}

/// The same where neither part may be negative.
fn parts(points: &[(f64, f64, f64)]) -> (f64, f64) {
    let found = line(points).unwrap_or_default();
    if found.0 >= 0.0 && found.1 >= 0.0 {
        return found;
    }
    let of = |f: fn(&(f64, f64, f64)) -> f64| points.iter().map(f).sum::<f64>();
    if found.0 < 0.0 {
        (0.0, of(|p| p.2 * p.0 * p.1) / of(|p| p.2 * p.0 * p.0))
    } else {
        (of(|p| p.2 * p.1) / of(|p| p.2), 0.0)
    }
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
        [5.0, 8.0, 12.0, 20.0, 40.0]
            .map(|window_s| BlankLook { window_s, leak: a + b * 10.0 / window_s, own_u: 0.0 })
            .to_vec()
    }

    #[test]
    fn mean_and_scatter_of_what_was_put_in() {
        let sides: Vec<_> = [(1.0, 6.0), (3.0, 6.0), (2.0, 5.0), (2.0, 7.0)].map(|(a, b)| side(a, b)).to_vec();
        let found = scatter(&sides).unwrap();
        // Variance 2/3, for one more of five quarters.
        let u = (1.25_f64 * 2.0 / 3.0).sqrt();
        assert_eq!(found.runs, 4);
        assert!((found.background - 2.0).abs() < 1e-12 && (found.early - 6.0).abs() < 1e-12, "{found:?}");
        assert!((found.background_u - u).abs() < 1e-9 && (found.early_u - u).abs() < 1e-9, "{found:?}");
        assert_eq!(scatter(&sides[..3]), None);
    }

    /// What each side's own readings explain is no scatter between them; of the mean it is.
    #[test]
    fn what_the_readings_explain_is_no_scatter() {
        let known = |own_u: f64| -> Vec<_> {
            let noisy = |a: f64| side(a, 0.0).into_iter().map(|look| BlankLook { own_u, ..look }).collect();
            [1.0, 3.0, 2.0, 2.0].map(noisy).to_vec()
        };
        let u = |own_u: f64| scatter(&known(own_u)).unwrap().background_u;
        let variance = 2.0 / 3.0;
        assert!((u(0.5) - (variance - 0.25 + variance / 4.0_f64).sqrt()).abs() < 1e-9, "{}", u(0.5));
        assert!((u(5.0) - (variance / 4.0_f64).sqrt()).abs() < 1e-9, "{}", u(5.0));
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
