//! The sequencer: `(state, now, inputs) → (state, outputs, events)`. The only place where phases change.

use core::num::NonZeroU16;

use crate::channel::Channel;
use crate::dwell::Dwell;
use crate::event::{Disconnect, Event, Events, Fault, Phase, StartRefusal};
use crate::gas_temperature::ThermometerChannel;
use crate::input::{ChannelState, Command, Inputs, Prompt, Reading, Side, Sides};
use crate::interlock::{Interlock, InterlockInputs};
use crate::life::Life;
use crate::measure::diagnose;
use crate::output::{Coil, GasValve, Outputs};
use crate::persist::Persist;
use crate::phase::fill::{self, Fill};
use crate::phase::isolate::{self, Isolate};
use crate::phase::measure::{self, Measure};
use crate::phase::precheck::{self, Precheck};
use crate::phase::safe_vent::{self, SafeVent, VentView};
use crate::phase::start_up::{self, StartUp};
use crate::phase::vent::{self, Vent};
use crate::phase::{End, Isolated, Next, View, emit, gross_fall_pa, output_test, settle, soak};
use crate::recipe::{Actuation, Recipe};
use crate::rig::{Rig, Transducer};
use crate::time::{Duration, Instant, after, millis, since};
use crate::units::GaugePressure;
use crate::verdict::{Reason, SideResult, Verdict};

/// Expected time between samples where there is no recipe.
const PERIOD_UNKNOWN: Duration = millis(100);

/// Longest accepted step of the clock, 71 minutes: longer than any measurement, and so short that no number of them
/// within a lifetime fills the clock.
const LEAP_MAX: Duration = Duration::from_ticks(u32::MAX as u64);

/// Conversions that may arrive while a coarse clock does not advance, before it counts as broken.
const CLOCK_STOPPED_MAX: u8 = 20;

/// Latest start of the sequencer's own clock: the same range is left before it is full.
const START_MAX: u64 = 1 << 62;

/// Interval of reminders in a resting state that waits for a person.
const REMINDER: Duration = millis(60_000);

/// Result of a step.
#[derive(Clone, Debug)]
#[must_use = "outputs must be set every step"]
pub struct Step {
    /// To be set now, whatever is set at present.
    pub outputs: Outputs,
    /// Events, in order.
    pub events: Events,
    /// Time-out of the present phase; for displays.
    pub deadline: Option<Instant>,
}

/// State for a display.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Status {
    /// The present phase.
    pub phase: Phase,
    /// The side under test.
    pub side: Option<Side>,
    /// Far-side pressure with its health.
    pub far: ChannelState,
    /// Supply-side pressure with its health.
    pub supply: ChannelState,
    /// The open prompt, if any.
    pub prompt: Option<Prompt>,
    /// The latched fault, if any.
    pub fault: Option<Fault>,
    /// Whether a fitting may be loosened.
    pub disconnect: Disconnect,
    /// Time-out of the present phase.
    pub deadline: Option<Instant>,
}

/// A phase with its state.
#[derive(Clone, Debug)]
enum State {
    StartUp(StartUp),
    Ready,
    Precheck(Precheck),
    Fill(Fill),
    Soak,
    Isolate(Isolate),
    Vent(Vent),
    Settle,
    /// Its state is kept in [`Sequencer::measure`]: it is far larger than the rest.
    Measure,
    SafeVent(SafeVent),
    /// Whether the guard has been open.
    Swap(bool),
    Fault,
    Trapped,
    EmergencyStopped,
    OutputTest(Coil),
}

impl State {
    const fn phase(&self) -> Phase {
        match self {
            Self::StartUp(_) => Phase::StartUp,
            Self::Ready => Phase::Ready,
            Self::Precheck(_) => Phase::Precheck,
            Self::Fill(_) => Phase::Fill,
            Self::Soak => Phase::Soak,
            Self::Isolate(_) => Phase::Isolate,
            Self::Vent(_) => Phase::Vent,
            Self::Settle => Phase::Settle,
            Self::Measure => Phase::Measure,
            Self::SafeVent(_) => Phase::SafeVent,
            Self::Swap(_) => Phase::Swap,
            Self::Fault => Phase::Fault,
            Self::Trapped => Phase::Trapped,
            Self::EmergencyStopped => Phase::EmergencyStopped,
            Self::OutputTest(_) => Phase::OutputTest,
        }
    }
}

impl Phase {
    /// A phase of a test under way, from the precheck to the end of the measurement; or an output test.
    pub const fn is_live(self) -> bool {
        matches!(
            self,
            Self::Precheck
                | Self::Fill
                | Self::Soak
                | Self::Isolate
                | Self::Vent
                | Self::Settle
                | Self::Measure
                | Self::OutputTest
        )
    }

    /// A phase that waits at rest: only here may a fitting be loosened.
    pub const fn is_resting(self) -> bool {
        matches!(self, Self::Ready | Self::Swap | Self::Fault)
    }

    /// A phase in which supply may be open.
    const fn is_fed(self) -> bool {
        matches!(self, Self::Fill | Self::Soak | Self::Isolate | Self::OutputTest)
    }
}

/// How a side ended; its estimate, which is large, stays in the measurement until then.
#[derive(Clone, Copy, Debug)]
struct Ended {
    end: End,
    fall_pa: i32,
    after_ms: u32,
}

/// A run under way.
#[derive(Clone, Copy, Debug)]
struct Run {
    sides: Sides,
    side: Side,
    isolated: Option<Isolated>,
    /// Started, and waiting for the far side to be emptied first.
    opening: bool,
    /// Where the far transducer's last digits moved in the precheck, so that a frozen reading is detectable: by how much from
    /// reading to reading, on average ([`crate::limits::CHANGE_PARTS`]).
    flicker: Option<NonZeroU16>,
    /// How the side ended; becomes its result once the far side has been measured empty.
    pending: Option<Ended>,
    aborted: bool,
}

impl Run {
    const fn on(sides: Sides, side: Side) -> Self {
        Self { sides, side, isolated: None, opening: false, flicker: None, pending: None, aborted: false }
    }
}

/// The sequencer. One value lives through one power-up of a controller, or one run on a host.
#[derive(Clone, Debug)]
pub struct Sequencer {
    rig: Rig,
    recipe: Option<Recipe>,
    state: State,
    /// Phase of `state`: read many times a step.
    phase: Phase,
    measure: Measure,
    /// When the phase was entered, and when a reminder was last given.
    entered: Instant,
    reminded: Instant,
    /// Longest that the phase can last; maximum where there is no limit.
    phase_limit: Duration,
    /// The last step's time as given; `None` before the first.
    clock: Option<Instant>,
    /// The sequencer's own time: as given, but never going back. All stored times are of this clock, so that a clock
    /// that fails repeatedly cannot prolong a phase for ever.
    now: Instant,
    /// As `now`, but with only the time that has passed for certain where the clock was wrong: for what must last at least
    /// so long before anything moves, or is said to be empty. Time-outs are by `now`.
    sure: Instant,
    /// Time between the last two steps.
    elapsed: Duration,
    /// Consecutive conversions that arrived while the clock did not advance.
    clock_stopped_count: u8,
    far: Channel,
    supply: Option<Channel>,
    thermometer: ThermometerChannel,
    /// How long both sides have been measured empty without a break.
    empty_dwell: Dwell,
    /// What the far transducer has proved since air was last let in.
    life: Life,
    /// Air was let in, and the far side has not been measured empty since.
    fed: bool,
    /// Both sides were measured empty with the ball open into the vent, and nothing has been let in since; and whether
    /// the ball's cavity was emptied by a further stroke.
    emptied: Option<bool>,
    /// The operator has confirmed that the bleed is open and the gauge reads zero.
    bleed_confirmed: bool,
    /// Since when everything has been at rest, by `sure`.
    rested: Option<Instant>,
    /// The far side reads full, and has done so for long enough to be more than interference.
    full: Persist,
    /// At rest, pressure has come back on either side.
    pressure_returned: Persist,
    gross_fall: Persist,
    supply_full: Persist,
    sides_apart: Persist,
    interlock: Interlock,
    disconnect: Disconnect,
    prompt: Option<Prompt>,
    run: Option<Run>,
    results: [Option<SideResult>; 2],
    fault: Option<Fault>,
    acknowledged: bool,
}

impl Sequencer {
    /// After power-up, reset or a new recipe, or at the head of a recording. Assumes that the far side is pressurised,
    /// and that a hand may be in the ball: it first reads, at rest. Without a recipe it can do that, open the valve
    /// into the vent, and nothing else.
    pub fn new(rig: Rig, recipe: Option<Recipe>) -> Self {
        Self::resume(rig, recipe, false)
    }

