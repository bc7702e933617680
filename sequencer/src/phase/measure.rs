//! Measure: the trapped pressure is recorded until a verdict is possible at the stated risk, or time is up.
//!
//! Only an unbroken window of good samples counts. A gap, a repeat, an implausible reading or a jump restarts it; too
//! many, and the side is void. Gross fall or rise ends it as in settle.

use super::{End, Next, View, emit};
use crate::event::{Disturbance, Event, Events};
use crate::gas_temperature::GasTemperature;
use crate::limits::{BLOCKS, BLOCKS_PER_MS, BLOCKS_PER_POLL_MAX, CURVATURE_RESTARTS_MAX, CURVES_MAX, RESTARTS_MAX};
use crate::measure::{
    BISECTIONS_MAX, BlockedTrace, Compensation, Conditions, Decision, Fit, IntervalSolver, LeakEstimate, StepDetector,
    decide,
};
use crate::output::Outputs;
use crate::recipe::Recipe;
use crate::rig::Rig;
use crate::time::{Duration, before, millis, since};
use crate::units::Temperature;
use crate::verdict::{Reason, Verdict};

pub(crate) const OUTPUTS: Outputs = Outputs::REST;

/// Polls the last look may take after the maximum time, at the fewest blocks per poll: two passes over the blocks,
/// every curve twice, some single stages, and all that a second time should the trace be halved meanwhile; then three
/// quantiles of the estimate's distribution.
const POLLS_TO_CLOSE: u64 =
    2 * (2 * (BLOCKS as u64 / BLOCKS_PER_MS as u64 + 3) + 2 * CURVES_MAX as u64 + 6) + 3 * (BISECTIONS_MAX as u64 + 2);

/// A curvature of this many standard errors is not noise. So many that slow drift of the transducer, which also curves
/// a window, seldom reaches it: that is covered by the uncertainty.
const CURVATURE_SIGMAS: f64 = 8.0;

/// The fall of pressure that counts as a gross leak rather than as out of range must correspond to at least this many
/// limits (our judgement, no source: far beyond any uncertainty of volume or temperature).
const GROSS_LIMITS: f64 = 2.0;

pub(crate) fn limit(recipe: &Recipe, rig: &Rig) -> Duration {
    let fit = POLLS_TO_CLOSE * rig.stall_max().as_ticks();
    Duration::from_ticks(millis(recipe.raw().measure_ms_max).as_ticks() + fit)
}

/// A look at the window, in progress.
#[derive(Clone, Debug)]
#[expect(clippy::large_enum_variant, reason = "there is one, in static memory, and no heap")]
enum Look {
    /// None.
    None,
    /// The curve is being fitted.
    Fitting(Fit),
    /// Its coverage interval is being computed.
    Interval(IntervalSolver),
}

#[derive(Clone, Debug)]
pub(crate) struct Measure {
    trace: BlockedTrace,
    step_detector: StepDetector,
    look: Look,
    /// Time since the phase began at which the next look is due.
    due: Duration,
    restarts: u8,
    /// Time is up: no more samples, one last fit.
    closing: bool,
    curvature_restarts: u8,
    /// A sample of the window lay outside the target band.
    left_band: bool,
    estimate: Option<LeakEstimate>,
}

impl Measure {
    pub(crate) const fn new(first_look: Duration) -> Self {
        Self {
            trace: BlockedTrace::new(),
            step_detector: StepDetector::NEW,
            look: Look::None,
            due: first_look,
            restarts: 0,
            closing: false,
            curvature_restarts: 0,
            left_band: false,
            estimate: None,
        }
    }

    /// Resets it in place.
    pub(crate) fn begin(&mut self, first_look: Duration) {
        self.forget_window();
        self.due = first_look;
        self.restarts = 0;
        self.closing = false;
        self.curvature_restarts = 0;
        self.estimate = None;
    }

    fn forget_window(&mut self) {
        self.trace.clear();
        self.step_detector = StepDetector::NEW;
        self.look = Look::None;
        self.left_band = false;
    }

