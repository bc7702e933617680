//! Measure: the trapped pressure is watched until a verdict can be given at the stated risk, or time is up.
//!
//! Only an unbroken window of good samples counts. A hole, a repeat, a reading the transducer cannot give or a jump
//! begins it anew; too often, and the side is void. Gross fall or rise ends it as in settle.

use super::{End, Next, View, tell};
use crate::event::{Disturbance, Event, Events};
use crate::limits::{BENDS_MAX, BLOCKS, BLOCKS_PER_MS, BLOCKS_PER_POLL_MAX, CURVES_MAX, RESTARTS_MAX};
use crate::measure::{Compensation, Conditions, Decision, Figure, Fit, Folded, HALVINGS_MAX, Knock, Weighing, decide};
use crate::output::Outputs;
use crate::recipe::Recipe;
use crate::rig::Rig;
use crate::time::{Duration, before, millis, since};
use crate::units::Temperature;
use crate::verdict::{Ground, Verdict};
use crate::warmth::Warmth;

pub(crate) const OUTPUTS: Outputs = Outputs::REST;

/// Polls the last look may take after the maximum time, at the fewest blocks a poll: two passes over the blocks, every
/// curve twice, some single stages, and all that once over again should the trace have been folded under it; then three
/// distances of the figure's distribution.
const POLLS_TO_CLOSE: u64 =
    2 * (2 * (BLOCKS as u64 / BLOCKS_PER_MS as u64 + 3) + 2 * CURVES_MAX as u64 + 6) + 3 * (HALVINGS_MAX as u64 + 2);

/// A bend of this many standard errors is not noise. So many that a slow wander of the transducer, which bends a
/// window too, seldom reaches it: that is for the uncertainty to carry.
const BEND_SIGMAS: f64 = 8.0;

/// The fall of pressure that counts as a gross leak rather than as out of range must mean at least this many limits
/// (our judgement, no source: far from any doubt about volume or warmth).
const GROSS_LIMITS: f64 = 2.0;

pub(crate) fn limit(recipe: &Recipe, rig: &Rig) -> Duration {
    let fit = POLLS_TO_CLOSE * rig.stall_max().as_ticks();
    Duration::from_ticks(millis(recipe.raw().measure_ms_max).as_ticks() + fit)
}

/// A look at the window, in work.
#[derive(Clone, Debug)]
#[expect(clippy::large_enum_variant, reason = "there is one, in static memory, and no heap")]
enum Look {
    /// None.
    None,
    /// The curve is being fitted.
    Fitting(Fit),
    /// Its figure's doubt is being found.
    Weighing(Weighing),
}

#[derive(Clone, Debug)]
pub(crate) struct Measure {
    trace: Folded,
    knock: Knock,
    look: Look,
    /// Time since the phase began at which the next look is due.
    due: Duration,
    restarts: u8,
    /// Time is up: no more samples, one last fit.
    closing: bool,
    bends: u8,
    /// A sample of the window lay outside the target band.
    left_band: bool,
    figure: Option<Figure>,
}

impl Measure {
    pub(crate) const fn new(first_look: Duration) -> Self {
        Self {
            trace: Folded::new(),
            knock: Knock::NEW,
            look: Look::None,
            due: first_look,
            restarts: 0,
            closing: false,
            bends: 0,
            left_band: false,
            figure: None,
        }
    }

    /// Makes it as new, where it lies.
    pub(crate) fn begin(&mut self, first_look: Duration) {
        self.forget_window();
        self.due = first_look;
        self.restarts = 0;
        self.closing = false;
        self.bends = 0;
        self.figure = None;
    }

    fn forget_window(&mut self) {
        self.trace.clear();
        self.knock = Knock::NEW;
        self.look = Look::None;
        self.left_band = false;
    }

