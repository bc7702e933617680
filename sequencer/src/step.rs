//! The sequencer: `(state, now, inputs) → (state, outputs, events)`. The only place where phases change.

use crate::channel::Channel;
use crate::dwell::Dwell;
use crate::event::{Disconnect, Event, Events, Fault, Phase, Refusal};
use crate::input::{Ask, Command, Inputs, Known, Side, Sides};
use crate::interlock;
use crate::measure::diagnose;
use crate::output::{Coil, Outputs};
use crate::phase::fill::{self, Fill};
use crate::phase::isolate::{self, Isolate};
use crate::phase::measure::{self, Measure};
use crate::phase::precheck::{self, Precheck};
use crate::phase::safe_vent::{self, SafeVent, VentView};
use crate::phase::vent::{self, Vent};
use crate::phase::{End, Isolated, Next, View, settle, soak, tell, work};
use crate::recipe::Recipe;
use crate::rig::{Rig, Transducer};
use crate::time::{Duration, Instant, after, millis, since};
use crate::units::GaugePressure;
use crate::verdict::{Ground, SideResult, Verdict};
use crate::warmth::Thermometer;

/// Expected time between samples where no recipe says otherwise.
const PERIOD_UNKNOWN: Duration = millis(100);

/// How often a resting state that waits for a person says so again.
const REMINDER: Duration = millis(60_000);

/// What a step asks for.
#[derive(Clone, Debug)]
#[must_use = "outputs must be set every step"]
pub struct Step {
    /// To be set now, whatever was set before.
    pub outputs: Outputs,
    /// What happened, in order.
    pub events: Events,
    /// When the present phase ends by itself, if nothing happens before; for displays.
    pub deadline: Option<Instant>,
}

/// What a screen shows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Status {
    /// Where the sequence stands.
    pub phase: Phase,
    /// The side under test.
    pub side: Option<Side>,
    /// Far-side pressure with its health.
    pub far: Known,
    /// Supply-side pressure with its health.
    pub supply: Known,
    /// What the operator is asked to do, if anything.
    pub ask: Option<Ask>,
    /// The latched fault, if any.
    pub fault: Option<Fault>,
    /// Whether a fitting may be loosened.
    pub disconnect: Disconnect,
    /// When the present phase ends by itself.
    pub deadline: Option<Instant>,
}

/// A phase with what it remembers.
#[derive(Clone, Debug)]
enum State {
    Ready,
    Precheck(Precheck),
    Fill(Fill),
    Soak,
    Isolate(Isolate),
    Vent(Vent),
    Settle,
    /// What it remembers is kept in [`Sequencer::measure`]: it is far larger than the rest.
    Measure,
    SafeVent(SafeVent),
    Swap,
    Fault,
    Trapped,
    Held,
    Work(Coil),
}

impl State {
    const fn phase(&self) -> Phase {
        match self {
            Self::Ready => Phase::Ready,
            Self::Precheck(_) => Phase::Precheck,
            Self::Fill(_) => Phase::Fill,
            Self::Soak => Phase::Soak,
            Self::Isolate(_) => Phase::Isolate,
            Self::Vent(_) => Phase::Vent,
            Self::Settle => Phase::Settle,
            Self::Measure => Phase::Measure,
            Self::SafeVent(_) => Phase::SafeVent,
            Self::Swap => Phase::Swap,
            Self::Fault => Phase::Fault,
            Self::Trapped => Phase::Trapped,
            Self::Held => Phase::Held,
            Self::Work(_) => Phase::Work,
        }
    }
}

impl Phase {
    /// A phase of a test under way, from the precheck to the end of the measurement; or an output being worked.
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
                | Self::Work
        )
    }

    /// A phase that waits at rest with the far side measured empty: only here may a fitting be loosened.
    pub const fn is_resting(self) -> bool {
        matches!(self, Self::Ready | Self::Swap | Self::Fault)
    }

    /// A phase in which supply may be open.
    const fn is_fed(self) -> bool {
        matches!(self, Self::Fill | Self::Soak | Self::Isolate | Self::Work)
    }
}