    /// As [`Sequencer::new`], for a controller that was reset. Where an emergency stop was latched before
    /// ([`crate::io::Hardware::retain_stop`]), it still is: a reset releases no stop.
    pub fn resume(rig: Rig, recipe: Option<Recipe>, stopped: bool) -> Self {
        // Constructed in place: two copies would overflow a small part's stack.
        let (state, phase) = if stopped {
            (State::EmergencyStopped, Phase::EmergencyStopped)
        } else {
            (State::StartUp(StartUp::NEW), Phase::StartUp)
        };
        let period = recipe.as_ref().map_or(PERIOD_UNKNOWN, Recipe::sample_period);
        let channel = |transducer: Transducer| Channel::new(transducer, period);
        Self {
            rig,
            recipe,
            state,
            phase,
            measure: Measure::new(period),
            entered: Instant::from_ticks(0),
            reminded: Instant::from_ticks(0),
            phase_limit: Duration::MAX,
            clock: None,
            now: Instant::from_ticks(0),
            sure: Instant::from_ticks(0),
            elapsed: millis(0),
            clock_stopped_count: 0,
            far: channel(rig.raw().far),
            supply: rig.raw().supply.map(channel),
            thermometer: ThermometerChannel::NEW,
            empty_dwell: Dwell::NONE,
            life: Life::NONE,
            fed: false,
            emptied: None,
            bleed_confirmed: false,
            rested: None,
            full: Persist::NONE,
            pressure_returned: Persist::NONE,
            gross_fall: Persist::NONE,
            supply_full: Persist::NONE,
            sides_apart: Persist::NONE,
            interlock: Interlock::NEW,
            disconnect: Disconnect::Pressurised,
            prompt: None,
            run: None,
            results: [None; 2],
            fault: None,
            acknowledged: false,
        }
    }

    /// Whether an emergency stop is latched: to be retained over a reset.
    pub const fn stop_latched(&self) -> bool {
        matches!(self.phase, Phase::EmergencyStopped)
    }

    /// Whether a new recipe may take this sequencer's place ([`Sequencer::new`]): only where everything is at rest, as
    /// a new one assumes. With the guard open the pilot may still be fed: dropped, the ball would shut with a hand in
    /// it.
    pub fn takes_recipe(&self) -> bool {
        self.phase == Phase::Ready && self.interlock.last() == Outputs::REST
    }

    /// Whether both sides have been measured empty for the dwell without a break. A ball that is shut may hold pressure in its
    /// cavity all the same.
    #[cfg(feature = "rig-memory")]
    pub(crate) fn is_measured_empty(&self) -> bool {
        self.empty_dwell.lasted(self.rig.safe_dwell())
    }

    /// One step. Bounded work, no waiting. `now` must not go back: if it does, that is a clock fault. A call that is
    /// early, or repeated with nothing new, changes nothing but what the last step had left to do: a phase that follows
    /// another at once is entered by the next step.
    pub fn step(&mut self, now: Instant, inputs: &Inputs) -> Step {
        let mut events = Events::new();
        let outputs = self.step_into(now, inputs, &mut events);
        Step { outputs, events, deadline: self.deadline() }
    }

    /// As [`Sequencer::step`], with its events written over a list of the caller's. That list is far larger than the
    /// rest of a step's result, and most steps have no event: a controller keeps one, and copies none.
    #[must_use = "outputs must be set every step"]
    pub fn step_into(&mut self, now: Instant, inputs: &Inputs, events: &mut Events) -> Outputs {
        events.clear();
        let time_fault = self.pass_time(now, inputs.far, events);
        let now = self.now;
        self.update_channels(inputs);

        if inputs.contacts.stop {
            self.stop(now, events);
        } else if let Some(fault) = time_fault.or_else(|| self.check_faults(inputs)) {
            self.fail(fault, now, events);
        } else if !self.handle_command(now, inputs, events) {
            self.poll(now, inputs, events);
        }
        self.remind(now, events);
        let outputs = self.set_outputs(inputs);
        self.update_disconnect(inputs, events);
        outputs
    }

    /// Takes in the readings, and updates what depends on them in every phase.
    #[inline(never)]
    fn update_channels(&mut self, inputs: &Inputs) {
        let now = self.now;
        self.far.update(now, inputs.far);
        if let Some(supply) = &mut self.supply {
            supply.update(now, inputs.supply);
        }
        if self.rig.raw().thermometer.is_some() {
            self.thermometer.update(self.elapsed, inputs.thermometer);
        }
        let safe = self.rig.safe_limit();
        self.empty_dwell.watch_empty(&self.far, self.supply.as_ref(), safe, self.sure);
        let target = self.recipe.as_ref().map_or(self.rig.hard_max(), Recipe::target);
        self.life.watch(&self.far, safe, target, self.interlock.last().supply == GasValve::Open, now);
        if self.far.fresh().is_some() {
            self.full.note(self.far.reads_full(safe), now);
            self.pressure_returned.note(self.phase.is_resting() && !self.empty_dwell.is_begun(), now);
        } else if self.far.pressure().is_none() {
            self.full = Persist::NONE;
        }
        if self.pressure_returned.holds() {
            // It may have entered the cavity, too: only another stroke empties that.
            self.emptied = None;
        }
        let (Some(run), Some(recipe)) = (&self.run, &self.recipe) else { return };
        if let (Some(isolated), Some(good)) = (run.isolated, self.far.fresh()) {
            let fall = isolated.pressure.above(good.pressure);
            self.gross_fall.note(fall > gross_fall_pa(isolated, &self.rig), now);
        }
        if let Some(good) = self.supply.as_ref().and_then(Channel::fresh) {
            let vented = i64::from(good.pressure.pascals()) < i64::from(recipe.raw().vent_below_pa);
            let monitored = matches!(self.phase, Phase::Settle | Phase::Measure);
            self.supply_full.note(monitored && !vented, now);
            let difference = self.far.pressure().map_or(0, |far| far.above(good.pressure).unsigned_abs());
            self.sides_apart.note(self.phase == Phase::Soak && difference > recipe.raw().target_tolerance_pa, now);
        }
    }

    /// Sets the outputs of the phase, as far as the interlock allows, and the state that follows.
    fn set_outputs(&mut self, inputs: &Inputs) -> Outputs {
        let over = self.over();
        let conditions = InterlockInputs {
            now: self.sure,
            stop: inputs.contacts.stop,
            guard_open: self.guard_open(inputs),
            may_feed: self.far.pressure().is_some() && over.is_none(),
            over: over.is_some(),
            far_full: self.full.holds(),
            changeover: self.rig.changeover(),
        };
        let fed_before = self.interlock.last().supply == GasValve::Open;
        let outputs = self.interlock.allow(self.outputs_wanted(), &conditions);
        if outputs.supply == GasValve::Open {
            if !fed_before {
                self.life.begin();
            }
            self.fed = true;
            self.emptied = None;
        }
        if outputs == Outputs::REST {
            self.rested.get_or_insert(self.sure);
        } else {
            self.rested = None;
        }
        if self.phase != Phase::SafeVent && !self.has_rested() && !self.empty_dwell.is_begun() {
            // The ball may be moving, and there may be pressure: its cavity may fill, and no later reading shows that.
            self.emptied = None;
        }
        outputs
    }

    fn guard_open(&self, inputs: &Inputs) -> bool {
        self.rig.raw().guard_fitted && !inputs.contacts.guard_closed
    }

    /// The present phase.
    pub const fn phase(&self) -> Phase {
        self.phase
    }

    /// Converts a time of the sequencer's own clock to the given clock.
    fn given(&self, at: Instant) -> Instant {
        after(self.clock.unwrap_or(at), since(at, self.now))
    }

    /// State for a display, as of the last step.
    pub fn status(&self) -> Status {
        Status {
            phase: self.phase(),
            side: self.side(),
            far: self.far.state(),
            supply: self.supply.as_ref().map_or(ChannelState::Unknown, |s| s.state()),
            prompt: self.prompt,
            fault: self.fault,
            disconnect: self.disconnect,
            deadline: self.deadline(),
        }
    }

    /// One side's result, once given.
    pub const fn result(&self, side: Side) -> Option<&SideResult> {
        let [first, second] = &self.results;
        match side {
            Side::First => first.as_ref(),
            Side::Second => second.as_ref(),
        }
    }

    /// The rig.
    pub const fn rig(&self) -> &Rig {
        &self.rig
    }

    /// The recipe loaded.
    pub const fn recipe(&self) -> Option<&Recipe> {
        self.recipe.as_ref()
    }

    /// Longest the present phase can last, whatever happens; `None` for the states that wait at rest for a person
    /// (they feed nothing, and some remind).
    pub fn limit(&self) -> Option<Duration> {
        let span = self.span()?;
        // In a phase of several stages each may end up to a poll late.
        Some(Duration::from_ticks(span.as_ticks() + 4 * self.rig.stall_max().as_ticks()))
    }

