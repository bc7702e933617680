//! Whether a rig can decide, and how long it takes: computed before anything is connected.

pub mod energy;

use seathold_sequencer::measure::{Curve, OutcomeProbabilities, Prediction, Window};
use seathold_sequencer::recipe::{Actuation, Model, RawRecipe, Recipe};
use seathold_sequencer::rig::{RawRig, Rig, Transducer};
use seathold_sequencer::units::LeakRate;

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
    /// Settling time constant of the gas, and its standard uncertainty as a ratio.
    pub tau_s: f64,
    /// See above.
    pub tau_u_rel: f64,
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
}

/// A test that can decide.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plan {
    /// The recipe.
    pub recipe: RawRecipe,
    /// Height of the transient when measuring begins, in pascals, at most.
    pub transient_pa: f64,
    /// Time until half of the good valves have their verdict, from the beginning of measuring.
    pub usual_s: f64,
    /// Outcome probabilities of the longest window for a good valve, one at the limit, and a bad one.
    pub good: (Prediction, OutcomeProbabilities),
    /// See above.
    pub limit: (Prediction, OutcomeProbabilities),
    /// See above.
    pub bad: (Prediction, OutcomeProbabilities),
}

/// One possible improvement.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Improvement {
    /// What.
    pub what: &'static str,
    /// To what.
    pub to: &'static str,
    /// How close it comes: 1 does.
    pub reach: f64,
}

/// The result of planning.
#[derive(Clone, Debug, PartialEq)]
pub enum PlanOutcome {
    /// It can decide.
    Can(Box<Plan>),
    /// It cannot, in the longest time. How close it comes (1 would do), and what to change, best first.
    Cannot {
        /// Reach as it is.
        reach: f64,
        /// Changes, best first.
        levers: Vec<Improvement>,
        /// The longest window's estimate of a good valve.
        best: Box<Prediction>,
    },
}

/// Ratio of the heats of air.
const GAMMA: f64 = 1.4;

/// Longest wait for the gas to settle, in time constants: a millionth of the transient is then left.
const WAIT_MAX: f64 = 14.0;

/// The longest measuring time is so many times what is needed, so that a window that has to be restarted still ends in
/// a verdict (our judgement, no source).
const SPARE: f64 = 2.0;