/// A run under way.
#[derive(Clone, Copy, Debug)]
struct Run {
    sides: Sides,
    side: Side,
    isolated: Option<Isolated>,
    /// What the side ended with; becomes its result once the far side has been measured empty.
    pending: Option<SideResult>,
    aborted: bool,
}

impl Run {
    const fn on(sides: Sides, side: Side) -> Self {
        Self { sides, side, isolated: None, pending: None, aborted: false }
    }
}

/// The sequencer. One value lives through one power-up of a controller, or one run on a host.
#[derive(Clone, Debug)]
pub struct Sequencer {
    rig: Rig,
    recipe: Option<Recipe>,
    state: State,
    /// That of `state`: asked for many times a step.
    phase: Phase,
    measure: Measure,
    /// When the phase was entered, and when a reminder was last given.
    entered: Instant,
    reminded: Instant,
    /// Longest that the phase can last; all of time where there is no limit.
    longest: Duration,
    /// The last step's time; `None` before the first.
    clock: Option<Instant>,
    /// Time between the last two steps.
    elapsed: Duration,
    far: Channel,
    supply: Option<Channel>,
    thermometer: Thermometer,
    /// How long the far side has been measured below the safe limit without a break.
    below: Dwell,
    disconnect: Disconnect,
    ask: Option<Ask>,
    run: Option<Run>,
    results: [Option<SideResult>; 2],
    fault: Option<Fault>,
    acknowledged: bool,
}

impl Sequencer {
    /// After power-up or reset, or at the head of a recording. Assumes that the far side is pressurised: the first
    /// thing it does is to open the valve into the vent and look. Without a recipe it can do that, and nothing else.
    pub fn new(rig: Rig, recipe: Option<Recipe>) -> Self {
        let period = recipe.as_ref().map_or(PERIOD_UNKNOWN, Recipe::sample_period);
        let channel = |transducer: Transducer| Channel::new(transducer, period);
        Self {
            rig,
            recipe,
            state: State::SafeVent(SafeVent::new(Instant::from_ticks(0))),
            phase: Phase::SafeVent,
            measure: Measure::new(period),
            entered: Instant::from_ticks(0),
            reminded: Instant::from_ticks(0),
            longest: Duration::MAX,
            clock: None,
            elapsed: millis(0),
            far: channel(rig.raw().far),
            supply: rig.raw().supply.map(channel),
            thermometer: Thermometer::NEW,
            below: Dwell::NONE,
            disconnect: Disconnect::Pressurised,
            ask: None,
            run: None,
            results: [None; 2],
            fault: None,
            acknowledged: false,
        }
    }

    /// One step. Bounded work, no waiting. `now` must not go back: if it does, that is a fault of the clock, and seen.
    /// Calling early, or twice with nothing new, changes nothing.
    pub fn step(&mut self, now: Instant, inputs: &Inputs) -> Step {
        let mut events = Events::new();
        let outputs = self.step_into(now, inputs, &mut events);
        Step { outputs, events, deadline: self.deadline() }
    }

    /// As [`Sequencer::step`], its events put into a list of the caller's in place of what was there. That list is far
    /// larger than anything else a step gives, and most steps have no event: a controller keeps one, and copies none.
    #[must_use = "outputs must be set every step"]
    pub fn step_into(&mut self, now: Instant, inputs: &Inputs, events: &mut Events) -> Outputs {
        events.clear();
        let time_fault = self.pass_time(now, events);
        self.far.update(now, inputs.far);
        if let Some(supply) = &mut self.supply {
            supply.update(now, inputs.supply);
        }
        if self.rig.raw().thermometer.is_some() {
            self.thermometer.update(self.elapsed, inputs.thermometer);
        }
        self.below.watch(&self.far, self.rig.safe_limit(), now);

        if inputs.contacts.stop {
            self.stop(now, events);
        } else if let Some(fault) = time_fault.or_else(|| self.hazard(inputs)) {
            self.fail(fault, now, events);
        } else if !self.obey(now, inputs, events) {
            self.poll(now, inputs, events);
        }
        self.remind(now, events);
        self.tell_disconnect(events);

        interlock::allow(self.wanted(), inputs.contacts, self.far.known(), self.max())
    }