    /// Time allowed for the present phase.
    #[inline(never)]
    fn span(&self) -> Option<Duration> {
        Some(match (&self.state, &self.recipe) {
            (State::StartUp(_), _) => start_up::limit(&self.rig),
            (State::SafeVent(_), recipe) => safe_vent::limit(&self.rig, recipe.as_ref()),
            (State::OutputTest(_), _) => output_test::limit(&self.rig),
            (State::Precheck(_), Some(r)) => precheck::limit(r),
            (State::Fill(_), Some(r)) => fill::limit(r, &self.rig),
            (State::Soak, Some(r)) => soak::limit(r),
            (State::Isolate(_), Some(r)) => isolate::limit(r),
            (State::Vent(_), Some(r)) => vent::limit(r, &self.rig),
            (State::Settle, Some(r)) => settle::limit(r),
            (State::Measure, Some(r)) => measure::limit(r, &self.rig),
            (State::Swap(_), Some(r)) => millis(r.raw().swap_ms_max),
            _ => return None,
        })
    }

    fn side(&self) -> Option<Side> {
        self.run.as_ref().map(|run| run.side)
    }

    /// Expected end of the present phase.
    fn deadline(&self) -> Option<Instant> {
        let span = match (&self.state, &self.recipe) {
            (State::Precheck(_), Some(r)) => millis(r.raw().zero_ms),
            (State::Measure, Some(r)) => millis(r.raw().measure_ms_max),
            _ => self.span()?,
        };
        Some(self.given(after(self.entered, span)))
    }

    /// Pressure above which supply is shut, on either side: in an output test, no air at all.
    fn max(&self) -> GaugePressure {
        let hard = if let State::OutputTest(_) = self.state { self.rig.safe_limit() } else { self.rig.hard_max() };
        self.recipe.as_ref().map_or(hard, |r| r.max().min(hard))
    }

    /// The side above the maximum, as a fault.
    #[inline(never)]
    fn over(&self) -> Option<Fault> {
        let max = self.max();
        let above = |channel: &Channel| channel.pressure().is_some_and(|p| p > max);
        if above(&self.far) {
            Some(Fault::OverPressure)
        } else if self.supply.as_ref().is_some_and(above) {
            Some(Fault::SupplyOverPressure)
        } else {
            None
        }
    }

    /// Advances the time; a clock that went back or a gap between polls voids the dwell.
    fn pass_time(&mut self, now: Instant, far: Reading, events: &mut Events) -> Option<Fault> {
        let Some(last) = self.clock.replace(now) else {
            self.now = Instant::from_ticks(now.as_ticks().min(START_MAX));
            self.sure = self.now;
            if self.stop_latched() {
                self.latch(Fault::EmergencyStop, events);
                self.enter(State::EmergencyStopped, self.now, events);
            } else {
                self.enter(State::StartUp(StartUp::NEW), self.now, events);
            }
            return None;
        };
        self.elapsed = since(now, last);
        let back = now < last;
        let stalled = self.elapsed > self.rig.stall_max();
        // A clock that does not advance while conversions continue is broken: they are counted instead.
        let stands = self.elapsed.as_ticks() == 0;
        let counted = stands && self.far.is_new(far);
        if !stands {
            self.clock_stopped_count = 0;
        }
        self.clock_stopped_count = self.clock_stopped_count.saturating_add(counted.into());
        let passed = if back {
            // The true time since a clock that went back was last right is unknown: assume enough to count.
            self.rig.stall_max()
        } else if counted {
            self.far.period()
        } else {
            self.elapsed.min(LEAP_MAX)
        };
        // Of that, what has passed for certain: the conversions, but for the first, which may have begun while the clock
        // was right. Without a recipe it is not known how long one takes.
        let sure = if !stands {
            passed
        } else if counted && self.clock_stopped_count > 1 && self.recipe.is_some() {
            self.far.period()
        } else {
            millis(0)
        };
        self.now = after(self.now, passed);
        self.sure = after(self.sure, sure);
        let back = back || self.clock_stopped_count >= CLOCK_STOPPED_MAX;
        if !back && !stalled {
            return None;
        }
        self.empty_dwell = Dwell::NONE;
        if back {
            // The last readings have no valid time.
            self.far.forget();
            if let Some(supply) = &mut self.supply {
                supply.forget();
            }
        }
        match &mut self.state {
            State::SafeVent(vent) => vent.restart_dwell(),
            State::StartUp(look) => look.restart_dwell(),
            _ => {}
        }
        self.phase().is_live().then_some(if back { Fault::Clock } else { Fault::Stalled })
    }

    /// The fault to raise, for a test under way. In safe vent only a guard opened too early or an output that does not
    /// follow, and only once: no further action is possible, but no side may be judged.
    fn check_faults(&self, inputs: &Inputs) -> Option<Fault> {
        let phase = self.phase();
        let guard_open = self.guard_open(inputs);
        if !phase.is_live() {
            let empty = self.far.reads_empty(self.rig.safe_limit());
            // A run that is still opening has nothing to judge yet, and has not been fed.
            let judging = phase == Phase::SafeVent && self.run.as_ref().is_some_and(|run| !run.opening);
            let emptying = judging && !empty;
            return match self.fault {
                None if guard_open && emptying => Some(Fault::GuardOpen),
                None if inputs.readback_mismatch && judging => Some(Fault::Output),
                _ => None,
            };
        }
        if let Some(fault) = self.over() {
            return Some(fault);
        }
        if guard_open {
            return Some(Fault::GuardOpen);
        }
        if inputs.readback_mismatch {
            return Some(Fault::Output);
        }
        // While air is let in, no loss of the reading is tolerated.
        if self.far.timed_out() || (phase.is_fed() && self.far.pressure().is_none()) {
            return Some(Fault::FarSensor);
        }
        if self.supply.as_ref().is_some_and(|s| s.timed_out()) {
            return Some(Fault::SupplySensor);
        }
        if phase.is_fed() && self.slews() {
            return Some(Fault::Slew);
        }
        if (self.prompt.is_some() || phase == Phase::OutputTest) && !inputs.link_up {
            return Some(Fault::LinkLost);
        }
        None
    }

    /// Whether the far pressure has changed faster than physically possible.
    fn slews(&self) -> bool {
        let (Some((pa, took)), Some(recipe)) = (self.far.change(), &self.recipe) else { return false };
        // In pascals times microseconds a second, so that nothing is divided.
        let most = u64::from(recipe.raw().slew_max_pa_s).saturating_mul(took.as_ticks());
        u64::from(pa.unsigned_abs()) * 1_000_000 > most
    }

    /// Emergency stop: at rest, and nothing moves until it is released and acknowledged. A hand may be in the ball.
    fn stop(&mut self, now: Instant, events: &mut Events) {
        if matches!(self.state, State::EmergencyStopped) {
            return;
        }
        self.latch(Fault::EmergencyStop, events);
        self.enter(State::EmergencyStopped, now, events);
    }

    /// A fault: whatever was under way is void. With air in it the valve is opened into the vent: nobody has a hand in
    /// a pressurised, connected valve. With none everything goes to rest, and nothing moves: a hand may be there.
    fn fail(&mut self, fault: Fault, now: Instant, events: &mut Events) {
        self.latch(fault, events);
        if fault == Fault::Trapped {
            self.enter(State::Trapped, now, events);
        } else {
            self.end_run(now, events);
        }
    }

    /// Ends what is under way: by the safe vent where there may be air, else at rest.
    fn end_run(&mut self, now: Instant, events: &mut Events) {
        // In start-up a far side that does not read full for the dwell is uncertain, and uncertainty moves nothing.
        let full = self.full.holds() && self.phase != Phase::StartUp;
        if self.fed || full || self.phase == Phase::SafeVent {
            self.transition(Phase::SafeVent, now, events);
        } else {
            self.finish(now, events);
        }
    }

    fn latch(&mut self, fault: Fault, events: &mut Events) {
        self.fault.get_or_insert(fault);
        self.acknowledged = false;
        emit(events, Event::Faulted(fault));
    }

