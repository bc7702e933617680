//! Whether a rig can decide, and how long it takes: tried on simulated valves before anything is connected.
//!
//! | file | subject |
//! |---|---|
//! | here | the question; the shortest recipe that answers it |
//! | [`nature`] | a valve and a rig as they may be |
//! | [`forecast`](mod@forecast) | the shipped sequencer on many of them, counted |
//! | [`levers`] | what to change where it cannot |
//! | [`energy`] | what the air can do |

pub mod energy;
pub mod forecast;
pub mod levers;
pub mod nature;

use seathold_sequencer::measure::{Curve, Window, normal_quantile, student_quantile};
use seathold_sequencer::recipe::{Actuation, Model, RawRecipe};
use seathold_sequencer::rig::{RawRig, Rig};
use seathold_sequencer::units::LeakRate;
use seathold_sequencer::verdict::Verdict;

use forecast::{Forecast, RunOutcome, Wanted, runs};
use levers::{Lever, Together};

/// What is known of the time constant with which the gas settles.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeConstantKnowledge {
    /// The rig's, within its uncertainty.
    Calibrated,
    /// Nothing: anywhere in the recipe's range, and the sequencer does not know it either.
    Unknown,
    /// Nothing as yet, and a blank run will have found it before the first test.
    ToBeFound,
}

/// How many valves are simulated.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Effort {
    /// For each recipe tried, of good and of bad ones each.
    pub tried: u32,
    /// For what is foretold, of each kind.
    pub foretold: u32,
    /// To the end of the longest window, of each kind.
    pub longest: u32,
}

impl Effort {
    /// As the program does.
    pub const USUAL: Self = Self { tried: 24, foretold: 120, longest: 24 };

    /// For tests that only want to know that it ends.
    pub const LEAST: Self = Self { tried: 2, foretold: 3, longest: 1 };
}

/// What to plan for. Times in seconds, everything else in SI units.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlanGoal {
    /// The rig, volume, step and uncertainties in it.
    pub rig: RawRig,
    /// How the valve is worked.
    pub actuation: Actuation,
    /// Gauge pressure of the test.
    pub target_pa: u32,
    /// Greatest leak allowed.
    pub limit: LeakRate,
    /// Reference conditions of leaks: kelvin and pascals.
    pub reference_k: f64,
    /// See above.
    pub reference_pa: f64,
    /// White noise of one reading.
    pub noise_pa: f64,
    /// Between readings, in milliseconds.
    pub sample_period_ms: u32,
    /// Settling time constant of the gas.
    pub tau: TimeConstantKnowledge,
    /// Risks at the limit.
    pub false_accept: f64,
    /// See above.
    pub false_reject: f64,
    /// Coverage of the stated interval.
    pub coverage: f64,
    /// Leak of a good valve, and of a bad one, as ratios to the limit: both must get their verdict.
    pub good: f64,
    /// See above.
    pub bad: f64,
    /// The probability that they get it.
    pub power: f64,
    /// Longest measuring time to consider.
    pub longest_s: f64,
    /// Least measuring time, where a standard asks for one.
    pub least_s: f64,
    /// Longest time to let the gas settle, soak and settling together; `None` is some time constants.
    pub wait_max_s: Option<f64>,
    /// Whether another far volume can be chosen: it was not given as that of a valve.
    pub volume_is_free: bool,
    /// The rig's blank runs were simulated here, on valves drawn like those to be tested.
    pub blank_runs_simulated: bool,
    /// The rig's own leak, for that.
    pub rig_leak_pa_m3_s: f64,
    /// How many valves are simulated.
    pub effort: Effort,
}

/// A test that can decide.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plan {
    /// The recipe.
    pub recipe: RawRecipe,
    /// Height of the transient when measuring begins, in pascals, at most.
    pub transient_pa: f64,
    /// What it comes to for a good valve, one at the limit, and a bad one.
    pub good: Forecast,
    /// See above.
    pub limit: Forecast,
    /// See above.
    pub bad: Forecast,
}

/// A test that cannot decide in the longest time, though the gas settles as long as it may.
#[derive(Clone, Debug, PartialEq)]
pub struct Falling {
    /// The recipe.
    pub recipe: RawRecipe,
    /// What it comes to for a good valve and a bad one.
    pub good: Forecast,
    /// See above.
    pub bad: Forecast,
    /// What to change, each enough by itself, or else as far as it helps.
    pub levers: Vec<Lever>,
    /// Several changes that are enough together, where none is alone.
    pub together: Option<Together>,
}