/// Share of the waiting, counted in time constants, spent fed; the rest follows venting, when seats creep and the
/// vented side has cooled (our judgement, no source). Gas that is fed cools at constant pressure, which takes γ times
/// as long as at constant volume (its heat capacity is c_p, not c_v).
const SOAK_SHARE: f64 = 0.6;

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

    fn checked_rig(&self) -> Result<Rig, String> {
        let rig = RawRig { tau_s: Some(self.tau_s), tau_u_rel: self.tau_u_rel, ..self.rig };
        rig.validate().map_err(|errors| errors.to_string())
    }

    /// How long the samples take that the shortest window must hold.
    fn samples_s(&self, rig: &Rig) -> f64 {
        f64::from(rig.window_samples_min()) * f64::from(self.sample_period_ms) / 1e3
    }

    /// The recipe for a wait and a longest measuring time.
    fn raw_recipe(&self, rig: &Rig, wait_s: f64, most_s: f64) -> RawRecipe {
        let ms = |s: f64| (s * 1e3).ceil() as u32;
        // Whole half seconds read better.
        let neat = |s: f64| ms((s * 2.0).ceil() / 2.0);
        let target = self.target_pa;
        let settle_ms = neat(wait_s * (1.0 - SOAK_SHARE));
        let base = RawRecipe { actuation: self.actuation, ..RawRecipe::DEMO };
        let least_s = (most_s / 10.0).max(self.samples_s(rig)).max(1.0).max(self.least_s).min(most_s);
        let waiting_s = f64::from(base.stroke_time_ms + base.vent_ms_max + settle_ms) / 1e3;
        let before_pa = 2.0 * self.limit.pa_m3_s() / self.rig.far_volume_m3 * waiting_s;
        // A valve at the limit must still be in the band when it is measured.
        let band = (target / 30).max(2_000).max((1.05 * before_pa).ceil() as u32);
        RawRecipe {
            model: Model::LineAndTransient,
            target_pa: target,
            target_tolerance_pa: band,
            // Relief: at most a tenth above the test (ASME B31.3-2016 345.5.2, seen in its own text).
            pressure_max_pa: (target + target / 10).max(target + band + 1_000),
            // A thousand readings lie within 7 σ of each other; with room to spare.
            zero_peak_to_peak_max_pa: base.zero_peak_to_peak_max_pa.max((12.0 * self.noise_pa) as u32).min(20_000),
            soak_ms: neat(wait_s * SOAK_SHARE * GAMMA),
            settle_ms,
            jump_max_pa: base
                .jump_max_pa
                .max((12.0 * self.noise_pa) as u32)
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

    fn predict(&self, rig: &Rig, recipe: &Recipe, wait_s: f64, seconds: f64, share: f64) -> Prediction {
        let step = rig.raw().far.pa_per_count;
        let samples = (seconds * 1e3 / f64::from(self.sample_period_ms)).max(4.0) as u32;
        let window = Window {
            seconds,
            samples,
            noise_counts: self.noise_pa / step,
            curve: Curve::Transient { tau_s: self.tau_s },
            transient_counts: self.transient_pa() * (-wait_s / self.tau_s).exp() / step,
            tau_u_rel: self.tau_u_rel,
        };
        window.predict(rig, recipe, self.absolute_pa(), LeakRate::from_pa_m3_s(share * self.limit.pa_m3_s()))
    }

    /// How close a window comes to giving both valves their verdicts: the distance there is over the distance needed.
    fn reach(&self, rig: &Rig, recipe: &Recipe, wait_s: f64, seconds: f64) -> f64 {
        use seathold_sequencer::measure::{normal_quantile, student_quantile};
        let z_power = normal_quantile(self.power);
        let schedule = recipe.schedule();
        let of = |share: f64, z: f64| {
            let p = self.predict(rig, recipe, wait_s, seconds, share);
            let needed = student_quantile(z, p.budget.dof) * p.budget.guard + z_power * p.budget.combined;
            (1.0 - share).abs() * self.limit.pa_m3_s() / needed
        };
        of(self.good, schedule.z_accept()).min(of(self.bad, schedule.z_reject()))
    }

    /// Waits worth trying, in seconds: from where no more of the transient is left than the noise of one reading. Real
    /// gas follows no single exponential, and what is left then cannot show as curvature.
    fn waits(&self) -> impl Iterator<Item = f64> {
        let quiet = self.noise_pa.max(self.rig.far.pa_per_count);
        let least = (self.transient_pa() / quiet).ln().clamp(3.0, WAIT_MAX);
        let tau_s = self.tau_s;
        (0..).map(move |i| least + 0.5 * f64::from(i)).take_while(|w| *w <= WAIT_MAX).map(move |w| w * tau_s)
    }

    /// The best wait for a longest measuring time: reach, wait, recipe.
    fn best_wait(&self, rig: &Rig, most_s: f64) -> Result<(f64, f64, Recipe), String> {
        let mut best: Option<(f64, f64, Recipe)> = None;
        for wait_s in self.waits() {
            let recipe = self.raw_recipe(rig, wait_s, most_s).validate(rig).map_err(|errors| errors.to_string())?;
            let reach = self.reach(rig, &recipe, wait_s, most_s);
            if best.as_ref().is_none_or(|(r, ..)| reach > *r) {
                best = Some((reach, wait_s, recipe));
            }
        }
        best.ok_or_else(|| "no waiting time to try".into())
    }

    /// Plans.
    ///
    /// # Errors
    /// When rig and requirements do not fit together: what, in the words of the rig's or the recipe's own checks.
    pub fn plan(&self) -> Result<PlanOutcome, String> {
        let rig = self.checked_rig()?;
        let mut best: Option<(f64, f64, Recipe)> = None;
        for wait_s in self.waits() {
            let mut seconds = self.samples_s(&rig).max(1.0).max(self.least_s);
            while seconds <= self.longest_s {
                if best.as_ref().is_some_and(|(cost, ..)| wait_s + seconds >= *cost) {
                    break;
                }
                let recipe =
                    self.raw_recipe(&rig, wait_s, seconds).validate(&rig).map_err(|errors| errors.to_string())?;
                if self.reach(&rig, &recipe, wait_s, seconds) >= 1.0 {
                    let spare = (SPARE * seconds).min(3_600.0);
                    let recipe =
                        self.raw_recipe(&rig, wait_s, spare).validate(&rig).map_err(|errors| errors.to_string())?;
                    best = Some((wait_s + seconds, wait_s, recipe));
                    break;
                }
                seconds *= 1.08;
            }
        }
        match best {
            Some((_, wait_s, recipe)) => Ok(PlanOutcome::Can(Box::new(self.finish(&rig, &recipe, wait_s)))),
            None => self.cannot(&rig),
        }
    }

    fn finish(&self, rig: &Rig, recipe: &Recipe, wait_s: f64) -> Plan {
        let raw = *recipe.raw();
        let most_s = f64::from(raw.measure_ms_max) / 1e3;
        let schedule = recipe.schedule();
        let at = |seconds: f64, share: f64| {
            let p = self.predict(rig, recipe, wait_s, seconds, share);
            (p, p.outcome_probabilities(self.limit, schedule))
        };
        let mut due = schedule.first();
        let mut usual_s = most_s;
        for _ in 0..schedule.looks() {
            let seconds = due.as_ticks() as f64 / 1e6;
            if at(seconds, self.good).1.tight >= 0.5 {
                usual_s = seconds;
                break;
            }
            due = schedule.next(due);
        }
        Plan {
            recipe: raw,
            transient_pa: self.transient_pa() * (-wait_s / self.tau_s).exp(),
            usual_s,
            good: at(most_s, self.good),
            limit: at(most_s, 1.0),
            bad: at(most_s, self.bad),
        }
    }

    fn cannot(&self, rig: &Rig) -> Result<PlanOutcome, String> {
        let (reach, wait_s, recipe) = self.best_wait(rig, self.longest_s)?;
        let best = Box::new(self.predict(rig, &recipe, wait_s, self.longest_s, self.good));
        let mut levers: Vec<Improvement> = self
            .changed()
            .into_iter()
            .filter_map(|(what, to, goal)| {
                let rig = goal.checked_rig().ok()?;
                let (reach, ..) = goal.best_wait(&rig, goal.longest_s).ok()?;
                Some(Improvement { what, to, reach })
            })
            .filter(|lever| lever.reach > 1.005 * reach)
            .collect();
        levers.sort_by(|a, b| b.reach.total_cmp(&a.reach));
        Ok(PlanOutcome::Cannot { reach, levers, best })
    }

    /// What may be changed, each by about as much as can be had.
    fn changed(&self) -> Vec<(&'static str, &'static str, Self)> {
        let rig = self.rig;
        let with = |rig: RawRig| Self { rig, ..*self };
        let finer = Transducer {
            pa_per_count: rig.far.pa_per_count / 4.0,
            zero_counts: rig.far.zero_counts.saturating_mul(4),
            counts_min: rig.far.counts_min.saturating_mul(4),
            counts_max: rig.far.counts_max.saturating_mul(4),
        };
        vec![
            ("noise of the transducer", "to a half", Self { noise_pa: self.noise_pa / 2.0, ..*self }),
            ("step of the transducer", "to a quarter", with(RawRig { far: finer, ..rig })),
            ("far volume", "to a half", with(RawRig { far_volume_m3: rig.far_volume_m3 / 2.0, ..rig })),
            (
                "longest measuring time",
                "four times as long",
                Self { longest_s: (4.0 * self.longest_s).min(3_600.0), ..*self },
            ),
            (
                "uncertainty of the volume",
                "to a quarter",
                with(RawRig { far_volume_u_rel: rig.far_volume_u_rel / 4.0, ..rig }),
            ),
            (
                "uncertainty of the sensor gain",
                "to a quarter",
                with(RawRig { gain_u_rel: rig.gain_u_rel / 4.0, ..rig }),
            ),
            (
                "drift of the gas temperature",
                "to a quarter",
                with(RawRig { temperature_drift_u_k_s: rig.temperature_drift_u_k_s / 4.0, ..rig }),
            ),
            (
                "uncertainty of the background leak",
                "to a quarter",
                with(RawRig { background_u_pa_m3_s: rig.background_u_pa_m3_s / 4.0, ..rig }),
            ),
        ]
    }
}

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