    /// Handles a command that does not belong to the present phase. True when that completes the step.
    fn handle_command(&mut self, now: Instant, inputs: &Inputs, events: &mut Events) -> bool {
        match (inputs.command, self.phase()) {
            // If refused, it must not delay the present phase.
            (Some(Command::Start(sides)), _) => return self.start(sides, now, inputs, events),
            (Some(Command::TestOutput(coil)), _) => return self.test_output(coil, now, inputs, events),
            (Some(Command::Abort), Phase::Swap) => {
                // Empty already, and hands may be at the valve: nothing is moved.
                self.abort_run(events);
                self.finish(now, events);
            }
            (Some(Command::Abort), phase) if phase.is_live() => {
                self.abort_run(events);
                self.end_run(now, events);
            }
            (Some(Command::Abort), Phase::SafeVent) if self.run.as_ref().is_some_and(|r| !r.aborted) => {
                self.abort_run(events);
                // Nothing has been fed in this run, and nothing is there.
                if self.fed || self.full.holds() || !self.run.as_ref().is_some_and(|r| r.opening) {
                    return false;
                }
                self.finish(now, events);
            }
            (Some(Command::Acknowledge), phase) => return self.acknowledge(phase, now, inputs, events),
            (Some(Command::Confirm(Prompt::SwapEnds)), Phase::Swap) if self.prompt == Some(Prompt::SwapEnds) => {
                return self.start_second_side(now, inputs, events);
            }
            (Some(Command::Confirm(Prompt::OpenBleed)), _) if self.prompt == Some(Prompt::OpenBleed) => {
                self.bleed_confirmed = true;
                self.prompt = None;
                return false;
            }
            _ => return false,
        }
        true
    }

    fn abort_run(&mut self, events: &mut Events) {
        if let Some(run) = &mut self.run {
            run.aborted = true;
        }
        emit(events, Event::Aborted);
    }

    fn acknowledge(&mut self, phase: Phase, now: Instant, inputs: &Inputs, events: &mut Events) -> bool {
        let pressurised = self.disconnect == Disconnect::Pressurised;
        let moves = matches!(phase, Phase::EmergencyStopped | Phase::Trapped) || (phase == Phase::Ready && pressurised);
        if refuse(StartRefusal { guard_open: moves && self.guard_open(inputs), ..StartRefusal::default() }, events) {
            return false;
        }
        match phase {
            Phase::EmergencyStopped | Phase::Trapped | Phase::Fault | Phase::SafeVent if self.fault.is_some() => {
                self.acknowledged = true;
                emit(events, Event::Acknowledged);
                match phase {
                    Phase::Fault => self.rest(now, events),
                    // On purpose, and only now: into the vent, from the beginning.
                    Phase::EmergencyStopped | Phase::Trapped => {
                        self.transition(Phase::SafeVent, now, events);
                    }
                    _ => return false,
                }
            }
            // Not proved empty, or pressure has come back while waiting: on acknowledgement the valve is opened into
            // the vent.
            Phase::Ready if pressurised => {
                emit(events, Event::Acknowledged);
                self.transition(Phase::SafeVent, now, events);
            }
            _ => return false,
        }
        true
    }

    /// The failed conditions for letting air in.
    fn refusal(&self, inputs: &Inputs) -> StartRefusal {
        let (far, supply) = (self.far.pressure(), self.supply.as_ref().and_then(|s| s.pressure()));
        let safe = self.rig.safe_limit();
        StartRefusal {
            busy: self.phase != Phase::Ready,
            no_recipe: self.recipe.is_none(),
            stop_pressed: inputs.contacts.stop,
            guard_open: self.guard_open(inputs),
            far_sensor: far.is_none(),
            supply_sensor: self.supply.is_some() && supply.is_none(),
            far_not_empty: far.is_some_and(|p| !p.is_within(safe)),
            supply_not_empty: supply.is_some_and(|p| !p.is_within(safe)),
            readback_mismatch: inputs.readback_mismatch,
            guard_not_opened: false,
            link_down: !inputs.link_up,
        }
    }

    /// True when the run has been started.
    fn start(&mut self, sides: Sides, now: Instant, inputs: &Inputs, events: &mut Events) -> bool {
        let refusal = self.refusal(inputs);
        if refuse(refusal, events) {
            return false;
        }
        self.results = [None; 2];
        let side = if sides == Sides::Second { Side::Second } else { Side::First };
        // A valve not yet opened into the vent is opened first: it reads empty, and may not be.
        let opening = self.emptied.is_none();
        self.run = Some(Run { opening, ..Run::on(sides, side) });
        let first =
            if opening { State::SafeVent(SafeVent::new(self.sure)) } else { State::Precheck(Precheck::default()) };
        self.enter(first, now, events);
        true
    }

    /// True when the output test has started. A second request is refused, so that its duration is not extended.
    fn test_output(&mut self, coil: Coil, now: Instant, inputs: &Inputs, events: &mut Events) -> bool {
        let mut refusal = self.refusal(inputs);
        // The ball may still be shutting: supply air would go through it.
        refusal.busy |= !self.has_rested();
        // Reported below, as a fault.
        refusal.readback_mismatch = false;
        refusal.far_not_empty |= !self.empty_dwell.lasted(self.rig.safe_dwell());
        if refuse(refusal, events) {
            return false;
        }
        if inputs.readback_mismatch {
            // At rest already. Once it is energised, a coil with a broken wire reads back as it should.
            self.fail(Fault::Output, now, events);
        } else {
            self.enter(State::OutputTest(coil), now, events);
        }
        true
    }

    /// True when the second side has been begun.
    fn start_second_side(&mut self, now: Instant, inputs: &Inputs, events: &mut Events) -> bool {
        let mut refusal = self.refusal(inputs);
        refusal.busy = false;
        refusal.guard_not_opened = self.rig.raw().guard_fitted && !matches!(self.state, State::Swap(true));
        if refuse(refusal, events) {
            return false;
        }
        self.enter(State::Precheck(Precheck::default()), now, events);
        true
    }

    /// Polls the present phase, and makes the transition it returns.
    #[inline(never)]
    fn poll(&mut self, now: Instant, inputs: &Inputs, events: &mut Events) {
        let confirmed = match (inputs.command, self.prompt) {
            // Swap confirmed but refused: the prompt stays. The bleed is handled elsewhere.
            (Some(Command::Confirm(Prompt::SwapEnds | Prompt::OpenBleed)), _) => None,
            (Some(Command::Confirm(answer)), Some(prompt)) if answer == prompt => {
                self.prompt = None;
                Some(answer)
            }
            _ => None,
        };
        let next = self.poll_phase(now, inputs, confirmed, events);
        let overrun = since(now, self.entered) > self.phase_limit;
        match next {
            Next::Stay if overrun => self.fail(Fault::Overrun(self.phase()), now, events),
            Next::Stay => {}
            Next::Prompt(prompt) => self.prompt_operator(prompt, events),
            Next::Go(phase) => self.transition(phase, now, events),
            Next::Shut(isolated) => {
                if let Some(run) = &mut self.run {
                    run.isolated = Some(isolated);
                }
                self.gross_fall = Persist::NONE;
                emit(events, Event::Isolated { at: isolated.pressure });
                self.enter(State::Vent(Vent::default()), now, events);
            }
            Next::End(end) => {
                self.end_side(&end, now);
                self.transition(Phase::SafeVent, now, events);
            }
            Next::Fault(fault) => self.fail(fault, now, events),
            Next::Empty { stroked } => self.emptied(stroked, now, events),
            Next::Rest => self.finish(now, events),
        }
    }

    /// Both sides have been measured empty, the ball open into the vent.
    fn emptied(&mut self, stroked: bool, now: Instant, events: &mut Events) {
        let fed = core::mem::replace(&mut self.fed, false);
        self.emptied = Some(stroked);
        // A side aborted during safe vent keeps how it ended: that is judged, too.
        let judges = |run: &Run| run.pending.is_some() || !(run.aborted || run.opening);
        let judging = self.fault.is_none() && self.run.as_ref().is_some_and(judges);
        if fed && judging && !self.life.shown() {
            // Its readings prove nothing: neither that the far side is empty, nor the measurement before.
            self.latch(Fault::NoSignOfLife, events);
            self.emptied = None;
        }
        match &mut self.run {
            Some(run) if run.opening && !run.aborted && self.fault.is_none() => {
                run.opening = false;
                self.enter(State::Precheck(Precheck::default()), now, events);
            }
            _ => self.finish(now, events),
        }
    }