/// The result of planning.
#[derive(Clone, Debug, PartialEq)]
pub enum PlanOutcome {
    /// It can decide.
    Can(Box<Plan>),
    /// It cannot.
    Cannot(Box<Falling>),
}

/// Ratio of the heats of air.
const GAMMA: f64 = 1.4;

/// Waits worth trying, in time constants; the longest leaves a millionth of the transient.
const WAITS: [f64; 9] = [3.0, 4.0, 5.0, 6.0, 7.0, 8.5, 10.0, 12.0, 14.0];

/// The same where the time constant is unknown, in longest time constants of the recipe.
const WAITS_UNKNOWN: [f64; 9] = [0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 5.5, 7.0, 9.0];

/// From the last of these on, each wait is longer by this ratio.
const WAIT_RATIO: f64 = 1.4;

/// The longest measuring time is so many times what is needed, where there is room for it, so that a window that has to be
/// restarted still ends in a verdict (our judgement, no source).
const SPARE: f64 = 2.0;

/// Share of the waiting, counted in time constants, spent fed; the rest follows venting, when seats creep and the
/// vented side has cooled (our judgement, no source). Gas that is fed cools at constant pressure, which takes γ times
/// as long as at constant volume (its heat capacity is c_p, not c_v).
const SOAK_SHARE: f64 = 0.6;

/// Longest wait whose soak a recipe may hold, s.
const WAIT_MAX_S: f64 = 3_600.0 / (SOAK_SHARE * GAMMA) - 2.0;

/// What the simplest budget, that of a straight line in white noise, must reach for a simulation to be worth while. It is the
/// least that can be, but for chance.
const LINE_REACH: f64 = 0.85;

/// How often a recipe that falls short on fresh valves is made longer.
const EXTENSIONS: u32 = 8;

/// Seeds of what is tried, and of what is foretold, so that nothing is foretold on the valves it was chosen on.
const TRIED_ON: u64 = 0x7472_6965_6421;
/// See above.
const FORETOLD_ON: u64 = 0x666f_7265_746f_6c64;

/// Runs of one recipe, as far as they were worth making.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Tried {
    /// The lesser of the shares that got their verdict, of good and bad valves.
    pub(crate) share: f64,
    /// Whether it is enough.
    pub(crate) enough: bool,
    /// The measuring time within which so many had it as must, s.
    pub(crate) needed_s: f64,
}

impl PlanGoal {
    /// Pressure under test, absolute.
    pub fn absolute_pa(&self) -> f64 {
        f64::from(self.target_pa) + self.rig.atmosphere_pa
    }

    /// Height of the settling transient before any waiting, at most: a rigid vessel filled without loss of heat reaches
    /// `T2 = γT/(1 + (p1/p2)(γ − 1))` (Moran & Shapiro, *Fundamentals of Engineering Thermodynamics*, from memory;
    /// derivable), and gas warmer than its wall by a ratio stands higher by the same ratio of its pressure.
    pub fn transient_pa(&self) -> f64 {
        let (p1, p2) = (self.rig.atmosphere_pa, self.absolute_pa());
        p2 * (GAMMA / (1.0 + p1 / p2 * (GAMMA - 1.0)) - 1.0)
    }

    /// The time constant that waits are counted in: the rig's, or the longest that the recipe allows for.
    pub fn tau_s(&self) -> f64 {
        match (self.tau, self.rig.tau_s) {
            (TimeConstantKnowledge::Calibrated, Some(tau_s)) => tau_s,
            _ => f64::from(RawRecipe::DEMO.tau_ms_max) / 1e3,
        }
    }

    fn checked_rig(&self) -> Result<Rig, String> {
        self.rig.validate().map_err(|errors| errors.to_string())
    }

    /// How long the samples take that the shortest window must hold.
    fn samples_s(&self, rig: &Rig) -> f64 {
        f64::from(rig.window_samples_min()) * f64::from(self.sample_period_ms) / 1e3
    }

    /// The shortest measuring time that is possible.
    fn shortest_s(&self, rig: &Rig) -> f64 {
        self.samples_s(rig).max(1.0).max(self.least_s).min(self.longest_s)
    }