    /// Where the sequence stands.
    pub const fn phase(&self) -> Phase {
        self.phase
    }

    /// What a screen shows, as of the last step.
    pub fn status(&self) -> Status {
        Status {
            phase: self.phase(),
            side: self.side(),
            far: self.far.known(),
            supply: self.supply.as_ref().map_or(Known::Nothing, |s| s.known()),
            ask: self.ask,
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
        let bare = match (&self.state, &self.recipe) {
            (State::SafeVent(_), recipe) => safe_vent::limit(&self.rig, recipe.as_ref()),
            (State::Precheck(_), Some(r)) => precheck::limit(r),
            (State::Fill(_), Some(r)) => fill::limit(r, &self.rig),
            (State::Soak, Some(r)) => soak::limit(r),
            (State::Isolate(_), Some(r)) => isolate::limit(r),
            (State::Vent(_), Some(r)) => vent::limit(r, &self.rig),
            (State::Settle, Some(r)) => settle::limit(r),
            (State::Measure, Some(r)) => measure::limit(r, &self.rig),
            (State::Swap, Some(r)) => millis(r.raw().swap_ms_max),
            (State::Work(_), _) => work::limit(&self.rig),
            _ => return None,
        };
        // A phase of several stages sees each one's end up to a poll late.
        Some(Duration::from_ticks(bare.as_ticks() + 4 * self.rig.stall_max().as_ticks()))
    }

    fn side(&self) -> Option<Side> {
        self.run.map(|run| run.side)
    }

    /// When the present phase is due to end by itself.
    fn deadline(&self) -> Option<Instant> {
        let span = match (&self.state, &self.recipe) {
            (State::Precheck(_), Some(r)) => millis(r.raw().zero_ms),
            (State::Measure, Some(r)) => millis(r.raw().measure_ms_max),
            (State::Fill(_), Some(r)) => fill::limit(r, &self.rig),
            (State::Soak, Some(r)) => soak::limit(r),
            (State::Isolate(_), Some(r)) => isolate::limit(r),
            (State::Vent(_), Some(r)) => vent::limit(r, &self.rig),
            (State::Settle, Some(r)) => settle::limit(r),
            (State::SafeVent(_), r) => safe_vent::limit(&self.rig, r.as_ref()),
            (State::Swap, Some(r)) => millis(r.raw().swap_ms_max),
            (State::Work(_), _) => work::limit(&self.rig),
            _ => return None,
        };
        Some(after(self.entered, span))
    }

    /// Pressure above which supply is shut.
    fn max(&self) -> GaugePressure {
        let hard = self.supply_max();
        self.recipe.as_ref().map_or(hard, |r| r.max().min(hard))
    }

    /// Most that the supply side may have: while one output is worked, no air at all.
    fn supply_max(&self) -> GaugePressure {
        if let State::Work(_) = self.state { self.rig.safe_limit() } else { self.rig.hard_max() }
    }

    /// Notes the time; a clock that went back or a gap between polls makes what was dwelt worthless.
    fn pass_time(&mut self, now: Instant, events: &mut Events) -> Option<Fault> {
        let Some(last) = self.clock.replace(now) else {
            self.enter(State::SafeVent(SafeVent::new(now)), now, events);
            return None;
        };
        self.elapsed = since(now, last);
        let back = now < last;
        let stalled = self.elapsed > self.rig.stall_max();
        if !back && !stalled {
            return None;
        }
        self.below = Dwell::NONE;
        if back {
            // Every moment noted so far belongs to another time.
            self.far.forget();
            if let Some(supply) = &mut self.supply {
                supply.forget();
            }
            self.entered = now;
            self.reminded = now;
            if let State::SafeVent(vent) = &mut self.state {
                *vent = SafeVent::new(now);
            }
        }
        if let State::SafeVent(vent) = &mut self.state {
            vent.restart_dwell();
        }
        self.phase().is_live().then_some(if back { Fault::Clock } else { Fault::Stalled })
    }

    /// What is wrong with the world, for a test under way. While it is being emptied, only a guard opened too early or an
    /// output that does not follow, and only once: nothing more can be done about it, but no side may be judged.
    fn hazard(&self, inputs: &Inputs) -> Option<Fault> {
        let phase = self.phase();
        let far = self.far.known();
        let guard_open = self.rig.raw().guard_fitted && !inputs.contacts.guard_closed;
        if !phase.is_live() {
            let empty = matches!(far, Known::Pressure(p) if p < self.rig.safe_limit());
            let emptying = phase == Phase::SafeVent && self.run.is_some() && !empty;
            let judging = phase == Phase::SafeVent && self.run.is_some();
            return match self.fault {
                None if guard_open && emptying => Some(Fault::GuardOpen),
                None if inputs.outputs_differ && judging => Some(Fault::Output),
                _ => None,
            };
        }
        let above = |known: Known, max: GaugePressure| matches!(known, Known::Pressure(p) if p > max);
        if above(far, self.max()) {
            return Some(Fault::OverPressure);
        }
        if self.supply.as_ref().is_some_and(|s| above(s.known(), self.supply_max())) {
            return Some(Fault::SupplyOverPressure);
        }
        if guard_open {
            return Some(Fault::GuardOpen);
        }
        if inputs.outputs_differ {
            return Some(Fault::Output);
        }
        // While air is let in, a moment's blindness is one too many.
        if self.far.lost() || (phase.is_fed() && !matches!(far, Known::Pressure(_))) {
            return Some(Fault::FarSensor);
        }
        if self.supply.as_ref().is_some_and(|s| s.lost()) {
            return Some(Fault::SupplySensor);
        }
        if phase.is_fed() && self.slews() {
            return Some(Fault::Slew);
        }
        if (self.ask.is_some() || phase == Phase::Work) && !inputs.link_up {
            return Some(Fault::LinkLost);
        }
        None
    }

    /// Whether the far pressure has changed faster than gas can.
    fn slews(&self) -> bool {
        let (Some((pa, took)), Some(recipe)) = (self.far.change(), &self.recipe) else { return false };
        let most = u64::from(recipe.raw().slew_max_pa_s).saturating_mul(took.as_ticks()) / 1_000_000;
        u64::from(pa.unsigned_abs()) > most
    }

    /// Emergency stop: at rest, and nothing moves until it is released and acknowledged. A hand may be in the ball.
    fn stop(&mut self, now: Instant, events: &mut Events) {
        if matches!(self.state, State::Held) {
            return;
        }
        self.latch(Fault::EmergencyStop, events);
        self.enter(State::Held, now, events);
    }

    /// A fault: whatever was under way is void, and the valve is opened into the vent.
    fn fail(&mut self, fault: Fault, now: Instant, events: &mut Events) {
        self.latch(fault, events);
        let state = if fault == Fault::Trapped { State::Trapped } else { State::SafeVent(SafeVent::new(now)) };
        self.enter(state, now, events);
    }

    fn latch(&mut self, fault: Fault, events: &mut Events) {
        self.fault.get_or_insert(fault);
        self.acknowledged = false;
        tell(events, Event::Faulted(fault));
    }

    /// Carries out a command that is not the present phase's own business. True when that was all for this step.
    fn obey(&mut self, now: Instant, inputs: &Inputs, events: &mut Events) -> bool {
        match (inputs.command, self.phase()) {
            // Refused, it must not hold up the phase under way.
            (Some(Command::Start(sides)), _) => return self.start(sides, now, inputs, events),
            (Some(Command::Work(coil)), _) => return self.work(coil, now, inputs, events),
            (Some(Command::Abort), Phase::Swap) => {
                // Empty already, and hands may be at the valve: nothing is moved.
                self.give_up(events);
                self.finish(now, events);
            }
            (Some(Command::Abort), phase) if phase.is_live() => {
                self.give_up(events);
                self.enter(State::SafeVent(SafeVent::new(now)), now, events);
            }
            (Some(Command::Abort), Phase::SafeVent) if self.run.is_some_and(|r| !r.aborted) => {
                self.give_up(events);
                return false;
            }
            (Some(Command::Acknowledge), phase) => return self.acknowledge(phase, now, events),
            (Some(Command::Confirm(Ask::SwapEnds)), Phase::Swap) => return self.swapped(now, inputs, events),
            _ => return false,
        }
        true
    }

    fn give_up(&mut self, events: &mut Events) {
        if let Some(run) = &mut self.run {
            run.aborted = true;
        }
        tell(events, Event::Aborted);
    }

    fn acknowledge(&mut self, phase: Phase, now: Instant, events: &mut Events) -> bool {
        match phase {
            Phase::Held | Phase::Trapped | Phase::Fault | Phase::SafeVent if self.fault.is_some() => {
                self.acknowledged = true;
                tell(events, Event::Acknowledged);
                match phase {
                    Phase::Fault => self.rest(now, events),
                    // On purpose, and only now: into the vent, from the beginning.
                    Phase::Held | Phase::Trapped => {
                        self.enter(State::SafeVent(SafeVent::new(now)), now, events);
                    }
                    _ => return false,
                }
            }
            // Pressure has come back while waiting: told to, the valve is opened into the vent again.
            Phase::Ready if self.disconnect == Disconnect::Pressurised => {
                tell(events, Event::Acknowledged);
                self.enter(State::SafeVent(SafeVent::new(now)), now, events);
            }
            _ => return false,
        }
        true
    }

    /// Which conditions for letting air in fail.
    fn refusal(&self, inputs: &Inputs) -> Refusal {
        let far = self.far.pressure();
        Refusal {
            busy: !self.phase().is_resting(),
            no_recipe: self.recipe.is_none(),
            stop_pressed: inputs.contacts.stop,
            guard_open: self.rig.raw().guard_fitted && !inputs.contacts.guard_closed,
            far_sensor: far.is_none(),
            supply_sensor: self.supply.as_ref().is_some_and(|s| s.pressure().is_none()),
            far_not_empty: far.is_some_and(|p| p >= self.rig.safe_limit()),
            link_down: !inputs.link_up,
        }
    }

    /// True when the run has been started.
    fn start(&mut self, sides: Sides, now: Instant, inputs: &Inputs, events: &mut Events) -> bool {
        let mut refusal = self.refusal(inputs);
        refusal.busy = self.phase() != Phase::Ready;
        if refusal.any() {
            tell(events, Event::Refused(refusal));
            return false;
        }
        self.results = [None; 2];
        let side = if sides == Sides::Second { Side::Second } else { Side::First };
        self.run = Some(Run::on(sides, side));
        self.enter(State::Precheck(Precheck::default()), now, events);
        true
    }

    /// True when the output is being worked. Asked for a second time it is refused, so that the time it has is one time.
    fn work(&mut self, coil: Coil, now: Instant, inputs: &Inputs, events: &mut Events) -> bool {
        let mut refusal = self.refusal(inputs);
        refusal.busy = self.phase() != Phase::Ready;
        refusal.no_recipe = false;
        let full = |p: GaugePressure| p >= self.rig.safe_limit();
        refusal.far_not_empty |=
            self.disconnect != Disconnect::Safe || self.supply.as_ref().and_then(|s| s.pressure()).is_some_and(full);
        if refusal.any() {
            tell(events, Event::Refused(refusal));
            return false;
        }
        if inputs.outputs_differ {
            // At rest already. Once it is energised, a coil with a broken wire reads back as it should.
            self.fail(Fault::Output, now, events);
        } else {
            self.enter(State::Work(coil), now, events);
        }
        true
    }

    /// True when the second side has been begun.
    fn swapped(&mut self, now: Instant, inputs: &Inputs, events: &mut Events) -> bool {
        let refusal = self.refusal(inputs);
        if refusal.any() {
            tell(events, Event::Refused(refusal));
            return false;
        }
        self.enter(State::Precheck(Precheck::default()), now, events);
        true
    }

    /// Lets the present phase work, and goes where it says.
    fn poll(&mut self, now: Instant, inputs: &Inputs, events: &mut Events) {
        let confirmed = match (inputs.command, self.ask) {
            // Ends said to be swapped and refused: still asked for.
            (Some(Command::Confirm(Ask::SwapEnds)), _) => None,
            (Some(Command::Confirm(answer)), Some(asked)) if answer == asked => {
                self.ask = None;
                Some(answer)
            }
            _ => None,
        };
        let next = self.poll_phase(now, inputs, confirmed, events);
        let overrun = since(now, self.entered) > self.longest;
        match next {
            Next::Stay if overrun => self.fail(Fault::Overrun(self.phase()), now, events),
            Next::Stay => {}
            Next::Ask(ask) => self.put(ask, events),
            Next::Go(phase) => self.go(phase, now, events),
            Next::Shut(isolated) => {
                if let Some(run) = &mut self.run {
                    run.isolated = Some(isolated);
                }
                tell(events, Event::Isolated { at: isolated.pressure });
                self.enter(State::Vent(Vent::default()), now, events);
            }
            Next::End(end) => {
                self.end_side(&end, now);
                self.enter(State::SafeVent(SafeVent::new(now)), now, events);
            }
            Next::Fault(fault) => self.fail(fault, now, events),
            Next::Empty => self.finish(now, events),
        }
    }

    fn poll_phase(&mut self, now: Instant, inputs: &Inputs, confirmed: Option<Ask>, events: &mut Events) -> Next {
        let spent = since(now, self.entered);
        if let State::SafeVent(vent) = &mut self.state {
            return vent.poll(&VentView {
                now,
                rig: &self.rig,
                recipe: self.recipe.as_ref(),
                far: &self.far,
                confirmed,
            });
        }
        if let State::Work(_) = self.state {
            return if spent >= work::limit(&self.rig) { Next::Go(Phase::SafeVent) } else { Next::Stay };
        }
        let Some(recipe) = &self.recipe else { return Next::Stay };
        if let State::Swap = self.state {
            if spent >= millis(recipe.raw().swap_ms_max) {
                self.end_side(&End::plain(Verdict::Void, Ground::NotSwapped), now);
                return Next::Empty;
            }
            return Next::Stay;
        }
        let view = View {
            now,
            elapsed: self.elapsed,
            spent,
            rig: &self.rig,
            recipe,
            far: &self.far,
            supply: self.supply.as_ref(),
            warmth: self.thermometer.known(self.rig.raw().thermometer.is_some()),
            contacts: inputs.contacts,
            confirmed,
            isolated: self.run.and_then(|run| run.isolated),
        };
        match &mut self.state {
            State::Precheck(phase) => phase.poll(&view, events),
            State::Fill(phase) => phase.poll(&view),
            State::Soak => soak::poll(&view),
            State::Isolate(phase) => phase.poll(&view),
            State::Vent(phase) => phase.poll(&view),
            State::Settle => settle::poll(&view),
            State::Measure => self.measure.poll(&view, events),
            State::Ready
            | State::Swap
            | State::Fault
            | State::Trapped
            | State::Held
            | State::SafeVent(_)
            | State::Work(_) => Next::Stay,
        }
    }

    fn go(&mut self, phase: Phase, now: Instant, events: &mut Events) {
        let state = match phase {
            Phase::Fill => State::Fill(Fill::default()),
            Phase::Soak => State::Soak,
            Phase::Isolate => State::Isolate(Isolate::default()),
            Phase::Settle => State::Settle,
            Phase::Measure => {
                if let Some(recipe) = &self.recipe {
                    self.measure.begin(recipe.schedule().first());
                }
                State::Measure
            }
            // The safe vent; no phase asks for any other, and if one ever did, this is the harmless answer.
            _ => State::SafeVent(SafeVent::new(now)),
        };
        self.enter(state, now, events);
    }

    /// Notes what the side ended with. Not yet its result: that waits until the far side has been measured empty.
    fn end_side(&mut self, end: &End, now: Instant) {
        let pressure = self.far.pressure();
        if let Some(run) = &mut self.run {
            let after = run.isolated.map_or(0, |i| since(now, i.at).as_ticks() / 1_000);
            // Supply may sag in the moment the valve shuts. Leaking at less is leaking, but tight at less is not tight.
            let in_band = |i: Isolated| self.recipe.as_ref().is_some_and(|r| r.in_band(i.pressure));
            let (verdict, ground) = if end.verdict == Verdict::Tight && !run.isolated.is_some_and(in_band) {
                (Verdict::Void, Ground::OutOfBand)
            } else {
                (end.verdict, end.ground)
            };
            run.pending = Some(SideResult {
                side: run.side,
                verdict,
                ground,
                figure: end.figure,
                isolated_at: run.isolated.map(|i| i.pressure),
                fall_pa: run.isolated.and_then(|i| Some(i.pressure.above(pressure?))).unwrap_or(0),
                after_ms: u32::try_from(after).unwrap_or(u32::MAX),
            });
        }
    }

    /// The far side has been measured empty, or was so all along: gives the side's result and goes on.
    fn finish(&mut self, now: Instant, events: &mut Events) {
        let Some(run) = self.run.take() else {
            self.rest(now, events);
            return;
        };
        let result = self.settle_result(&run);
        tell(events, Event::Judged(result));
        let [first, second] = &mut self.results;
        *(if run.side == Side::First { first } else { second }) = Some(result);
        let more = run.sides == Sides::Both && run.side == Side::First;
        if more && self.fault.is_none() && !run.aborted && result.ground != Ground::NotEmpty {
            self.run = Some(Run::on(run.sides, Side::Second));
            self.enter(State::Swap, now, events);
            return;
        }
        self.prove(run.sides, events);
        self.rest(now, events);
    }

    /// A side's result: what it ended with, unless a fault or an abort touched it.
    fn settle_result(&self, run: &Run) -> SideResult {
        let mut result = run.pending.unwrap_or(SideResult {
            side: run.side,
            verdict: Verdict::Void,
            ground: Ground::Fault,
            figure: None,
            isolated_at: run.isolated.map(|i| i.pressure),
            fall_pa: 0,
            after_ms: 0,
        });
        if self.fault.is_some() {
            (result.verdict, result.ground) = (Verdict::Void, Ground::Fault);
        } else if run.aborted && run.pending.is_none() {
            (result.verdict, result.ground) = (Verdict::Void, Ground::Aborted);
        }
        result
    }

    /// The run's result over all sides it was to cover; a side that was not reached is void.
    fn prove(&self, sides: Sides, events: &mut Events) {
        let [first, second] = &self.results;
        let of = |side: &Option<SideResult>| side.as_ref().map_or(Verdict::Void, |r| r.verdict);
        let verdict = match sides {
            Sides::Both => of(first).and(of(second)),
            Sides::First => of(first),
            Sides::Second => of(second),
        };
        tell(events, Event::Proved { verdict, diagnosis: diagnose(first.as_ref(), second.as_ref()) });
    }

    /// To the resting state that fits: a latched fault waits for its acknowledgement.
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
        self.state = state;
        self.longest = self.limit().unwrap_or(Duration::MAX);
        self.entered = now;
        self.reminded = now;
        self.ask = None;
        tell(events, Event::Entered { phase: self.phase(), side: self.side() });
        let ask = match (&self.state, &self.recipe) {
            (State::Fill(_), Some(recipe)) => fill::ask(recipe),
            (State::Isolate(_), Some(recipe)) => isolate::ask(recipe),
            (State::SafeVent(_), recipe) => safe_vent::ask(recipe.as_ref()),
            (State::Swap, _) => Some(Ask::SwapEnds),
            _ => None,
        };
        if let Some(ask) = ask {
            self.put(ask, events);
        }
    }