    fn poll_phase(&mut self, now: Instant, inputs: &Inputs, confirmed: Option<Prompt>, events: &mut Events) -> Next {
        let spent = since(now, self.entered);
        let guard_open = self.guard_open(inputs);
        if let State::SafeVent(vent) = &mut self.state {
            return vent.poll(&VentView {
                now: self.sure,
                spent,
                rig: &self.rig,
                recipe: self.recipe.as_ref(),
                far: &self.far,
                supply: self.supply.as_ref(),
                guard_open,
                vent_open: self.interlock.last().vent == GasValve::Open,
                valve_shut: inputs.contacts.valve_shut,
                fell: self.life.shown(),
                fed: self.fed,
                readback_mismatch: inputs.readback_mismatch,
                confirmed,
            });
        }
        if let State::StartUp(look) = &mut self.state {
            return look.poll(&self.far, &self.rig, self.sure, spent);
        }
        if let State::OutputTest(_) = self.state {
            return if spent >= output_test::limit(&self.rig) { Next::Go(Phase::SafeVent) } else { Next::Stay };
        }
        let Some(recipe) = &self.recipe else { return Next::Stay };
        if let State::Swap(opened) = &mut self.state {
            *opened |= guard_open;
            let reason = match self.emptied {
                None => Reason::NotEmpty,
                Some(_) if spent >= millis(recipe.raw().swap_ms_max) => Reason::NotSwapped,
                Some(_) => return Next::Stay,
            };
            self.end_side(&End::without_estimate(Verdict::Void, reason), now);
            return Next::Rest;
        }
        let view = View {
            now,
            elapsed: self.elapsed,
            spent,
            rig: &self.rig,
            recipe,
            far: &self.far,
            supply: self.supply.as_ref(),
            gas_temperature: self.thermometer.state(self.rig.raw().thermometer.is_some()),
            contacts: inputs.contacts,
            confirmed,
            isolated: self.run.as_ref().and_then(|run| run.isolated),
            gross_fall: self.gross_fall,
            supply_full: self.supply_full.holds(),
            sides_apart: self.sides_apart.holds(),
            jumped: self.life.broken(),
            flicker: self.run.as_ref().and_then(|run| run.flicker),
        };
        match &mut self.state {
            State::Precheck(phase) => phase.poll(&view, events),
            State::Fill(phase) => phase.poll(&view),
            State::Soak => soak::poll(&view),
            State::Isolate(phase) => phase.poll(&view),
            State::Vent(phase) => phase.poll(&view),
            State::Settle => settle::poll(&view),
            State::Measure => self.measure.poll(&view, events),
            State::StartUp(_)
            | State::Ready
            | State::Swap(_)
            | State::Fault
            | State::Trapped
            | State::EmergencyStopped
            | State::SafeVent(_)
            | State::OutputTest(_) => Next::Stay,
        }
    }

    fn transition(&mut self, phase: Phase, now: Instant, events: &mut Events) {
        let state = match phase {
            Phase::Fill => {
                if let (State::Precheck(precheck), Some(run)) = (&self.state, &mut self.run) {
                    run.flicker = precheck.flicker();
                }
                State::Fill(Fill::default())
            }
            Phase::Soak => State::Soak,
            Phase::Isolate => State::Isolate(Isolate::default()),
            Phase::Settle => State::Settle,
            Phase::Measure => {
                if let Some(recipe) = &self.recipe {
                    self.measure.begin(recipe.schedule().first());
                }
                State::Measure
            }
            Phase::SafeVent
            // No phase requests any of these, and if one ever did, this is the harmless response.
            | Phase::StartUp
            | Phase::Ready
            | Phase::Precheck
            | Phase::Vent
            | Phase::Swap
            | Phase::Fault
            | Phase::Trapped
            | Phase::EmergencyStopped
            | Phase::OutputTest => State::SafeVent(SafeVent::new(self.sure)),
        };
        self.enter(state, now, events);
    }

    /// Stores how the side ended. Not yet its result: that waits until the far side has been measured empty.
    fn end_side(&mut self, end: &End, now: Instant) {
        let pressure = self.far.pressure();
        if let Some(run) = &mut self.run {
            let after = run.isolated.map_or(0, |i| since(now, i.at).as_ticks() / 1_000);
            // Supply may sag just as the valve shuts. Leaking at less pressure is leaking, but tight at less is not
            // tight.
            let in_band = |i: Isolated| self.recipe.as_ref().is_some_and(|r| r.in_band(i.pressure));
            let end = if end.verdict == Verdict::Tight && !run.isolated.is_some_and(in_band) {
                End { verdict: Verdict::Void, reason: Reason::OutOfBand, ..*end }
            } else {
                *end
            };
            run.pending = Some(Ended {
                end,
                fall_pa: run.isolated.and_then(|i| Some(i.pressure.above(pressure?))).unwrap_or(0),
                after_ms: u32::try_from(after).unwrap_or(u32::MAX),
            });
        }
    }

    /// The far side has been measured empty, or was never fed: emits the side's result and continues.
    fn finish(&mut self, now: Instant, events: &mut Events) {
        let Some(run) = self.run.take() else {
            self.rest(now, events);
            return;
        };
        let result = self.settle_result(&run);
        emit(events, Event::SideFinished(result));
        let [first, second] = &mut self.results;
        *(if run.side == Side::First { first } else { second }) = Some(result);
        let more = run.sides == Sides::Both && run.side == Side::First;
        if more && self.fault.is_none() && !run.aborted && result.reason != Reason::NotEmpty {
            self.run = Some(Run::on(run.sides, Side::Second));
            self.enter(State::Swap(false), now, events);
            return;
        }
        self.emit_run_finished(run.sides, events);
        self.rest(now, events);
    }

    /// A side's result: as it ended, unless void by a fault or an abort.
    fn settle_result(&self, run: &Run) -> SideResult {
        let not_ended = || {
            let reason = if run.aborted { Reason::Aborted } else { Reason::Fault };
            Ended { end: End::without_estimate(Verdict::Void, reason), fall_pa: 0, after_ms: 0 }
        };
        let Ended { mut end, fall_pa, after_ms } = run.pending.unwrap_or_else(not_ended);
        if self.fault.is_some() {
            (end.verdict, end.reason) = (Verdict::Void, Reason::Fault);
        }
        SideResult {
            side: run.side,
            verdict: end.verdict,
            reason: end.reason,
            estimate: if end.measured { self.measure.estimate() } else { None },
            isolated_at: run.isolated.map(|i| i.pressure),
            fall_pa,
            after_ms,
        }
    }

    /// The run's result over all sides it was to cover; a side that was not reached is void.
    #[inline(never)]
    fn emit_run_finished(&self, sides: Sides, events: &mut Events) {
        let [first, second] = &self.results;
        let of = |side: &Option<SideResult>| side.as_ref().map_or(Verdict::Void, |r| r.verdict);
        let verdict = match sides {
            Sides::Both => of(first).and(of(second)),
            Sides::First => of(first),
            Sides::Second => of(second),
        };
        emit(events, Event::RunFinished { verdict, diagnosis: diagnose(first.as_ref(), second.as_ref()) });
    }

    /// To the resting state: a latched fault waits for its acknowledgement.
    fn rest(&mut self, now: Instant, events: &mut Events) {
        if self.fault.is_some() && !self.acknowledged {
            self.enter(State::Fault, now, events);
        } else {
            self.fault = None;
            self.enter(State::Ready, now, events);
        }
    }

    fn enter(&mut self, state: State, now: Instant, events: &mut Events) {
        self.phase = state.phase();
        if self.phase == Phase::SafeVent {
            self.emptied = None;
        }
        self.state = state;
        self.phase_limit = self.limit().unwrap_or(Duration::MAX);
        self.entered = now;
        self.reminded = now;
        self.prompt = None;
        emit(events, Event::Entered { phase: self.phase(), side: self.side() });
        let prompt = match (&self.state, &self.recipe) {
            (State::Fill(_), Some(recipe)) => fill::prompt(recipe),
            (State::Isolate(_), Some(recipe)) => isolate::prompt(recipe),
            (State::SafeVent(_), recipe) => safe_vent::prompt(recipe.as_ref()),
            _ => None,
        };
        if let Some(prompt) = prompt {
            self.prompt_operator(prompt, events);
        }
    }

    fn prompt_operator(&mut self, prompt: Prompt, events: &mut Events) {
        self.prompt = Some(prompt);
        emit(events, Event::Prompted(prompt));
    }

    /// Outputs of the phase, before the interlock.
    #[inline(never)]
    fn outputs_wanted(&self) -> Outputs {
        match &self.state {
            State::StartUp(_) | State::Ready | State::Swap(_) | State::Fault | State::EmergencyStopped => Outputs::REST,
            State::Trapped => Outputs::OPEN_TO_VENT,
            State::Precheck(_) => precheck::OUTPUTS,
            State::Fill(phase) => phase.outputs(),
            State::Soak => soak::OUTPUTS,
            State::Isolate(_) => isolate::OUTPUTS,
            State::Vent(phase) => phase.outputs(),
            State::Settle => settle::OUTPUTS,
            State::Measure => measure::OUTPUTS,
            State::SafeVent(phase) => phase.outputs(),
            State::OutputTest(coil) => output_test::outputs(*coil, since(self.now, self.entered), &self.rig),
        }
    }

    /// Emits a reminder when the wait for a person has been long enough.
    fn remind(&mut self, now: Instant, events: &mut Events) {
        let waits = matches!(self.phase, Phase::Fault | Phase::Trapped | Phase::EmergencyStopped | Phase::Swap);
        if waits && since(now, self.reminded) >= REMINDER {
            self.reminded = now;
            emit(events, Event::Reminder(self.phase()));
        }
    }