    /// The recipe for a wait and a longest measuring time.
    pub fn raw_recipe(&self, rig: &Rig, wait_s: f64, most_s: f64) -> RawRecipe {
        let ms = |s: f64| (s * 1e3).ceil() as u32;
        // Whole half seconds read better.
        let neat = |s: f64| ms((s * 2.0).ceil() / 2.0);
        let target = self.target_pa;
        let settle_ms = neat(wait_s * (1.0 - SOAK_SHARE));
        let base = RawRecipe { actuation: self.actuation, ..RawRecipe::DEMO };
        // Nothing shorter decides; how short that is once the time constant has been found nobody knows yet.
        let decides_from_s = match self.tau {
            TimeConstantKnowledge::ToBeFound => 0.0,
            TimeConstantKnowledge::Calibrated | TimeConstantKnowledge::Unknown => {
                f64::from(base.decides_from_ms(rig)) / 1e3
            }
        };
        let least_s =
            (most_s / 10.0).max(self.samples_s(rig)).max(1.0).max(decides_from_s).max(self.least_s).min(most_s);
        let waiting_s = f64::from(base.stroke_time_ms + base.vent_ms_max + settle_ms) / 1e3;
        let before_pa = 2.0 * self.limit.pa_m3_s() / self.rig.far_volume_m3 * waiting_s;
        // A valve at the limit must still be in the band when it is measured, and one whose cavity takes a twentieth of the gas.
        let noise = |times: f64| (times * self.noise_pa).ceil() as u32;
        let band = (target / 20).max(2_000).max((1.05 * before_pa).ceil() as u32) + noise(5.0);
        RawRecipe {
            model: Model::LineAndTransient,
            target_pa: target,
            target_tolerance_pa: band,
            // Relief: at most a tenth above the test (ASME B31.3-2016 345.5.2, seen in its own text).
            pressure_max_pa: (target + target / 10).max(target + band + 1_000),
            // A thousand readings lie within 7 σ of each other; with room to spare.
            zero_peak_to_peak_max_pa: base.zero_peak_to_peak_max_pa.max(noise(12.0)).min(20_000),
            zero_ms: base.zero_ms.max(64 * self.sample_period_ms),
            rise_max_pa: base.rise_max_pa.max(noise(8.0)).min(100_000),
            soak_ms: neat(wait_s * SOAK_SHARE * GAMMA),
            settle_ms,
            jump_max_pa: base
                .jump_max_pa
                .max(noise(12.0))
                .min(100_000)
                .max((2.0 * self.rig.far.pa_per_count).ceil() as u32),
            measure_ms_min: neat(least_s).min(neat(most_s)),
            measure_ms_max: neat(most_s),
            sample_period_ms: self.sample_period_ms,
            limit_pa_m3_s: self.limit.pa_m3_s(),
            reference_k: self.reference_k,
            reference_pa: self.reference_pa,
            false_accept: self.false_accept,
            false_reject: self.false_reject,
            coverage: self.coverage,
            ..base
        }
    }

    /// How close a window comes to giving both valves their verdicts if it were a straight line in white noise: the distance
    /// there is over the distance needed. The closed formula of `predict.rs`; settling gas only adds to it.
    fn line_reach(&self, rig: &Rig) -> Result<f64, String> {
        let recipe = self.raw_recipe(rig, 0.0, self.longest_s);
        let recipe = recipe.validate(rig).map_err(|errors| errors.to_string())?;
        let z_power = normal_quantile(self.power);
        let schedule = recipe.schedule();
        let window = Window {
            seconds: self.longest_s,
            samples: (self.longest_s * 1e3 / f64::from(self.sample_period_ms)).max(4.0) as u32,
            noise_counts: self.noise_pa / rig.raw().far.pa_per_count,
            curve: Curve::Line,
            transient_counts: 0.0,
            tau_u_rel: 0.0,
        };
        let of = |share: f64, z: f64| {
            let leak = LeakRate::from_pa_m3_s(share * self.limit.pa_m3_s());
            let p = window.predict(rig, &recipe, self.absolute_pa(), leak);
            let needed = student_quantile(z, p.budget.dof) * p.budget.guard + z_power * p.budget.combined;
            (1.0 - share).abs() * self.limit.pa_m3_s() / needed
        };
        Ok(of(self.good, schedule.z_accept()).min(of(self.bad, schedule.z_reject())))
    }

