//! Measure: the trapped pressure is recorded until a verdict is possible at the stated risk, or time is up.
//!
//! Only an unbroken window of good samples counts. A gap, a repeat, an implausible reading or a jump restarts it; too
//! many, and the side is void. Gross fall or rise ends it as in settle.

use super::{End, Next, View, emit};
use crate::event::{Disturbance, Event, Events};
use crate::gas_temperature::GasTemperature;
use crate::limits::{BLOCKS, BLOCKS_PER_MS, BLOCKS_PER_POLL_MAX, CURVATURE_RESTARTS_MAX, CURVES_MAX, RESTARTS_MAX};
use crate::measure::{
    BISECTIONS_MAX, BlockedTrace, Compensation, Conditions, Decision, Fit, IntervalSolver, LeakEstimate, Settling,
    StepDetector, decide,
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

/// Whether the curvature, in standard errors, is no noise.
fn curved(z: f64) -> bool {
    libm::fabs(z) > CURVATURE_SIGMAS
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
        if view.elapsed.as_ticks() == 0 {
            return Next::Stay;
        }
        match &mut self.look {
            Look::None => self.begin_look(view),
            Look::Fitting(fit) => {
                let elapsed_us = view.elapsed.as_ticks().min(100_000) as usize;
                let blocks = ((elapsed_us / 1_000).max(1) * BLOCKS_PER_MS).min(BLOCKS_PER_POLL_MAX);
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
        let frozen = view.flicker.is_some() && view.far.is_frozen();
        let disturbance = disturbance.or(frozen.then_some(Disturbance::Frozen));
        let disturbance = disturbance.or(gas_counts.is_none().then_some(Disturbance::Thermometer));
        if let Some(disturbance) = disturbance
            && !self.restart(disturbance, events)
        {
            return false;
        }
        let (Some(good), Some(gas_counts), false) = (view.far.fresh(), gas_counts, frozen) else { return true };
        self.left_band |= !view.recipe.in_band(good.pressure);
        let per_mean = StepDetector::samples_per_mean(view.recipe.sample_period());
        if self.step_detector.push(good.counts, per_mean, &self.trace) && !self.restart(Disturbance::Step, events) {
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
        } else if view.spent >= self.due && window >= view.recipe.schedule().first() {
            // From now, not from when it was due: after a window that began anew the looks would else follow each other at once,
            // and be more than the risk is divided by.
            self.due = view.recipe.schedule().next(view.spent);
            self.begin_fit(view);
        }
        Next::Stay
    }

    fn begin_fit(&mut self, view: &View<'_>) {
        let (compensation, settling) = (self.compensation(view), self.settling(view));
        self.look = Look::Fitting(Fit::NONE);
        if let Look::Fitting(fit) = &mut self.look {
            fit.begin(*view.recipe.curves(), compensation, settling, &self.trace);
        }
    }

    fn compensation(&self, view: &View<'_>) -> Option<Compensation> {
        Compensation::of(view.rig, self.trace.first_counts())
    }

    fn settling(&self, view: &View<'_>) -> Settling {
        Settling::of(view.rig, view.recipe, self.trace.first_counts(), self.since_isolation_s(view))
    }

    /// Of the first sample, in seconds. Settling began at the latest when the supply side was empty, which is when
    /// settle begins.
    fn since_isolation_s(&self, view: &View<'_>) -> f64 {
        let entered = before(view.now, view.spent);
        let measured = self.trace.began().map_or(Duration::from_ticks(0), |began| since(began, entered));
        let since_isolation_us = millis(view.recipe.raw().settle_ms).as_ticks() + measured.as_ticks();
        since_isolation_us as f64 / 1e6
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
        // A channel that is stuck but for a flicker never gives many equal codes in a row.
        if view.flicker.is_some_and(|at_rest| self.trace.sticks(at_rest.get())) {
            let again = !self.closing && self.restart(Disturbance::Frozen, events);
            return if again { Next::Stay } else { Next::End(self.end(Verdict::Void, Reason::Disturbed)) };
        }
        if curved(estimate.curvature_z) && !self.closing && self.curvature_restarts < CURVATURE_RESTARTS_MAX {
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
        let atmosphere = view.rig.atmosphere();
        let mean = self.trace.mean_counts().map(|counts| view.rig.raw().far.pressure(counts));
        Conditions {
            rig: view.rig,
            recipe: view.recipe,
            gas: self.gas_temperature(view),
            pressure: mean.unwrap_or(view.recipe.target()).to_absolute(atmosphere),
            target: view.recipe.target().to_absolute(atmosphere),
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

    /// The last estimate of the side measured last, if there was one.
    pub(crate) const fn estimate(&self) -> Option<LeakEstimate> {
        self.estimate
    }

    const fn end(&self, verdict: Verdict, reason: Reason) -> End {
        End { verdict, reason, measured: self.estimate.is_some() }
    }
}

#[cfg(test)]
mod tests {
    use super::super::bench::{Bench, RIG, TRANSDUCER, at};
    use super::*;
    use crate::measure::{Budget, Curve};
    use crate::recipe::{Model, RawRecipe};
    use crate::rig::{RawRig, Thermometer, Transducer};
    use crate::units::{GaugePressure, LeakRate, PressureRate};

    /// A kelvin is a hundred counts.
    const WITH_THERMOMETER: RawRig =
        RawRig { thermometer: Some(Thermometer { kelvin_at_zero: 0.0, kelvin_per_count: 0.01 }), ..RIG };

    fn measure() -> Measure {
        Measure::new(millis(2_000))
    }

    /// Fills the window with a reading every 10 ms, in counts above 600 kPa by time in seconds.
    fn record(measure: &mut Measure, samples: u64, counts: impl Fn(f64) -> f64) {
        for i in 0..samples {
            let reading = TRANSDUCER.zero_counts + 600_000 + counts(i as f64 / 100.0) as i32;
            measure.trace.push(at(10_000 * i), reading, 0);
        }
    }

    /// Adds samples that only differ by what is given here, and returns the events.
    fn add(measure: &mut Measure, bench: &mut Bench, pascals: impl IntoIterator<Item = i32>) -> (bool, Events) {
        let (mut events, mut clean) = (Events::new(), true);
        for pa in pascals {
            let us = 10_000 * u64::from(bench.readings());
            clean &= measure.add_sample(&bench.read(us, pa, 0).view(us), &mut events);
        }
        (clean, events)
    }

    #[test]
    fn a_window_begins_as_if_there_had_been_none() {
        let mut measure = Measure {
            restarts: 3,
            closing: true,
            curvature_restarts: 1,
            left_band: true,
            estimate: Some(estimate(0.0, 1e-6)),
            look: Look::Fitting(Fit::NONE),
            ..measure()
        };
        record(&mut measure, 100, |_| 0.0);
        measure.begin(millis(700));
        assert_eq!((measure.trace.count(), measure.step_detector), (0, StepDetector::NEW));
        assert!(matches!(measure.look, Look::None));
        assert_eq!((measure.due, measure.restarts, measure.curvature_restarts), (millis(700), 0, 0));
        assert_eq!((measure.closing, measure.left_band, measure.estimate), (false, false, None));
    }

    /// By `RawRecipe::DEMO`, 600 Pa.
    #[test]
    fn a_jump_is_more_than_the_limit_between_two_samples() {
        for (pa, event) in [(600_600, None), (600_601, Some(Event::Restarted(Disturbance::Jump)))] {
            let (clean, events) = add(&mut measure(), &mut Bench::default(), [600_000, pa]);
            assert_eq!((clean, events.first()), (true, event.as_ref()), "{pa} Pa");
        }
    }

    #[test]
    fn a_step_too_small_for_a_jump_begins_the_window_anew() {
        let (mut measure, mut bench) = (measure(), Bench::default());
        let noisy = |level| (0..300).map(move |i| level + i % 3);
        assert!(add(&mut measure, &mut bench, noisy(600_000)).1.is_empty());
        let (clean, events) = add(&mut measure, &mut bench, noisy(600_300));
        assert_eq!(events.as_slice(), [Event::Restarted(Disturbance::Step)]);
        assert!(clean && measure.trace.count() < 160, "{}", measure.trace.count());
        // Once it has begun anew too often, that is the end of it.
        measure.restarts = RESTARTS_MAX;
        assert!(!add(&mut measure, &mut bench, noisy(600_300).chain(noisy(600_000))).0);
    }

    #[test]
    fn a_window_begins_anew_five_times() {
        let (mut measure, mut events) = (measure(), Events::new());
        for _ in 0..5 {
            record(&mut measure, 1, |_| 0.0);
            assert!(measure.restart(Disturbance::Jump, &mut events));
            // An empty one cannot be disturbed.
            assert!(measure.restart(Disturbance::Jump, &mut events));
        }
        record(&mut measure, 1, |_| 0.0);
        assert!(!measure.restart(Disturbance::Jump, &mut events));
        assert_eq!(events.len(), 5);
    }

    /// 2 s, and an eighth more each time; with too short a window it waits.
    #[test]
    fn a_look_is_made_when_it_is_due_and_once() {
        let recipe = RawRecipe { measure_ms_min: 2_000, model: Model::Line, ..RawRecipe::DEMO };
        for (us, window, looks, due) in [
            (1_999_999, 2_000_000, false, 2_000),
            (2_000_000, 1_999_999, false, 2_000),
            (2_000_000, 2_000_000, true, 2_250),
            (4_000_000, 2_000_000, true, 4_500),
        ] {
            let (mut measure, bench) = (measure(), Bench::on(&RIG, &recipe));
            measure.trace.push(at(0), 0, 0);
            measure.trace.push(at(window), 0, 0);
            for looks in [looks, false] {
                assert_eq!(measure.begin_look(&bench.view(us)), Next::Stay);
                assert_eq!(matches!(measure.look, Look::Fitting(_)), looks, "{us} µs, {window} µs");
                assert_eq!(measure.due, millis(due), "{us} µs, {window} µs");
                measure.look = Look::None;
            }
        }
    }

    /// However the window is disturbed, there are no more looks than the risk is divided by.
    #[test]
    fn never_more_looks_than_the_risk_is_divided_by() {
        let recipe = RawRecipe { measure_ms_min: 1_000, measure_ms_max: 60_000, ..RawRecipe::DEMO };
        let known = RawRig { tau_s: Some(2.0), ..RIG };
        for (rig, model) in [(RIG, Model::Line), (known, Model::LineAndTransient)] {
            for restart_every_s in [3, 7, 11, 29, 100] {
                let (mut measure, bench) = (measure(), Bench::on(&rig, &RawRecipe { model, ..recipe }));
                measure.begin(bench.view(0).recipe.schedule().first());
                let mut looks = 0;
                for tick in 0..=6_000_u64 {
                    if tick % (100 * restart_every_s) == 0 {
                        measure.trace.clear();
                    }
                    measure.trace.push(at(10_000 * tick), 0, 0);
                    let _ = measure.begin_look(&bench.view(10_000 * tick));
                    looks += u32::from(matches!(measure.look, Look::Fitting(_)));
                    measure.look = Look::None;
                }
                assert!(looks <= bench.view(0).recipe.schedule().looks(), "{looks} looks, {restart_every_s} s");
            }
        }
    }

    /// 2 s, at a sample every 10 ms.
    #[test]
    fn at_the_end_a_window_may_be_short_by_the_waits_at_both_ends() {
        let recipe = RawRecipe { measure_ms_min: 2_000, measure_ms_max: 2_000, ..RawRecipe::DEMO };
        for (us, accepted) in [(1_979_999, false), (1_980_000, true)] {
            let (mut measure, bench) = (measure(), Bench::on(&RIG, &recipe));
            measure.trace.push(at(0), 0, 0);
            measure.trace.push(at(us), 0, 0);
            let next = measure.begin_look(&bench.view(2_000_000));
            let disturbed = Next::End(End::without_estimate(Verdict::Void, Reason::Disturbed));
            assert_eq!(next, if accepted { Next::Stay } else { disturbed }, "{us} µs");
            assert_eq!(matches!(measure.look, Look::Fitting(_)), accepted, "{us} µs");
        }
    }

    /// Two counts a pascal, and the first reading 600 kPa: 1 200 000 counts, and as many again of the atmosphere.
    #[test]
    fn readings_are_compensated_as_absolute_pressures() {
        let far = Transducer { zero_counts: 200_000, pa_per_count: 0.5, counts_min: 0, counts_max: 2_200_000 };
        let bench = Bench::on(&RawRig { far, ..WITH_THERMOMETER }, &RawRecipe::DEMO);
        let mut measure = measure();
        measure.trace.push(at(0), 1_400_000, 29_315);
        let compensation = measure.compensation(&bench.view(0)).unwrap();
        assert!((compensation.first_absolute_counts - (1_200_000.0 + 202_650.0)).abs() < 1e-6, "{compensation:?}");
        assert!(measure.compensation(&Bench::default().view(0)).is_none());
    }

    /// 5 s of settling, 2 s of measuring before the first sample of the window.
    #[test]
    fn the_first_sample_is_timed_from_the_beginning_of_settling() {
        let (mut measure, bench) = (measure(), Bench::default());
        assert!((measure.since_isolation_s(&bench.view(3_000_000)) - 5.0).abs() < 1e-9);
        measure.trace.push(at(2_000_000), 0, 0);
        assert!((measure.since_isolation_s(&bench.view(3_000_000)) - 7.0).abs() < 1e-9);
    }

    #[test]
    fn the_gas_temperature_is_that_of_the_thermometer_where_there_is_one() {
        let mut measure = measure();
        let bench = Bench::on(&WITH_THERMOMETER, &RawRecipe::DEMO);
        assert!((measure.gas_temperature(&bench.view(0)).kelvin() - 293.15).abs() < 1e-9, "no sample yet");
        measure.trace.push(at(0), 0, 30_000);
        assert!((measure.gas_temperature(&bench.view(0)).kelvin() - 300.0).abs() < 1e-9);
        assert!((measure.gas_temperature(&Bench::default().view(0)).kelvin() - 293.15).abs() < 1e-9);
    }

    /// Polls of a look until its fit is done, at this time from poll to poll.
    fn polls_of_a_fit(elapsed: Duration) -> u64 {
        let (mut measure, mut bench, mut events) = (measure(), Bench::default(), Events::new());
        record(&mut measure, 3_000, |t| (t * 7.0).sin() * 3.0);
        bench.read(30_000_000, 600_000, 0);
        measure.closing = true;
        measure.begin_fit(&bench.view(30_000_000));
        for polls in 1..=POLLS_TO_CLOSE {
            assert_eq!(measure.poll(&View { elapsed, ..bench.view(30_000_000) }, &mut events), Next::Stay);
            if !matches!(measure.look, Look::Fitting(_)) {
                return polls;
            }
        }
        panic!("the fit is not done after {POLLS_TO_CLOSE} polls");
    }

    /// Two blocks a millisecond, and three in a poll at most.
    #[test]
    fn a_fit_takes_its_share_of_the_time_and_no_more() {
        let slow = polls_of_a_fit(millis(1));
        let fast = polls_of_a_fit(millis(2));
        assert!(slow > fast, "{slow} polls of 1 ms, {fast} of 2 ms");
        assert_eq!(polls_of_a_fit(Duration::from_ticks(100)), slow);
        assert_eq!(polls_of_a_fit(Duration::from_ticks(1_999)), slow);
        assert_eq!(polls_of_a_fit(millis(10)), fast);
        assert_eq!(polls_of_a_fit(millis(250)), fast);
    }

    #[test]
    fn a_curvature_beyond_eight_standard_errors_is_no_noise() {
        for (z, is) in [(0.0, false), (8.0, false), (8.001, true), (-8.0, false), (-8.001, true), (90.0, true)] {
            assert_eq!(curved(z), is, "{z}");
        }
    }

    /// A curvature that a line cannot explain begins the window anew twice, and never at the end of the time.
    #[test]
    fn a_curvature_begins_the_window_anew_twice_before_the_time_is_over() {
        let bench = Bench::on(&RIG, &RawRecipe { model: Model::Line, ..RawRecipe::DEMO });
        for (restarts, closing, anew) in [(0, false, true), (1, false, true), (2, false, false), (0, true, false)] {
            let mut measure = Measure { curvature_restarts: restarts, closing, ..measure() };
            record(&mut measure, 2_000, |t| (t - 10.0) * (t - 10.0) * 10.0 + (t * 1e3).sin() * 2.0);
            measure.begin_fit(&bench.view(20_000_000));
            if let Look::Fitting(fit) = &mut measure.look {
                while !fit.advance(&measure.trace, 3) {}
            }
            let mut events = Events::new();
            assert_eq!(measure.fitted(&bench.view(20_000_000), &mut events), Next::Stay);
            let case = (restarts, closing);
            if anew {
                assert_eq!(events.as_slice(), [Event::Restarted(Disturbance::Curvature)], "{case:?}");
                assert_eq!((measure.curvature_restarts, measure.trace.count()), (restarts + 1, 0), "{case:?}");
            } else {
                assert!(events.is_empty() && matches!(measure.look, Look::Interval(_)), "{case:?}: {events:?}");
            }
        }
    }

    /// A leak with its standard uncertainty, in Pa·m³/s.
    fn estimate(leak: f64, guard: f64) -> LeakEstimate {
        LeakEstimate {
            leak: LeakRate::from_pa_m3_s(leak),
            expanded: LeakRate::from_pa_m3_s(2.0 * guard),
            budget: Budget { guard, combined: guard, dof: 100.0, ..Budget::default() },
            slope: PressureRate::from_pascals_per_second(0.0),
            pressure: GaugePressure::from_pascals(600_000),
            curve: Curve::Line,
            window_ms: 20_000,
            samples: 2_000,
            autocorrelation_percent: 100,
        }
    }

    /// The limit is 7.5e-4 Pa·m³/s.
    #[test]
    fn an_estimate_that_decides_nothing_is_waited_on_until_the_time_is_over() {
        let void = |reason| Some((Verdict::Void, reason));
        for (leak, guard, left_band, closing, expected) in [
            (0.0, 1e-6, false, false, Some((Verdict::Tight, Reason::Measured))),
            (0.0, 1e-6, false, true, Some((Verdict::Tight, Reason::Measured))),
            (0.0, 1e-6, true, false, void(Reason::OutOfBand)),
            (1e-2, 1e-6, true, false, Some((Verdict::Leaking, Reason::Measured))),
            (7.5e-4, 1e-4, false, false, None),
            (7.5e-4, 1e-4, false, true, Some((Verdict::Undecided, Reason::MaximumTime))),
            (-1e-2, 1e-6, false, false, None),
            (-1e-2, 1e-6, false, true, void(Reason::Rise)),
        ] {
            let (mut measure, bench) = (Measure { left_band, closing, ..measure() }, Bench::default());
            let (estimate, mut events) = (estimate(leak, guard), Events::new());
            let next = measure.estimated(estimate, &bench.view(0), &mut events);
            let case = (leak, guard, left_band, closing);
            match expected {
                Some((verdict, reason)) => {
                    assert_eq!(next, Next::End(End { verdict, reason, measured: true }), "{case:?}");
                    assert_eq!(measure.estimate(), Some(estimate), "{case:?}");
                    assert!(events.is_empty(), "{case:?}");
                }
                None => {
                    assert_eq!(next, Next::Stay, "{case:?}");
                    assert_eq!(events.as_slice(), [Event::InterimEstimate(estimate)], "{case:?}");
                }
            }
        }
    }

    /// Volume and limit are powers of two, so that the bound is exact: twice the limit takes 32 Pa/s out of the volume,
    /// 256 kPa in 8 000 s.
    #[test]
    fn a_gross_fall_is_a_leak_where_it_is_faster_than_twice_the_limit() {
        let rig = RawRig { far_volume_m3: 1.0 / 16_384.0, ..RIG };
        let mut bench = Bench::on(&rig, &RawRecipe { limit_pa_m3_s: 1.0 / 1_024.0, ..RawRecipe::DEMO });
        let us = 8_000_000_000;
        for (fall, verdict, reason) in
            [(256_000, Verdict::Void, Reason::OutOfBand), (256_001, Verdict::Leaking, Reason::GrossFall)]
        {
            bench.read(us, 600_000 - fall, 0);
            let next = measure().fell(&bench.view(us));
            assert_eq!(next, Next::End(End::without_estimate(verdict, reason)), "{fall} Pa");
        }
    }
}