    #[inline(never)]
    pub(crate) fn poll(&mut self, view: &View<'_>, events: &mut Events) -> Next {
        if view.gross_fall.holds() {
            return self.fell(view);
        }
        if view.supply_full {
            return Next::End(self.end(Verdict::Void, Reason::SupplyNotEmpty));
        }
        if view.rose() {
            return Next::End(self.end(Verdict::Void, Reason::Rise));
        }
        if !self.closing && !self.add_sample(view, events) {
            return Next::End(self.end(Verdict::Void, Reason::Disturbed));
        }
        // A step repeated at the same moment must change nothing, so the fit advances with time.
        let elapsed_ms = view.elapsed.as_ticks() / 1_000;
        if view.elapsed.as_ticks() == 0 {
            return Next::Stay;
        }
        match &mut self.look {
            Look::None => self.begin_look(view),
            Look::Fitting(fit) => {
                let blocks = (elapsed_ms.clamp(1, 100) as usize * BLOCKS_PER_MS).min(BLOCKS_PER_POLL_MAX);
                if fit.advance(&self.trace, blocks) { self.fitted(view, events) } else { Next::Stay }
            }
            Look::Interval(solver) => match solver.advance() {
                None => Next::Stay,
                Some(estimate) => {
                    self.look = Look::None;
                    self.estimated(estimate, view, events)
                }
            },
        }
    }

    /// Adds this poll's sample; false when the window has been disturbed too often.
    #[inline(never)]
    fn add_sample(&mut self, view: &View<'_>, events: &mut Events) -> bool {
        let gas_counts = match view.gas_temperature {
            GasTemperature::NotFitted => Some(0),
            GasTemperature::Counts(counts) => Some(counts),
            GasTemperature::Unknown => None,
            GasTemperature::Lost => {
                emit(events, Event::Restarted(Disturbance::Thermometer));
                return false;
            }
        };
        let jumped = view.far.change().is_some_and(|(pa, _)| pa.unsigned_abs() > view.recipe.raw().jump_max_pa);
        let disturbance = view.far.disturbance().or(jumped.then_some(Disturbance::Jump));
        let disturbance = disturbance.or(view.frozen.then_some(Disturbance::Frozen));
        let disturbance = disturbance.or(gas_counts.is_none().then_some(Disturbance::Thermometer));
        if let Some(disturbance) = disturbance
            && !self.restart(disturbance, events)
        {
            return false;
        }
        let (Some(good), Some(gas_counts), false) = (view.far.fresh(), gas_counts, view.frozen) else { return true };
        self.left_band |= !view.recipe.in_band(good.pressure);
        if self.step_detector.push(good.counts, &self.trace) && !self.restart(Disturbance::Step, events) {
            return false;
        }
        self.trace.push(good.at, good.counts, gas_counts);
        true
    }

    /// Restarts the window; false when that has happened too often.
    fn restart(&mut self, why: Disturbance, events: &mut Events) -> bool {
        if self.trace.count() == 0 {
            return true;
        }
        if self.restarts >= RESTARTS_MAX {
            return false;
        }
        emit(events, Event::Restarted(why));
        // Looks come at the same times whatever happens to the window, so that there are never more of them than the
        // risk is divided by.
        self.restarts += 1;
        self.forget_window();
        true
    }

    fn begin_look(&mut self, view: &View<'_>) -> Next {
        let recipe = view.recipe.raw();
        let window = Duration::from_ticks(self.trace.span_us().into());
        if view.spent >= millis(recipe.measure_ms_max) {
            self.closing = true;
            // From first sample to last a window is shorter than the elapsed time, by the waits at both ends: where
            // minimum and maximum time are equal, an undisturbed one must be accepted.
            let with_waits = window.as_ticks() + 2 * millis(recipe.sample_period_ms).as_ticks();
            if with_waits < millis(recipe.measure_ms_min).as_ticks() {
                return Next::End(self.end(Verdict::Void, Reason::Disturbed));
            }
            self.begin_fit(view);
        } else if view.spent >= self.due && self.due < millis(recipe.measure_ms_max) {
            self.due = view.recipe.schedule().next(self.due);
            if window >= millis(recipe.measure_ms_min) {
                self.begin_fit(view);
            }
        }
        Next::Stay
    }