    /// Waits worth trying, in seconds, in order.
    fn waits(&self) -> Vec<f64> {
        let most = self.wait_max_s.unwrap_or(f64::INFINITY).min(WAIT_MAX_S);
        let list = if self.tau == TimeConstantKnowledge::Calibrated { WAITS } else { WAITS_UNKNOWN };
        let mut waits: Vec<f64> = list.iter().map(|w| w * self.tau_s()).filter(|w| *w < most).collect();
        match (self.wait_max_s, waits.last().copied()) {
            (Some(_), Some(mut last)) => {
                while last * WAIT_RATIO < most {
                    last *= WAIT_RATIO;
                    waits.push(last);
                }
                waits.push(most);
            }
            (_, None) => waits.push(most),
            (None, Some(last)) if last * 1.01 < list[list.len() - 1] * self.tau_s() => waits.push(most),
            _ => {}
        }
        waits
    }

    /// The longest of them.
    pub fn longest_wait(&self) -> f64 {
        self.waits().last().copied().unwrap_or(0.0)
    }

    /// Fewer valves where each takes long to simulate.
    fn affordable(&self, wanted: u32, recipe: &RawRecipe) -> u32 {
        let polls =
            f64::from(recipe.soak_ms + recipe.settle_ms + recipe.measure_ms_max) / forecast::polled_ms(self, recipe);
        let share = (POLLS / polls).min(1.0);
        ((f64::from(wanted) * share) as u32).max(wanted.min(8))
    }

    /// Polls of one trial with the longest wait and the longest time.
    pub(crate) fn cost(&self) -> f64 {
        let Ok(rig) = self.checked_rig() else { return 1.0 };
        let recipe = self.raw_recipe(&rig, self.longest_wait(), self.longest_s);
        let ms = f64::from(recipe.soak_ms + recipe.settle_ms + recipe.measure_ms_max);
        2.0 * f64::from(self.affordable(self.effort.tried, &recipe)) * ms / forecast::polled_ms(self, &recipe)
    }

    fn wanted(&self, verdict: Verdict) -> Wanted {
        Wanted { verdict, power: self.power }
    }

    /// Good and bad valves with a recipe.
    fn both(&self, recipe: &RawRecipe, seed: u64, most: u32) -> (Tried, [Vec<RunOutcome>; 2]) {
        let mut tried = Tried { share: 1.0, enough: true, needed_s: 0.0 };
        let mut made = [Vec::new(), Vec::new()];
        for ((share, verdict), made) in
            [(self.good, Verdict::Tight), (self.bad, Verdict::Leaking)].into_iter().zip(&mut made)
        {
            *made = runs(self, recipe, share, seed, most, Some(self.wanted(verdict)));
            let mut times: Vec<f64> = made.iter().filter(|run| run.is(verdict)).map(|run| run.seconds).collect();
            let (with, all) = (times.len() as f64, made.len() as f64);
            tried.share = tried.share.min(with / all.max(1.0));
            tried.enough &= made.len() as u32 == most && all - with <= ((1.0 - self.power) * all + 1e-9).floor();
            times.sort_by(f64::total_cmp);
            tried.needed_s = tried.needed_s.max(forecast::quantile(&times, self.power).unwrap_or(f64::INFINITY));
            if !tried.enough {
                break;
            }
        }
        (tried, made)
    }

    fn tried(&self, rig: &Rig, wait_s: f64, most_s: f64) -> Result<Tried, String> {
        let recipe = self.raw_recipe(rig, wait_s, most_s);
        recipe.validate(rig).map_err(|errors| errors.to_string())?;
        let most = self.affordable(self.effort.tried, &recipe);
        Ok(self.both(&recipe, TRIED_ON, most).0)
    }

    /// Whether it can decide at all: with the longest wait and the longest time.
    pub(crate) fn at_most(&self) -> Result<(f64, Tried), String> {
        let rig = self.checked_rig()?;
        let reach = self.line_reach(&rig)?;
        if reach < LINE_REACH {
            return Ok((reach, Tried { share: 0.0, enough: false, needed_s: f64::INFINITY }));
        }
        Ok((reach, self.tried(&rig, self.longest_wait(), self.longest_s)?))
    }

    /// Whether it can on the valves that are foretold from, too.
    pub(crate) fn is_confirmed(&self) -> bool {
        let Ok(rig) = self.checked_rig() else { return false };
        let recipe = self.raw_recipe(&rig, self.longest_wait(), self.longest_s);
        let most = self.affordable(self.effort.foretold, &recipe);
        self.both(&recipe, FORETOLD_ON, most).0.enough
    }