    fn update_disconnect(&mut self, inputs: &Inputs, events: &mut Events) {
        let state = self.disconnect_state(inputs);
        // A better state can wait a step where there are many events: none may be lost.
        let waits = state != Disconnect::Pressurised && events.len() > 3;
        if state != self.disconnect && !waits {
            let was = core::mem::replace(&mut self.disconnect, state);
            emit(events, Event::Disconnect(state));
            if state == Disconnect::Pressurised {
                // Withdrawn: a confirmation of the earlier prompt is void.
                self.bleed_confirmed = false;
                self.prompt = self.prompt.filter(|prompt| !prompt.rests_on_empty());
            } else if was == Disconnect::Pressurised && self.prompt.is_none() {
                self.prompt_operator(Prompt::OpenBleed, events);
            }
        }
        // First the bleed, then the ends.
        if self.phase == Phase::Swap && self.bleed_confirmed && self.prompt.is_none() {
            // A guard opened before swapped nothing.
            self.state = State::Swap(false);
            self.prompt_operator(Prompt::SwapEnds, events);
        }
    }

    /// Everything has been at rest for a stroke and half as long again: the ball does not move.
    fn has_rested(&self) -> bool {
        let stroke = safe_vent::stroke(self.recipe.as_ref()).as_ticks();
        self.rested.is_some_and(|at| since(self.sure, at).as_ticks() >= stroke + stroke / 2)
    }

    /// The disconnect state: see [`Disconnect`] for its conditions.
    fn disconnect_state(&self, inputs: &Inputs) -> Disconnect {
        let rested = self.has_rested();
        // A ball that the spring should have shut but has not may still move. A lever is left open.
        let by_air = self.recipe.as_ref().is_some_and(|r| r.actuation() == Actuation::Air);
        let steady = !(self.rig.raw().shut_switch_fitted && by_air) || inputs.contacts.valve_shut;
        let holds = self.phase.is_resting()
            && rested
            && steady
            && !inputs.readback_mismatch
            && self.life.shown()
            && self.empty_dwell.lasted(self.rig.safe_dwell());
        match self.emptied {
            Some(false) if holds => Disconnect::CavityUnknown,
            Some(true) if holds && self.bleed_confirmed => Disconnect::Confirmed,
            Some(true) if holds => Disconnect::ReadsEmpty,
            _ => Disconnect::Pressurised,
        }
    }
}