    fn begin_fit(&mut self, view: &View<'_>) {
        let far = view.rig.raw().far;
        let compensation = view.rig.raw().thermometer.map(|thermometer| Compensation {
            first_absolute_counts: f64::from(self.trace.first_counts().saturating_sub(far.zero_counts))
                + view.rig.atmosphere().pascals() / far.pa_per_count,
            kelvin_at_zero: thermometer.kelvin_at_zero,
            kelvin_per_count: thermometer.kelvin_per_count,
        });
        // Settling began at the latest when the supply side was empty, which is when settle begins.
        let entered = before(view.now, view.spent);
        let measured = self.trace.began().map_or(Duration::from_ticks(0), |began| since(began, entered));
        let since_isolation_us = millis(view.recipe.raw().settle_ms).as_ticks() + measured.as_ticks();
        self.look = Look::Fitting(Fit::NONE);
        if let Look::Fitting(fit) = &mut self.look {
            fit.begin(*view.recipe.curves(), compensation, since_isolation_us as f64 / 1e6, &self.trace);
        }
    }

    // Not inlined, like the other rare steps of a look: their frames would be on the stack in every fit.
    #[inline(never)]
    fn fitted(&mut self, view: &View<'_>, events: &mut Events) -> Next {
        let estimate = if let Look::Fitting(fit) = &self.look { fit.estimate() } else { None };
        self.look = Look::None;
        let Some(estimate) = estimate else {
            // No fit yet; at the maximum time there will be none.
            return if self.closing {
                Next::End(self.end(Verdict::Undecided, Reason::MaximumTime))
            } else {
                Next::Stay
            };
        };
        let curved = estimate.curvature_z > CURVATURE_SIGMAS || estimate.curvature_z < -CURVATURE_SIGMAS;
        if curved && !self.closing && self.curvature_restarts < CURVATURE_RESTARTS_MAX {
            self.curvature_restarts += 1;
            let _ = self.restart(Disturbance::Curvature, events);
            return Next::Stay;
        }
        self.look = Look::Interval(IntervalSolver::new(&estimate, &self.conditions(view)));
        Next::Stay
    }

    #[inline(never)]
    fn estimated(&mut self, estimate: LeakEstimate, view: &View<'_>, events: &mut Events) -> Next {
        self.estimate = Some(estimate);
        let decision = decide(&estimate, view.recipe.limit(), view.recipe.schedule());
        let (verdict, reason) = match decision {
            // Tight at less than the test pressure is not tight. Leaking at less is leaking.
            Decision::Tight if self.left_band => (Verdict::Void, Reason::OutOfBand),
            Decision::Tight => (Verdict::Tight, Reason::Measured),
            Decision::Leaking => (Verdict::Leaking, Reason::Measured),
            Decision::Rising if self.closing => (Verdict::Void, Reason::Rise),
            Decision::Open if self.closing => (Verdict::Undecided, Reason::MaximumTime),
            Decision::Open | Decision::Rising => {
                emit(events, Event::InterimEstimate(estimate));
                return Next::Stay;
            }
        };
        Next::End(self.end(verdict, reason))
    }

    fn conditions<'a>(&self, view: &View<'a>) -> Conditions<'a> {
        let pressure = view.far.pressure().unwrap_or(view.recipe.target());
        Conditions {
            rig: view.rig,
            recipe: view.recipe,
            gas: self.gas_temperature(view),
            pressure_pa: pressure.to_absolute(view.rig.atmosphere()).pascals(),
            noise_counts: self.trace.noise_counts(),
        }
    }

    /// Mean of the thermometer over the window, or the recipe's value.
    fn gas_temperature(&self, view: &View<'_>) -> Temperature {
        match (view.rig.raw().thermometer, self.trace.thermometer_mean()) {
            (Some(thermometer), Some(counts)) => thermometer.temperature(counts),
            _ => view.recipe.gas_temperature(),
        }
    }

    /// A gross fall is a leak if it was fast enough to be one; a slow one only means that the window has left the range
    /// in which a leak is constant.
    fn fell(&self, view: &View<'_>) -> Next {
        let fast = match (view.fall_pa(), view.isolated) {
            (Some(fall), Some(isolated)) => {
                let seconds = view.since(isolated.at).as_ticks() as f64 / 1e6;
                let leak = f64::from(fall) * view.rig.far_volume().cubic_metres();
                leak > GROSS_LIMITS * view.recipe.limit().pa_m3_s() * seconds
            }
            _ => false,
        };
        if fast { view.fallen(Reason::GrossFall) } else { Next::End(self.end(Verdict::Void, Reason::OutOfBand)) }
    }

    const fn end(&self, verdict: Verdict, reason: Reason) -> End {
        End { verdict, reason, estimate: self.estimate }
    }
}