    /// Plans: the recipe with the least wait and measuring time together that gives both valves their verdict.
    ///
    /// # Errors
    /// When rig and requirements do not fit together: what, in the words of the rig's or the recipe's own checks.
    pub fn plan(&self) -> Result<PlanOutcome, String> {
        let rig = self.checked_rig()?;
        let (_, at_most) = self.at_most()?;
        if at_most.enough {
            let (wait_s, most_s) = self.shortest(&rig, at_most)?;
            if let Some(plan) = self.made_sure(&rig, wait_s, most_s)? {
                return Ok(PlanOutcome::Can(Box::new(plan)));
            }
        }
        self.cannot(&rig)
    }

    /// Wait and longest measuring time of the shortest test that was enough on the valves it was tried on.
    fn shortest(&self, rig: &Rig, at_most: Tried) -> Result<(f64, f64), String> {
        let shortest_s = self.shortest_s(rig);
        let spare = |needed_s: f64| (SPARE * needed_s).clamp(shortest_s, self.longest_s);
        let last = self.longest_wait();
        let (mut best, mut cost) = ((last, self.longest_s), last + at_most.needed_s);
        let mut most_s = self.longest_s;
        for wait_s in self.waits() {
            if wait_s + shortest_s >= cost {
                break;
            }
            // Its own time, and then one with less to spare, as long as that is enough.
            loop {
                let tried = self.tried(rig, wait_s, most_s)?;
                if !tried.enough {
                    break;
                }
                let its = wait_s + tried.needed_s;
                if its < 0.98 * cost || (best.0 == wait_s && its < 1.02 * cost) {
                    (best, cost) = ((wait_s, most_s), its.min(cost));
                }
                let less = spare(tried.needed_s);
                if less > 0.8 * most_s {
                    break;
                }
                most_s = less;
            }
            // What the last was enough with is where the next begins.
            most_s = if best.0 == wait_s { best.1 } else { (2.0 * most_s).min(self.longest_s) };
        }
        Ok(best)
    }

    /// What a recipe comes to on valves it was not chosen on, made longer until that is enough.
    fn made_sure(&self, rig: &Rig, wait_s: f64, most_s: f64) -> Result<Option<Plan>, String> {
        let (mut wait_s, mut most_s) = (wait_s, most_s);
        for extension in 0..=EXTENSIONS {
            if extension == EXTENSIONS {
                (wait_s, most_s) = (self.longest_wait(), self.longest_s);
            }
            let recipe = self.raw_recipe(rig, wait_s, most_s);
            recipe.validate(rig).map_err(|errors| errors.to_string())?;
            let most = self.affordable(self.effort.foretold, &recipe);
            let (tried, [good, bad]) = self.both(&recipe, FORETOLD_ON, most);
            if tried.enough {
                let longest = self.affordable(self.effort.longest, &recipe);
                let of = |share, made| forecast::forecast(self, &recipe, share, made, FORETOLD_ON, longest);
                let at_limit = runs(self, &recipe, 1.0, FORETOLD_ON, most, None);
                return Ok(Some(Plan {
                    recipe,
                    transient_pa: self.transient_pa() * (-wait_s / self.tau_s()).exp(),
                    good: of(self.good, &good),
                    limit: of(1.0, &at_limit),
                    bad: of(self.bad, &bad),
                }));
            }
            let (longer_wait, longer) = ((1.15 * wait_s).min(self.longest_wait()), (1.25 * most_s).min(self.longest_s));
            if longer_wait <= wait_s && longer <= most_s {
                break;
            }
            (wait_s, most_s) = (longer_wait, longer);
        }
        Ok(None)
    }

    fn cannot(&self, rig: &Rig) -> Result<PlanOutcome, String> {
        let recipe = self.raw_recipe(rig, self.longest_wait(), self.longest_s);
        recipe.validate(rig).map_err(|errors| errors.to_string())?;
        let most = self.affordable(self.effort.foretold, &recipe);
        let longest = self.affordable(self.effort.longest, &recipe);
        let of = |share| {
            let made = runs(self, &recipe, share, FORETOLD_ON, most, None);
            forecast::forecast(self, &recipe, share, &made, FORETOLD_ON, longest)
        };
        let (levers, together) = levers::levers(self);
        Ok(PlanOutcome::Cannot(Box::new(Falling { recipe, good: of(self.good), bad: of(self.bad), levers, together })))
    }
}

/// Polls of a run from which on fewer are made.
const POLLS: f64 = 40_000.0;

/// How long things take beside measuring, in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Handling {
    /// Filling to the band.
    pub fill_s: f64,
    /// Swapping the ends.
    pub swap_s: f64,
    /// Taking one valve off and putting the next on.
    pub load_s: f64,
}