/// Whether there is a reason to refuse; if so, emits it.
#[inline(never)]
fn refuse(refusal: StartRefusal, events: &mut Events) -> bool {
    if refusal.any() {
        emit(events, Event::Refused(refusal));
    }
    refusal.any()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::input::{Contacts, SensorFault};
    use crate::limits::EVENTS_MAX;
    use crate::phase::bench::{RIG, TRANSDUCER};
    use crate::recipe::RawRecipe;
    use crate::rig::RawRig;

    fn at(ms: u64) -> Instant {
        Instant::from_ticks(ms * 1_000)
    }

    fn sequencer() -> Sequencer {
        let rig = RIG.validate().unwrap();
        let recipe = RawRecipe::DEMO.validate(&rig).unwrap();
        let mut sequencer = Sequencer::new(rig, Some(recipe));
        let _ = sequencer.step(at(0), &Inputs::IDLE);
        sequencer
    }

    /// The longest a phase may last is set wherever one is entered.
    #[test]
    fn every_phase_is_entered_with_its_own_limit() {
        let mut sequencer = sequencer();
        assert_eq!(Some(sequencer.phase_limit), sequencer.limit());
        for phase in [Phase::Fill, Phase::Soak, Phase::Isolate, Phase::Settle, Phase::Measure] {
            sequencer.transition(phase, at(10), &mut Events::new());
            assert_eq!(sequencer.phase(), phase);
            assert_eq!(Some(sequencer.phase_limit), sequencer.limit(), "{phase:?}");
        }
        sequencer.rest(at(20), &mut Events::new());
        assert_eq!((sequencer.phase(), sequencer.limit()), (Phase::Ready, None));
        assert_eq!(sequencer.phase_limit, Duration::MAX);
    }

    /// Every phase ends by itself, so that this never shows outside: the backstop for a mistake in one of them.
    #[test]
    fn a_phase_that_does_not_end_by_itself_is_ended() {
        let mut sequencer = sequencer();
        sequencer.transition(Phase::Fill, at(10), &mut Events::new());
        sequencer.phase_limit = millis(20);
        let empty = |number| Inputs {
            far: Reading::sample(RawRig::DEMO.far.zero_counts, number),
            supply: Reading::sample(RawRig::DEMO.supply.unwrap().zero_counts, number),
            contacts: crate::input::Contacts { guard_closed: true, ..Inputs::IDLE.contacts },
            ..Inputs::IDLE
        };
        for (ms, number) in [(20, 1), (30, 2)] {
            let step = sequencer.step(at(ms), &empty(number));
            assert!(step.events.is_empty(), "{:?}", step.events);
        }
        let step = sequencer.step(at(40), &empty(3));
        assert!(step.events.contains(&Event::Faulted(Fault::Overrun(Phase::Fill))), "{:?}", step.events);
        // No air was let in yet.
        assert_eq!(sequencer.phase(), Phase::Fault);
    }
    /// Both sides read these pressures, in pascals.
    fn read(far: i32, supply: i32, number: u32) -> Inputs {
        let sample = |pa| Reading::sample(TRANSDUCER.zero_counts + pa, number);
        Inputs { far: sample(far), supply: sample(supply), ..Inputs::IDLE }
    }

    /// In a state, with a run of one side whose valve was shut at 600 kPa.
    fn within(state: State) -> Sequencer {
        let mut sequencer = sequencer();
        let isolated = Some(Isolated { at: at(0), pressure: GaugePressure::from_pascals(600_000) });
        sequencer.run = Some(Run { isolated, ..Run::on(Sides::First, Side::First) });
        sequencer.enter(state, at(0), &mut Events::new());
        sequencer
    }

    fn safe_vent() -> State {
        State::SafeVent(SafeVent::new(at(0)))
    }

    fn precheck() -> State {
        State::Precheck(Precheck::default())
    }

    #[test]
    fn a_phase_is_of_a_test_or_at_rest_or_neither() {
        for phase in Phase::ALL {
            let (live, resting) = match phase {
                Phase::Precheck
                | Phase::Fill
                | Phase::Soak
                | Phase::Isolate
                | Phase::Vent
                | Phase::Settle
                | Phase::Measure
                | Phase::OutputTest => (true, false),
                Phase::Ready | Phase::Swap | Phase::Fault => (false, true),
                Phase::StartUp | Phase::SafeVent | Phase::Trapped | Phase::EmergencyStopped => (false, false),
            };
            assert_eq!((phase.is_live(), phase.is_resting()), (live, resting), "{phase:?}");
        }
    }

    /// Times of the demo recipe and rig: a limit is longer than a time-out by four polls' gaps of 250 ms.
    #[test]
    fn a_phase_has_a_deadline_and_a_limit_beyond_it() {
        let recipe = RawRecipe::DEMO;
        for (state, deadline, limit) in [
            (State::StartUp(StartUp::NEW), Some(3_000), Some(3_000)),
            (precheck(), Some(recipe.zero_ms), Some(2 * recipe.zero_ms + 1_000)),
            (State::Fill(Fill::default()), Some(21_000), Some(21_000)),
            (State::Measure, Some(recipe.measure_ms_max), Some(60_000 + 228 * 250)),
            (safe_vent(), Some(62_050), Some(62_050)),
            (State::OutputTest(Coil::Vent), Some(2_050), Some(2_050)),
            (State::Swap(false), Some(1_800_000), Some(1_800_000)),
            (State::Ready, None, None),
            (State::Fault, None, None),
            (State::Trapped, None, None),
            (State::EmergencyStopped, None, None),
        ] {
            let mut sequencer = within(state);
            let status = sequencer.status();
            let case = sequencer.phase();
            assert_eq!(status.deadline, deadline.map(|ms| at(ms.into())), "{case:?}");
            assert_eq!(sequencer.limit(), limit.map(|ms| millis(ms + 4 * 250)), "{case:?}");
            assert_eq!(status.side, Some(Side::First), "{case:?}");
            sequencer.run = None;
            assert_eq!(sequencer.status().side, None, "{case:?}");
        }
    }

    #[test]
    fn the_own_clock_begins_with_the_given_one_and_leaves_itself_room() {
        for (given, own) in [(5_000, 5_000), (1 << 62, 1 << 62), (u64::MAX, 1 << 62)] {
            let mut sequencer = Sequencer::new(RIG.validate().unwrap(), None);
            let _ = sequencer.step(Instant::from_ticks(given), &Inputs::IDLE);
            assert_eq!(sequencer.now, Instant::from_ticks(own), "{given}");
        }
    }

    /// Three tenths of 600 kPa and the atmosphere are 210 396 Pa, the supply side counts as vented below 5 kPa, and the
    /// band is 20 kPa.
    #[test]
    fn what_is_monitored_is_noted_beyond_its_bound_and_in_its_phases() {
        let soak = || State::Soak;
        let settle = || State::Settle;
        let measure = || State::Measure;
        type Case = (fn() -> State, i32, i32, [bool; 3]);
        let cases: [Case; 10] = [
            (settle, 600_000 - 210_396, 0, [false, false, false]),
            (settle, 600_000 - 210_397, 0, [true, false, false]),
            (settle, 600_000, 4_999, [false, false, false]),
            (settle, 600_000, 5_000, [false, true, false]),
            (measure, 600_000, 5_000, [false, true, false]),
            (soak, 600_000, 600_000, [false, false, false]),
            (soak, 600_000, 580_000, [false, false, false]),
            (soak, 600_000, 579_999, [false, false, true]),
            (soak, 600_000, 620_000, [false, false, false]),
            (soak, 600_000, 620_001, [false, false, true]),
        ];
        for (state, far, supply, expected) in cases {
            let mut sequencer = within(state());
            sequencer.update_channels(&read(far, supply, 1));
            let noted = [sequencer.gross_fall, sequencer.supply_full, sequencer.sides_apart].map(|p| p.is_pending());
            assert_eq!(noted, expected, "{far} Pa, {supply} Pa in {:?}", sequencer.phase());
        }
    }

    /// The faults see to it in the same step; this is the second line.
    #[test]
    fn supply_opens_only_while_the_far_pressure_is_known_and_neither_side_too_high() {
        let lost = Inputs { far: Reading::SensorFault(SensorFault::Open), ..read(0, 600_000, 2) };
        for (inputs, open) in [
            (read(600_000, 600_000, 2), true),
            (lost, false),
            (read(700_000, 700_000, 2), true),
            (read(700_001, 600_000, 2), false),
            (read(600_000, 700_001, 2), false),
        ] {
            let mut sequencer = within(State::Soak);
            let healthy = read(600_000, 600_000, 1);
            sequencer.update_channels(&healthy);
            assert_eq!(sequencer.set_outputs(&healthy).supply, GasValve::Shut, "the vent is still shutting");
            (sequencer.now, sequencer.sure) = (at(50), at(50));
            sequencer.update_channels(&inputs);
            assert_eq!(sequencer.set_outputs(&inputs).supply == GasValve::Open, open, "{inputs:?}");
        }
    }

    /// The recipe's maximum is 700 kPa.
    #[test]
    fn over_pressure_is_above_the_maximum() {
        for (far, supply, fault) in [
            (700_000, 700_000, None),
            (700_001, 700_000, Some(Fault::OverPressure)),
            (700_000, 700_001, Some(Fault::SupplyOverPressure)),
        ] {
            let mut sequencer = within(State::Soak);
            sequencer.update_channels(&read(far, supply, 1));
            assert_eq!(sequencer.over(), fault, "{far} Pa, {supply} Pa");
        }
    }

    /// At 50 MPa/s, 500 kPa between two samples.
    #[test]
    fn a_slew_is_faster_than_the_limit() {
        for (pa, slews) in [(500_000, false), (500_001, true)] {
            let mut sequencer = within(State::Soak);
            for (ms, pa) in [(0, 0), (10, pa)] {
                sequencer.far.update(at(ms), read(pa, 0, ms as u32).far);
            }
            assert_eq!(sequencer.slews(), slews, "{pa} Pa");
        }
    }

    #[test]
    fn a_gap_between_polls_is_longer_than_the_limit() {
        for (us, fault) in [(250_000, None), (250_001, Some(Fault::Stalled))] {
            let mut sequencer = within(State::Soak);
            let now = Instant::from_ticks(us);
            assert_eq!(sequencer.pass_time(now, Reading::NoSample, &mut Events::new()), fault, "{us} µs");
        }
    }

    /// Conversions are counted from when the clock last advanced.
    #[test]
    fn a_coarse_clock_may_stand_for_nineteen_conversions_at_a_time() {
        let mut sequencer = within(State::Soak);
        let mut number = 0;
        let mut stands = |ms, conversions| {
            let mut fault = None;
            for _ in 0..conversions {
                number += 1;
                let inputs = read(600_000, 600_000, number);
                fault = sequencer.pass_time(at(ms), inputs.far, &mut Events::new());
                sequencer.update_channels(&inputs);
            }
            fault
        };
        assert_eq!(stands(0, 19), None);
        assert_eq!(stands(200, 20), None);
        assert_eq!(stands(400, 20), None);
        assert_eq!(stands(400, 1), Some(Fault::Clock));
    }

    /// A conversion is 10 ms, the longest gap between polls 250 ms. What has passed for certain: what a clock that goes on
    /// says; else the conversions, but for the first; without a recipe nothing.
    #[test]
    fn what_has_passed_for_certain_is_the_least_and_time_outs_count_the_most() {
        let first = read(0, 0, 1);
        let begun = |recipe| {
            let mut sequencer = Sequencer { recipe, ..within(State::Ready) };
            let _ = sequencer.pass_time(at(1_000), first.far, &mut Events::new());
            sequencer.update_channels(&first);
            sequencer
        };
        let (mut with, mut bare) = (begun(within(State::Ready).recipe), begun(None));
        let mut numbers = [1, 1];
        // Milliseconds of the given clock; whether a new conversion comes; by how much the time of time-outs then goes on,
        // by how much the certain one with a recipe, and without.
        for (ms, new, most, least, without) in [
            (1_010, true, 10, 10, 10),
            (1_010, true, 10, 0, 0),
            (1_010, true, 10, 10, 0),
            (1_010, false, 0, 0, 0),
            (1_010, true, 10, 10, 0),
            (1_030, true, 20, 20, 20),
            // Back, twice, and then on from there.
            (1_000, true, 250, 0, 0),
            (990, true, 250, 10, 0),
            (980, false, 250, 0, 0),
            (985, false, 5, 5, 5),
        ] {
            for (case, sequencer) in [&mut with, &mut bare].into_iter().enumerate() {
                numbers[case] += u32::from(new);
                let inputs = read(0, 0, numbers[case]);
                let (now, sure) = (sequencer.now, sequencer.sure);
                let _ = sequencer.pass_time(at(ms), inputs.far, &mut Events::new());
                sequencer.update_channels(&inputs);
                let went = (since(sequencer.now, now), since(sequencer.sure, sure));
                assert_eq!(went, (millis(most), millis([least, without][case])), "{ms} ms, case {case}");
            }
        }
    }

    /// A second empty, with a gap between polls in it.
    #[test]
    fn a_gap_in_start_up_begins_its_dwell_anew() {
        let mut sequencer = sequencer();
        for ms in (10..=900).step_by(10).chain((1_200..2_200).step_by(10)) {
            let _ = sequencer.step(at(ms), &read(0, 0, ms as u32));
            assert_eq!(sequencer.phase(), Phase::StartUp, "{ms} ms");
        }
        let _ = sequencer.step(at(2_200), &read(0, 0, 2_200));
        assert_eq!(sequencer.phase(), Phase::Ready);
    }

    /// Of a run still opening its valve there is nothing to judge, nor of no run, nor at rest.
    #[test]
    fn outside_a_test_only_a_side_to_be_judged_has_faults() {
        let guard = |inputs: Inputs| Inputs { contacts: Contacts { guard_closed: false, ..inputs.contacts }, ..inputs };
        let output = |inputs| Inputs { readback_mismatch: true, ..inputs };
        let (full, empty) = (read(600_000, 0, 1), read(0, 0, 1));
        let swap = || State::Swap(false);
        type Case = (fn() -> State, Option<bool>, Inputs, Option<Fault>);
        let cases: [Case; 9] = [
            (safe_vent, Some(false), output(empty), Some(Fault::Output)),
            (safe_vent, Some(false), guard(full), Some(Fault::GuardOpen)),
            (safe_vent, Some(false), guard(empty), None),
            (safe_vent, Some(true), output(empty), None),
            (safe_vent, Some(true), guard(full), None),
            (safe_vent, None, output(empty), None),
            (safe_vent, None, guard(full), None),
            (swap, Some(false), output(empty), None),
            (swap, Some(false), guard(full), None),
        ];
        for (state, opening, inputs, fault) in cases {
            let mut sequencer = within(state());
            sequencer.run = opening.map(|opening| Run { opening, ..Run::on(Sides::Both, Side::First) });
            sequencer.update_channels(&inputs);
            let case = (sequencer.phase(), opening, inputs);
            assert_eq!(sequencer.check_faults(&inputs), fault, "{case:?}");
            // Only the first: what follows a fault is no news.
            sequencer.fault = Some(Fault::Slew);
            assert_eq!(sequencer.check_faults(&inputs), None, "{case:?}");
        }
    }

    #[test]
    fn what_may_hold_air_ends_in_the_safe_vent() {
        let start_up = || State::StartUp(StartUp::NEW);
        type Case = (fn() -> State, bool, bool, Phase);
        let cases: [Case; 6] = [
            (precheck, false, false, Phase::Ready),
            (precheck, false, true, Phase::SafeVent),
            (precheck, true, false, Phase::SafeVent),
            (start_up, false, true, Phase::Ready),
            (start_up, true, true, Phase::SafeVent),
            (safe_vent, false, false, Phase::SafeVent),
        ];
        for (state, fed, full, ends) in cases {
            let mut sequencer = within(state());
            let case = (sequencer.phase(), fed, full);
            sequencer.fed = fed;
            for ms in [0, 100, 200] {
                sequencer.full.note(full, at(ms));
            }
            sequencer.end_run(at(200), &mut Events::new());
            assert_eq!(sequencer.phase(), ends, "{case:?}");
        }
    }

    /// A side that has ended is judged, aborted since or not; one that has not been begun, or was aborted before its
    /// end, has nothing to be doubted.
    #[test]
    fn a_side_is_doubted_where_the_transducer_showed_no_life() {
        for (ended, aborted, opening, doubted) in [
            (false, false, false, true),
            (false, true, false, false),
            (false, false, true, false),
            (true, false, false, true),
            (true, true, false, true),
        ] {
            let mut sequencer = within(safe_vent());
            if ended {
                sequencer.end_side(&End::without_estimate(Verdict::Leaking, Reason::GrossFall), at(10));
            }
            sequencer.run = sequencer.run.map(|run| Run { aborted, opening, ..run });
            sequencer.fed = true;
            let mut events = Events::new();
            sequencer.emptied(true, at(10), &mut events);
            let case = (ended, aborted, opening);
            assert_eq!(events.contains(&Event::Faulted(Fault::NoSignOfLife)), doubted, "{case:?}");
        }
    }

    #[test]
    fn a_side_keeps_how_it_ended_unless_by_a_fault() {
        let ended = (Verdict::Leaking, Reason::GrossFall);
        for (ends, aborted, fault, expected) in [
            (true, false, false, ended),
            (true, true, false, ended),
            (true, false, true, (Verdict::Void, Reason::Fault)),
            (false, false, false, (Verdict::Void, Reason::Fault)),
            (false, true, false, (Verdict::Void, Reason::Aborted)),
            (false, true, true, (Verdict::Void, Reason::Fault)),
        ] {
            let mut sequencer = within(State::Settle);
            sequencer.fault = fault.then_some(Fault::Slew);
            if ends {
                sequencer.end_side(&End::without_estimate(ended.0, ended.1), at(2_500));
            }
            let run = Run { aborted, ..sequencer.run.unwrap() };
            let result = sequencer.settle_result(&run);
            let case = (ends, aborted, fault);
            assert_eq!((result.verdict, result.reason), expected, "{case:?}");
            assert_eq!(result.after_ms, if ends { 2_500 } else { 0 }, "{case:?}");
        }
    }

    #[test]
    fn a_state_that_waits_for_a_person_reminds_every_minute() {
        let waits = [
            (State::Fault, true),
            (State::Trapped, true),
            (State::EmergencyStopped, true),
            (State::Swap(false), true),
            (State::Ready, false),
            (State::Soak, false),
        ];
        for (state, reminds) in waits {
            let mut sequencer = within(state);
            let phase = sequencer.phase();
            for (us, due) in
                [(10, false), (59_999_999, false), (60_000_000, true), (119_999_999, false), (120_000_000, true)]
            {
                let mut events = Events::new();
                sequencer.remind(Instant::from_ticks(us), &mut events);
                let expected = if due && reminds { &[Event::Reminder(phase)][..] } else { &[] };
                assert_eq!(events.as_slice(), expected, "{phase:?} at {us} µs");
            }
        }
    }

    /// A stroke is a second.
    #[test]
    fn the_ball_is_at_rest_after_a_stroke_and_a_half() {
        for (us, rested) in [(1_499_999, false), (1_500_000, true)] {
            let mut sequencer = within(State::Ready);
            assert!(!sequencer.has_rested());
            (sequencer.rested, sequencer.sure) = (Some(at(0)), Instant::from_ticks(us));
            assert_eq!(sequencer.has_rested(), rested, "{us} µs");
            // Until then a far side that does not read empty may fill the cavity.
            sequencer.emptied = Some(true);
            let inputs = read(600_000, 0, 1);
            sequencer.update_channels(&inputs);
            let _ = sequencer.set_outputs(&inputs);
            assert_eq!(sequencer.emptied.is_some(), rested, "{us} µs");
        }
    }

    /// At rest, everything measured empty, a further stroke made, and the far reading come down step by step.
    fn empty() -> Sequencer {
        let mut sequencer = within(State::Ready);
        let (safe, target) = (sequencer.rig.safe_limit(), GaugePressure::from_pascals(600_000));
        let rise_and_fall = [(0, true), (100_000, true), (40_000, false), (15_000, false), (0, false)];
        for (number, (pa, fed)) in (1..).zip(rise_and_fall) {
            let now = at(10 * u64::from(number));
            sequencer.far.update(now, read(pa, 0, number).far);
            sequencer.life.watch(&sequencer.far, safe, target, fed, now);
        }
        for ms in [0, 1_000] {
            sequencer.empty_dwell.note(true, true, at(ms));
        }
        (sequencer.emptied, sequencer.rested) = (Some(true), Some(at(0)));
        (sequencer.now, sequencer.sure) = (at(1_500), at(1_500));
        sequencer
    }

    #[test]
    fn the_disconnect_state_needs_every_one_of_its_conditions() {
        use Disconnect::{CavityUnknown, Confirmed, Pressurised, ReadsEmpty};
        type Change = (&'static str, fn(&mut Sequencer), Disconnect);
        let changes: [Change; 9] = [
            ("none", |_| {}, ReadsEmpty),
            ("bleed", |s| s.bleed_confirmed = true, Confirmed),
            ("cavity", |s| s.emptied = Some(false), CavityUnknown),
            ("not emptied", |s| s.emptied = None, Pressurised),
            ("phase", |s| s.enter(State::Trapped, s.now, &mut Events::new()), Pressurised),
            ("moving", |s| s.rested = Some(at(1)), Pressurised),
            ("life", |s| s.life = Life::NONE, Pressurised),
            ("dwell", |s| s.empty_dwell = Dwell::NONE, Pressurised),
            ("switch", |s| s.rig = RawRig { shut_switch_fitted: true, ..RIG }.validate().unwrap(), Pressurised),
        ];
        for (what, change, expected) in changes {
            let mut sequencer = empty();
            change(&mut sequencer);
            assert_eq!(sequencer.disconnect_state(&Inputs::IDLE), expected, "{what}");
            let mismatch = Inputs { readback_mismatch: true, ..Inputs::IDLE };
            assert_eq!(sequencer.disconnect_state(&mismatch), Pressurised, "{what}");
        }
        // A switch that is closed, or a lever, which is left open.
        let shut = Inputs { contacts: Contacts { valve_shut: true, ..Contacts::CLEAR }, ..Inputs::IDLE };
        let rig = RawRig { shut_switch_fitted: true, ..RIG }.validate().unwrap();
        let by_hand = RawRecipe { actuation: Actuation::Hand, ..RawRecipe::DEMO }.validate(&rig).unwrap();
        let mut sequencer = Sequencer { rig, ..empty() };
        assert_eq!(sequencer.disconnect_state(&shut), ReadsEmpty);
        sequencer.recipe = Some(by_hand);
        assert_eq!(sequencer.disconnect_state(&Inputs::IDLE), ReadsEmpty);
    }

    /// A better state may come a step later, a worse one may not.
    #[test]
    fn among_many_events_only_a_better_disconnect_state_waits() {
        let some = |n: usize| core::iter::repeat_n(Event::Aborted, n).collect::<Events>();
        for (n, waits) in [(0, false), (3, false), (4, true), (EVENTS_MAX - 1, true)] {
            let (mut sequencer, mut events) = (empty(), some(n));
            sequencer.update_disconnect(&Inputs::IDLE, &mut events);
            let state = if waits { Disconnect::Pressurised } else { Disconnect::ReadsEmpty };
            assert_eq!(sequencer.disconnect, state, "{n} events");
            assert_eq!(events.len(), n + if waits { 0 } else { 2 }, "{n} events");
            sequencer.update_disconnect(&Inputs::IDLE, &mut some(0));
            assert_eq!(sequencer.disconnect, Disconnect::ReadsEmpty, "{n} events");
            sequencer.emptied = None;
            sequencer.update_disconnect(&Inputs::IDLE, &mut some(n));
            assert_eq!(sequencer.disconnect, Disconnect::Pressurised, "{n} events");
        }
    }
}