    fn put(&mut self, ask: Ask, events: &mut Events) {
        self.ask = Some(ask);
        tell(events, Event::Asked(ask));
    }

    /// What the phase wants of the outputs, before the interlock.
    fn wanted(&self) -> Outputs {
        match &self.state {
            State::Ready | State::Swap | State::Fault | State::Held => Outputs::REST,
            State::Trapped => Outputs::OPEN_TO_VENT,
            State::Precheck(_) => precheck::OUTPUTS,
            State::Fill(phase) => phase.outputs(),
            State::Soak => soak::OUTPUTS,
            State::Isolate(_) => isolate::OUTPUTS,
            State::Vent(phase) => phase.outputs(),
            State::Settle => settle::OUTPUTS,
            State::Measure => measure::OUTPUTS,
            State::SafeVent(phase) => phase.outputs(),
            State::Work(coil) => {
                work::outputs(*coil, self.clock.map_or(millis(0), |now| since(now, self.entered)), &self.rig)
            }
        }
    }

    /// A person has been waited for long enough to be reminded.
    fn remind(&mut self, now: Instant, events: &mut Events) {
        let waits = matches!(self.phase, Phase::Fault | Phase::Trapped | Phase::Held | Phase::Swap);
        if waits && since(now, self.reminded) >= REMINDER {
            self.reminded = now;
            tell(events, Event::Reminder(self.phase()));
        }
    }