/// Length of one valve's test over both sides, with a given measuring time a side.
pub fn valve_s(recipe: &RawRecipe, rig: &RawRig, handling: &Handling, measure_s: f64) -> f64 {
    let s = |ms: u32| f64::from(ms) / 1e3;
    let strokes = if recipe.cavity_stroke { 3.0 } else { 1.0 };
    let side = s(recipe.zero_ms)
        + s(recipe.stroke_time_ms)
        + handling.fill_s
        + s(recipe.soak_ms)
        + s(recipe.stroke_time_ms)
        + s(recipe.vent_ms)
        + s(recipe.settle_ms)
        + measure_s
        + strokes * s(recipe.stroke_time_ms)
        + 2.0 * s(rig.safe_dwell_ms);
    2.0 * side + handling.swap_s + handling.load_s
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn adds_up(forecast: &Forecast) {
        let counts = &forecast.counts;
        let all = [counts.tight, counts.leaking, counts.undecided()];
        assert_eq!(all.iter().sum::<u32>(), counts.runs, "{counts:?}");
        for count in all {
            let ((low, high), share) = (counts.interval(count), counts.share(count));
            assert!(0.0 <= low && low <= share && share <= high && high <= 1.0, "{counts:?}");
        }
        for spread in [forecast.expanded_longest, forecast.expanded_verdict, forecast.seconds].into_iter().flatten() {
            assert!(spread.low <= spread.median && spread.median <= spread.high, "{spread:?}");
        }
    }

    /// A logarithm's uniform values.
    fn between(low: f64, high: f64) -> impl Strategy<Value = f64> {
        (low.ln()..=high.ln()).prop_map(move |x| x.exp().clamp(low, high))
    }

    prop_compose! {
        fn rig()(
            volume in between(1e-7, 0.1), volume_u in 0.0..=0.5, gain_u in 0.0..=0.1, drift in 0.0..=1e-2, tau in between(0.1, 600.0),
            known in any::<bool>(), tau_u in 0.0..=0.5, background_u in 0.0..=1e-3, blank_runs in 0_u32..12, early in 0.0..=1e-4,
        ) -> RawRig {
            RawRig {
                far_volume_m3: volume, far_volume_u_rel: volume_u, gain_u_rel: gain_u, temperature_drift_u_k_s: drift,
                tau_s: known.then_some(tau), tau_u_rel: tau_u, background_u_pa_m3_s: background_u, blank_runs,
                background_early_pa_m3_s: early, ..RawRig::DEMO
            }
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

        /// Whatever the question: no panic, an answer or a refusal in words, and shares that make a whole.
        #[test]
        fn any_question_ends(
            rig in rig(), target in 90_000_u32..=800_000, limit in between(1e-7, 1.0), noise in 0.0..=2_000.0, period in 1_u32..=150,
            (risk, coverage) in (1e-6..=0.25, 0.8..=0.9999), (good, bad, power) in (0.0..=0.99, 1.01..=100.0, 0.5..=0.9999),
            longest in between(1.0, 3_600.0), wait in proptest::option::of(between(1.0, 600.0)), free in any::<bool>(), by_hand in any::<bool>(),
        ) {
            let goal = PlanGoal {
                rig,
                actuation: if by_hand { Actuation::Hand } else { Actuation::Air },
                target_pa: target,
                limit: LeakRate::from_pa_m3_s(limit),
                reference_k: 293.15,
                reference_pa: 100_000.0,
                noise_pa: noise,
                sample_period_ms: period,
                tau: if rig.tau_s.is_some() { TimeConstantKnowledge::Calibrated } else { TimeConstantKnowledge::Unknown },
                false_accept: risk,
                false_reject: risk,
                coverage,
                good,
                bad,
                power,
                longest_s: longest,
                least_s: 0.0,
                wait_max_s: wait,
                volume_is_free: free,
                blank_runs_simulated: false,
                rig_leak_pa_m3_s: 0.0,
                effort: Effort::LEAST,
            };
            match goal.plan() {
                Ok(PlanOutcome::Can(plan)) => [plan.good, plan.limit, plan.bad].iter().for_each(adds_up),
                Ok(PlanOutcome::Cannot(falling)) => {
                    [falling.good, falling.bad].iter().for_each(adds_up);
                    for lever in &falling.levers {
                        prop_assert!((0.0..=1.0).contains(&lever.share), "{lever:?}");
                        prop_assert!(free || lever.change.name() != "far-volume", "{lever:?}");
                    }
                }
                Err(why) => prop_assert!(!why.is_empty()),
            }
        }
    }
}