    #[inline(never)]
    pub(crate) fn poll(&mut self, view: &View<'_>, events: &mut Events) -> Next {
        if view.gross.holds() {
            return self.fell(view);
        }
        if view.supply_full {
            return Next::End(self.end(Verdict::Void, Ground::SupplyNotEmpty));
        }
        if view.rose() {
            return Next::End(self.end(Verdict::Void, Ground::Rise));
        }
        if !self.closing && !self.take(view, events) {
            return Next::End(self.end(Verdict::Void, Ground::Disturbed));
        }
        // A step repeated at the same moment must change nothing, so the fit moves with time.
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
            Look::Weighing(weighing) => match weighing.advance() {
                None => Next::Stay,
                Some(figure) => {
                    self.look = Look::None;
                    self.weighed(figure, view, events)
                }
            },
        }
    }

    /// Takes in this poll's sample; false when the window has been spoiled too often.
    #[inline(never)]
    fn take(&mut self, view: &View<'_>, events: &mut Events) -> bool {
        let gas_counts = match view.warmth {
            Warmth::NotFitted => Some(0),
            Warmth::Counts(counts) => Some(counts),
            Warmth::Unknown => None,
            Warmth::Lost => {
                tell(events, Event::Restarted(Disturbance::Thermometer));
                return false;
            }
        };
        let jumped = view.far.change().is_some_and(|(pa, _)| pa.unsigned_abs() > view.recipe.raw().jump_max_pa);
        let trouble = view.far.trouble().or(jumped.then_some(Disturbance::Jump));
        let trouble = trouble.or(view.frozen.then_some(Disturbance::Frozen));
        let trouble = trouble.or(gas_counts.is_none().then_some(Disturbance::Thermometer));
        if let Some(trouble) = trouble
            && !self.restart(trouble, events)
        {
            return false;
        }
        let (Some(good), Some(gas_counts), false) = (view.far.fresh(), gas_counts, view.frozen) else { return true };
        self.left_band |= !view.recipe.in_band(good.pressure);
        if self.knock.push(good.counts, &self.trace) && !self.restart(Disturbance::Knock, events) {
            return false;
        }
        self.trace.push(good.at, good.counts, gas_counts);
        true
    }

    /// Begins the window anew; false when that has happened too often.
    fn restart(&mut self, why: Disturbance, events: &mut Events) -> bool {
        if self.trace.count() == 0 {
            return true;
        }
        if self.restarts >= RESTARTS_MAX {
            return false;
        }
        tell(events, Event::Restarted(why));
        // Looks come at the same times whatever happens to the window, so that there are never more of them than the
        // risk was shared out to.
        self.restarts += 1;
        self.forget_window();
        true
    }

    fn begin_look(&mut self, view: &View<'_>) -> Next {
        let recipe = view.recipe.raw();
        let window = Duration::from_ticks(self.trace.span_us().into());
        if view.spent >= millis(recipe.measure_ms_max) {
            self.closing = true;
            // From first sample to last a window is shorter than the time it was watched, by the waits at both ends: where
            // shortest and longest time are the same, an undisturbed one must do.
            let watched = window.as_ticks() + 2 * millis(recipe.sample_ms).as_ticks();
            if watched < millis(recipe.measure_ms_min).as_ticks() {
                return Next::End(self.end(Verdict::Void, Ground::Disturbed));
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
        // What settles began to at the latest when the supply side was empty, which is when settle begins.
        let entered = before(view.now, view.spent);
        let measured = self.trace.began().map_or(Duration::from_ticks(0), |began| since(began, entered));
        let waited_us = millis(view.recipe.raw().settle_ms).as_ticks() + measured.as_ticks();
        self.look = Look::Fitting(Fit::NONE);
        if let Look::Fitting(fit) = &mut self.look {
            fit.begin(*view.recipe.curves(), compensation, waited_us as f64 / 1e6, &self.trace);
        }
    }

    // Not inlined, like the other rare steps of a look: their frames would lie under every fit.
    #[inline(never)]
    fn fitted(&mut self, view: &View<'_>, events: &mut Events) -> Next {
        let estimate = if let Look::Fitting(fit) = &self.look { fit.estimate() } else { None };
        self.look = Look::None;
        let Some(estimate) = estimate else {
            // Nothing could be fitted yet; at the end of time nothing ever will.
            return if self.closing {
                Next::End(self.end(Verdict::Undecided, Ground::MaximumTime))
            } else {
                Next::Stay
            };
        };
        let bent = estimate.bend > BEND_SIGMAS || estimate.bend < -BEND_SIGMAS;
        if bent && !self.closing && self.bends < BENDS_MAX {
            self.bends += 1;
            let _ = self.restart(Disturbance::Bend, events);
            return Next::Stay;
        }
        self.look = Look::Weighing(Weighing::new(&estimate, &self.conditions(view)));
        Next::Stay
    }

    #[inline(never)]
    fn weighed(&mut self, figure: Figure, view: &View<'_>, events: &mut Events) -> Next {
        self.figure = Some(figure);
        let decision = decide(&figure, view.recipe.limit(), view.recipe.schedule());
        let (verdict, ground) = match decision {
            // Tight at less than the test pressure is not tight. Leaking at less is leaking.
            Decision::Tight if self.left_band => (Verdict::Void, Ground::OutOfBand),
            Decision::Tight => (Verdict::Tight, Ground::Measured),
            Decision::Leaking => (Verdict::Leaking, Ground::Measured),
            Decision::Rising if self.closing => (Verdict::Void, Ground::Rise),
            Decision::Open if self.closing => (Verdict::Undecided, Ground::MaximumTime),
            Decision::Open | Decision::Rising => {
                tell(events, Event::Looked(figure));
                return Next::Stay;
            }
        };
        Next::End(self.end(verdict, ground))
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

    /// Mean of the thermometer over the window, or the recipe's own figure.
    fn gas_temperature(&self, view: &View<'_>) -> Temperature {
        match (view.rig.raw().thermometer, self.trace.thermometer_mean()) {
            (Some(thermometer), Some(counts)) => thermometer.temperature(counts),
            _ => view.recipe.gas_temperature(),
        }
    }

    /// A gross fall is a leak if it was fast enough to be one; slow, it only says that the window has
    /// left the range a constant leak may be read in.
    fn fell(&self, view: &View<'_>) -> Next {
        let fast = match (view.fall_pa(), view.isolated) {
            (Some(fall), Some(isolated)) => {
                let seconds = view.since(isolated.at).as_ticks() as f64 / 1e6;
                let leak = f64::from(fall) * view.rig.far_volume().cubic_metres();
                leak > GROSS_LIMITS * view.recipe.limit().pa_m3_s() * seconds
            }
            _ => false,
        };
        if fast { view.fallen(Ground::GrossFall) } else { Next::End(self.end(Verdict::Void, Ground::OutOfBand)) }
    }

    const fn end(&self, verdict: Verdict, ground: Ground) -> End {
        End { verdict, ground, figure: self.figure }
    }
}