    fn tell_disconnect(&mut self, events: &mut Events) {
        let dwelt = self.below.lasted(self.rig.safe_dwell());
        let is = if dwelt && self.phase().is_resting() { Disconnect::Safe } else { Disconnect::Pressurised };
        if is != self.disconnect {
            self.disconnect = is;
            tell(events, Event::Disconnect(is));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::input::Reading;
    use crate::recipe::RawRecipe;
    use crate::rig::RawRig;

    fn at(ms: u64) -> Instant {
        Instant::from_ticks(ms * 1_000)
    }

    fn sequencer() -> Sequencer {
        let rig = RawRig::DEMO.validate().unwrap();
        let recipe = RawRecipe::DEMO.validate(&rig).unwrap();
        let mut sequencer = Sequencer::new(rig, Some(recipe));
        let _ = sequencer.step(at(0), &Inputs::IDLE);
        sequencer
    }

    /// The longest a phase may last is set wherever one is entered.
    #[test]
    fn every_phase_is_entered_with_its_own_limit() {
        let mut sequencer = sequencer();
        assert_eq!(Some(sequencer.longest), sequencer.limit());
        for phase in [Phase::Fill, Phase::Soak, Phase::Isolate, Phase::Settle, Phase::Measure] {
            sequencer.go(phase, at(10), &mut Events::new());
            assert_eq!(sequencer.phase(), phase);
            assert_eq!(Some(sequencer.longest), sequencer.limit(), "{phase:?}");
        }
        sequencer.rest(at(20), &mut Events::new());
        assert_eq!((sequencer.phase(), sequencer.limit()), (Phase::Ready, None));
        assert_eq!(sequencer.longest, Duration::MAX);
    }

    /// Every phase ends by itself, so that this is never seen outside: what stands behind a mistake in one of them.
    #[test]
    fn a_phase_that_does_not_end_by_itself_is_ended() {
        let mut sequencer = sequencer();
        sequencer.go(Phase::Fill, at(10), &mut Events::new());
        sequencer.longest = millis(20);
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
        assert_eq!(sequencer.phase(), Phase::SafeVent);
    }
}
