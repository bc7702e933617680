//! One run: controller, plant, operator, judge and faults, poll by poll.

use crate::edge;
use crate::judge::{Broken, Judge, Seen};
use crate::person::{Person, Screen, sides};
use crate::plant::{Plant, Truth};
use crate::setup::{POLL_US, Setup};
use crate::spec::{Planned, Spec, Stay, TROUBLES, When};
use crate::trouble::{Restart, Slip, Time, Torn, Trouble};
use crate::wire::{Dice, Flaw, Wire};
use seathold_sequencer::event::{Event, Events, Phase};
use seathold_sequencer::input::{Command, Contacts, Inputs, Reading, SensorFault, Side};
use seathold_sequencer::output::{Coil, GasValve, Outputs, Pilot};
use seathold_sequencer::recipe::Recipe;
use seathold_sequencer::rig::{Rig, Thermometer, Transducer};
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::Instant;
use seathold_sequencer::verdict::Verdict;

/// The controller's clock at the beginning, µs: far enough from zero to go back.
const CLOCK: i64 = 100_000_000;
/// No run lasts longer, µs: two runs and as many safe vents after them as are acknowledged, each of which may take its
/// time and end as trapped.
const LONGEST: u64 = 180_000_000;
/// A run is over when nothing has happened for so long, µs.
const QUIET: u64 = 1_500_000;
/// Time until a broken wire is read back, µs.
const READ_BACK: u64 = 50_000;
/// Samples of the thermometer are this far apart, in polls.
const WARMTH_POLLS: u64 = 5;

#[derive(Clone, Copy, Debug, PartialEq)]
enum State {
    Waiting,
    On(u64),
    Over,
}

/// Present faults on the controller's side.
#[derive(Clone, Debug, Default)]
struct Now {
    thermometer: Option<Flaw>,
    swapped: bool,
    switch: Option<bool>,
    stop: bool,
    guard: bool,
    link: bool,
    wire: Option<Coil>,
    differs_since: Option<u64>,
    command: Option<Command>,
    stands: bool,
    slow: bool,
    back_again: Option<u64>,
    dark_until: Option<u64>,
    after_stop: Option<u64>,
    reload: bool,
    bare: bool,
}

/// A run under way.
#[derive(Clone, Debug)]
pub struct World {
    setup: Setup,
    rig: Rig,
    recipe: Recipe,
    sequencer: Sequencer,
    plant: Plant,
    far: Wire,
    supply: Option<Wire>,
    warmth: (i32, u32),
    dice: Dice,
    person: Person,
    judge: Judge,
    now: u64,
    polls: u64,
    /// Controller's clock less true time, µs.
    clock: i64,
    slack_us: u64,
    outputs: Outputs,
    troubles: [Option<(Planned, State)>; TROUBLES],
    on_in: [u16; TROUBLES],
    wrong: Now,
    /// Retained over a reset.
    stopped: bool,
    stay: Stay,
    stays: [[u8; 3]; Phase::ALL.len()],
    entered: u64,
    changed: u64,
    verdicts: [Option<Verdict>; 2],
    events: Events,
}

/// Result of a run.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// Rules broken, and when first.
    pub broken: Vec<(Broken, u64)>,
    /// The last verdict of each side.
    pub verdicts: [Option<Verdict>; 2],
    /// Its duration, µs.
    pub lasted: u64,
    /// Its last phase.
    pub end: Phase,
    /// For each fault, the phases it was active in: a bit each, in the order of [`Phase::ALL`].
    on_in: [u16; TROUBLES],
}

impl Outcome {
    /// Whether this fault of the spec was active in this phase.
    pub fn was_on(&self, place: usize, phase: Phase) -> bool {
        self.on_in.get(place).is_some_and(|phases| phases & bit(phase) != 0)
    }
}

const fn bit(phase: Phase) -> u16 {
    1 << phase as u16
}

const fn side_index(side: Option<Side>) -> usize {
    match side {
        None => 0,
        Some(Side::First) => 1,
        Some(Side::Second) => 2,
    }
}

impl World {
    /// At rest and empty, the valve mounted.
    ///
    /// # Errors
    /// Errors of rig or recipe, which would be a defect here.
    pub fn new(spec: &Spec) -> Result<Self, String> {
        let setup = spec.setup;
        let rig = setup.rig().validate().map_err(|e| format!("rig: {:?}", e.as_slice()))?;
        let recipe = setup.recipe().validate(&rig).map_err(|e| format!("recipe: {:?}", e.as_slice()))?;
        let mut dice = Dice::new(setup.seed);
        let mut wire = |t: Transducer| Wire::new(t, dice.bits());
        let phase = Phase::Ready;
        Ok(Self {
            setup,
            rig,
            recipe,
            sequencer: edge::begin(rig, Some(recipe), false),
            plant: Plant::new(setup.far.volume(), setup.by_hand, setup.valve.leaks(setup.limit())),
            far: wire(rig.raw().far),
            supply: rig.raw().supply.map(&mut wire),
            warmth: (0, 0),
            dice,
            person: Person::NEW,
            judge: Judge::new(setup),
            now: 0,
            polls: 0,
            clock: CLOCK,
            slack_us: 0,
            outputs: Outputs::REST,
            troubles: spec.troubles.map(|t| t.map(|t| (t, State::Waiting))),
            on_in: [0; TROUBLES],
            wrong: Now::default(),
            stopped: false,
            stay: Stay { phase, side: None, time: 0 },
            stays: [[0; 3]; Phase::ALL.len()],
            entered: 0,
            changed: 0,
            verdicts: [None; 2],
            events: Events::new(),
        })
    }

    /// Runs a spec to its end.
    ///
    /// # Errors
    /// As [`World::new`].
    pub fn run(spec: &Spec) -> Result<Outcome, String> {
        Ok(Self::new(spec)?.finish(|_| {}))
    }

    /// Continues to the end; `look` is called with every poll.
    pub fn finish(mut self, mut look: impl FnMut(&Self)) -> Outcome {
        while !self.over() {
            self.poll();
            look(&self);
        }
        self.outcome()
    }

    /// Its result so far.
    pub fn outcome(&self) -> Outcome {
        let mut broken: Vec<(Broken, u64)> =
            Broken::ALL.into_iter().filter_map(|b| Some((b, self.judge.first(b)?))).collect();
        let resting = matches!(self.stay.phase, Phase::Ready | Phase::Fault | Phase::Trapped | Phase::EmergencyStopped);
        // A phase with a time limit is checked against that, poll by poll: it is cut off only if the limit is very
        // long, as without a recipe for a hand valve. Anything else is an endless loop.
        let long = self.sequencer.limit().is_some_and(|limit| limit.as_ticks() > LONGEST / 3);
        if self.now >= LONGEST && !resting && !long && self.judge.first(Broken::Outlived).is_none() {
            broken.push((Broken::Outlived, self.now));
        }
        Outcome { broken, verdicts: self.verdicts, lasted: self.now, end: self.stay.phase, on_in: self.on_in }
    }

    /// Plans a fault, in a run without one so far: to start many from one run.
    pub fn plan(&mut self, planned: Planned) {
        self.troubles[0] = Some((planned, State::Waiting));
    }

    /// The phase and side it is in, and for how long, µs.
    pub const fn stay(&self) -> (Stay, u64) {
        (self.stay, self.now - self.entered)
    }

    /// True time, µs.
    pub const fn now(&self) -> u64 {
        self.now
    }

    /// The true state.
    pub fn truth(&self) -> Truth {
        self.plant.truth(self.sequencer.status().side)
    }

    /// Events of the last step.
    pub fn events(&self) -> &[Event] {
        &self.events
    }

    /// Outputs of the last step.
    pub const fn outputs(&self) -> Outputs {
        self.outputs
    }

    /// Nothing more will happen.
    pub fn over(&self) -> bool {
        if self.now >= LONGEST {
            return true;
        }
        if self.now < self.changed + QUIET {
            return false;
        }
        let resting = matches!(self.stay.phase, Phase::Ready | Phase::Fault | Phase::Trapped | Phase::EmergencyStopped);
        let pending = self.troubles.iter().flatten().any(|(planned, state)| match state {
            State::On(_) => planned.lasts.is_some(),
            State::Waiting => matches!(planned.when, When::In(stay, _) if stay == self.stay),
            State::Over => false,
        });
        resting && !pending && self.person.idle() && self.wrong.dark_until.is_none()
    }

    /// One poll.
    pub fn poll(&mut self) {
        let us = if self.wrong.slow { 6 * POLL_US } else { POLL_US };
        self.pass(us);
        self.suffer();
        self.clock_troubles(us);
        self.controller_troubles();
        if self.dark() {
            return;
        }
        let inputs = self.read();
        let before = self.sequencer.phase();
        let truth = self.plant.truth(self.sequencer.status().side);
        let old = matches!(self.far.flaw, Some(Flaw::Frozen | Flaw::Repeated | Flaw::ReadsAtmosphere));
        let at = Instant::from_ticks((self.now as i64 + self.clock).max(0) as u64);
        self.outputs = self.sequencer.step_into(at, &inputs, &mut self.events);
        self.stopped = edge::retained(&self.sequencer);
        self.judge.see(&Seen {
            now: self.now,
            word: edge::word(self.sequencer.status().disconnect),
            limit_us: self.sequencer.limit().map(|l| l.as_ticks()),
            before,
            after: self.sequencer.phase(),
            inputs: &inputs,
            outputs: self.outputs,
            events: &self.events,
            truth,
            error_pa: self.far.error_pa,
            stale: old || !matches!(inputs.far, Reading::Sample(_)),
            slack_us: self.slack_us,
            bleed: self.plant.bleed,
        });
        self.apply();
        self.hear();
    }

    fn pass(&mut self, us: u64) {
        self.plant.advance(us);
        self.now += us;
        self.polls += 1;
    }

    /// Begins and ends the faults due.
    fn suffer(&mut self) {
        let age = self.now - self.entered;
        let mut earlier = None;
        for i in 0..TROUBLES {
            let Some((planned, state)) = self.troubles[i] else { break };
            match state {
                State::Waiting => {
                    let due = match planned.when {
                        When::In(stay, ms) => stay == self.stay && age >= u64::from(ms) * 1_000,
                        When::Then(ms) => earlier.is_some_and(|began: u64| self.now >= began + u64::from(ms) * 1_000),
                    };
                    if due {
                        self.troubles[i] = Some((planned, State::On(self.now)));
                        self.happen(planned.named.trouble, true);
                    }
                }
                State::On(since) => {
                    if planned.lasts.is_some_and(|ms| self.now >= since + u64::from(ms) * 1_000) {
                        self.troubles[i] = Some((planned, State::Over));
                        self.happen(planned.named.trouble, false);
                    }
                }
                State::Over => {}
            }
            if let Some((_, State::On(began))) = self.troubles[i] {
                earlier = Some(began);
                self.on_in[i] |= bit(self.stay.phase);
            }
        }
    }

    fn happen(&mut self, trouble: Trouble, begins: bool) {
        self.changed = self.now;
        self.plant.stir();
        let wrong = &mut self.wrong;
        let plant = &mut self.plant;
        match trouble {
            Trouble::Far(flaw) => self.far.flaw = begins.then_some(flaw),
            Trouble::Supply(flaw) => {
                if let Some(supply) = &mut self.supply {
                    supply.flaw = begins.then_some(flaw);
                }
            }
            Trouble::SlipFar => self.far.slips |= begins,
            Trouble::Thermometer(flaw) => wrong.thermometer = begins.then_some(flaw),
            Trouble::Swapped => wrong.swapped = begins,
            Trouble::Switch(says) => wrong.switch = begins.then_some(says),
            Trouble::Stop => wrong.stop = begins,
            Trouble::Guard => wrong.guard = begins,
            Trouble::Link => wrong.link = begins,
            Trouble::Regulator(pa) => plant.regulator = if begins { pa } else { crate::plant::REGULATOR },
            Trouble::PilotAir(pa) => plant.pilot_air = if begins { pa } else { crate::plant::PILOT_AIR },
            Trouble::Jam => plant.broken.jammed = begins,
            Trouble::JamHalf => plant.broken.half = begins,
            Trouble::SupplyStuck(gate) => plant.broken.supply = begins.then_some(gate),
            Trouble::SupplyPasses => plant.broken.passing = begins,
            Trouble::VentStuck(gate) => plant.broken.vent = begins.then_some(gate),
            Trouble::VentSlow => plant.broken.vent_slow = begins,
            Trouble::PilotStuck(pilot) => plant.broken.pilot = begins.then_some(pilot),
            Trouble::Wire(coil) => wrong.wire = begins.then_some(coil),
            Trouble::Leak(torn) => self.tear(torn, begins),
            Trouble::Room(kelvin) => plant.room = if begins { kelvin } else { crate::plant::ROOM },
            Trouble::Bleed => plant.bleed = begins,
            Trouble::Slips(slip) => self.slip(begins.then_some(slip)),
            Trouble::Abort if begins => wrong.command = Some(Command::Abort),
            Trouble::Start if begins => wrong.command = Some(Command::Start(sides(plant.mounted()))),
            Trouble::Acknowledge if begins => wrong.command = Some(Command::Acknowledge),
            Trouble::Work(coil) if begins => wrong.command = Some(Command::TestOutput(coil)),
            Trouble::Abort | Trouble::Start | Trouble::Acknowledge | Trouble::Work(_) => {}
            Trouble::Time(time) => self.tamper(time, begins),
            Trouble::Restart(restart) if begins => self.restart(restart),
            Trouble::Restart(_) => {}
        }
    }

    fn slip(&mut self, slip: Option<Slip>) {
        self.person.set_slip(self.now, slip);
    }

    fn tear(&mut self, torn: Torn, begins: bool) {
        let limit = self.setup.limit();
        let sound = self.setup.valve.leaks(limit);
        let leaks = &mut self.plant.leaks;
        match torn {
            Torn::Seats(times) => leaks.seats = if begins { [times * limit; 2] } else { sound.seats },
            Torn::Joints(times) => leaks.joints = if begins { [times * limit; 2] } else { sound.joints },
            Torn::Stem(times) => leaks.stem = if begins { times * limit } else { sound.stem },
            Torn::Rig(times) => leaks.rig = if begins { times * limit } else { sound.rig },
        }
    }

    fn tamper(&mut self, time: Time, begins: bool) {
        match time {
            Time::Back if begins => self.set_back(1_000_000),
            Time::Leap if begins => self.clock += 10_000_000,
            Time::Late if begins => {
                // The world continues, the loop does not.
                self.pass(500_000);
                self.slack_us += 500_000;
                self.person.wait(500_000);
            }
            Time::Back | Time::Leap | Time::Late => {}
            Time::BackAgain => self.wrong.back_again = begins.then_some(0),
            Time::Stands => self.wrong.stands = begins,
            Time::Slow => self.wrong.slow = begins,
        }
    }

    fn set_back(&mut self, us: i64) {
        self.clock -= us;
        // A jump may extend a phase by the longest gap between polls.
        self.slack_us += u64::from(self.rig.raw().poll_gap_ms_max) * 1_000;
    }

    fn clock_troubles(&mut self, us: u64) {
        if self.wrong.stands {
            self.clock -= us as i64;
        }
        if let Some(next) = self.wrong.back_again
            && self.now >= next
        {
            self.wrong.back_again = Some(self.now + 150_000);
            self.set_back(400_000);
        }
    }

    fn restart(&mut self, restart: Restart) {
        match restart {
            Restart::Warm => self.wrong.dark_until = Some(self.now + 50_000),
            Restart::Bare => {
                self.wrong.bare = true;
                self.wrong.dark_until = Some(self.now + 50_000);
            }
            Restart::Dark => self.wrong.dark_until = Some(self.now + 1_000_000),
            Restart::AfterStop => self.wrong.after_stop = Some(self.now),
            Restart::Reload => self.wrong.reload = true,
        }
    }

    fn controller_troubles(&mut self) {
        if let Some(since) = self.wrong.after_stop
            && self.now >= since + 200_000
        {
            self.wrong.after_stop = None;
            self.restart(Restart::Warm);
        }
        if self.wrong.reload && edge::takes_recipe(&self.sequencer) {
            self.wrong.reload = false;
            self.begin(Some(self.recipe));
        }
    }

    /// Whether the controller is without power just now.
    fn dark(&mut self) -> bool {
        let Some(until) = self.wrong.dark_until else { return false };
        self.changed = self.now;
        self.outputs = Outputs::REST;
        self.events.clear();
        self.apply();
        if self.now >= until {
            self.wrong.dark_until = None;
            self.begin(if self.wrong.bare { None } else { Some(self.recipe) });
            // The host sends the recipe as soon as it is accepted.
            self.wrong.reload = self.wrong.bare;
            self.wrong.bare = false;
        } else {
            let truth = self.plant.truth(None);
            self.judge.dark(self.now, &truth, self.slack_us);
        }
        true
    }

    fn begin(&mut self, recipe: Option<Recipe>) {
        self.sequencer = edge::begin(self.rig, recipe, self.stopped);
        self.person.forget();
        let truth = self.plant.truth(None);
        self.judge.dark(self.now, &truth, self.slack_us);
    }

    fn read(&mut self) -> Inputs {
        let truth = self.plant.truth(None);
        let (far, line) = if self.wrong.swapped { (truth.line, truth.far) } else { (truth.far, truth.line) };
        let period_s = POLL_US as f64 / 1e6;
        let stop = self.wrong.stop || self.wrong.after_stop.is_some_and(|at| self.now < at + 100_000);
        let screen =
            Screen { phase: self.sequencer.phase(), word: self.judge.word(), stopped: stop, gone: self.wrong.link };
        let person = self.person.live(self.now, &screen, &mut self.plant);
        let command = self.wrong.command.take().or(person);
        if command.is_some() {
            self.changed = self.now;
        }
        Inputs {
            far: self.far.read(far, period_s),
            supply: self.supply.as_mut().map_or(Reading::NoSample, |s| s.read(line, period_s)),
            thermometer: self.thermometer(),
            contacts: Contacts {
                stop,
                guard_closed: !(self.wrong.guard || self.person.guard_open),
                valve_shut: self.wrong.switch.unwrap_or(truth.ball < 0.02),
            },
            readback_mismatch: self.wrong.differs_since.is_some_and(|at| self.now >= at + READ_BACK),
            link_up: !self.wrong.link,
            command,
        }
    }

    fn thermometer(&mut self) -> Reading {
        let Some(Thermometer { kelvin_at_zero, kelvin_per_count }) = self.rig.raw().thermometer else {
            return Reading::NoSample;
        };
        if !self.polls.is_multiple_of(WARMTH_POLLS) {
            return Reading::NoSample;
        }
        let (counts, number) = self.warmth;
        match self.wrong.thermometer {
            Some(Flaw::Repeated) => return Reading::sample(counts, number),
            Some(Flaw::Frozen) => self.warmth = (counts, number.wrapping_add(1)),
            flaw => {
                let noise = (self.dice.below(3) as f64 - 1.0) * 0.5;
                let counts = ((self.plant.kelvin() - kelvin_at_zero) / kelvin_per_count + noise).round();
                self.warmth = (counts as i32, number.wrapping_add(1));
                match flaw {
                    Some(Flaw::Lost) => return Reading::NoSample,
                    Some(_) => return Reading::SensorFault(SensorFault::Open),
                    None => {}
                }
            }
        }
        let (counts, number) = self.warmth;
        Reading::sample(counts, number)
    }

    /// Sets the outputs, as far as the wires are intact.
    fn apply(&mut self) {
        let mut truly = self.outputs;
        match self.wrong.wire {
            Some(Coil::Supply) => truly.supply = GasValve::Shut,
            Some(Coil::Vent) => truly.vent = GasValve::Open,
            Some(Coil::Pilot) => truly.pilot = Pilot::Exhausted,
            None => {}
        }
        if truly == self.outputs {
            self.wrong.differs_since = None;
        } else {
            self.wrong.differs_since.get_or_insert(self.now);
        }
        self.plant.set(truly);
    }

    fn hear(&mut self) {
        let phase = self.sequencer.phase();
        for event in &self.events {
            self.person.hear(self.now, event, phase);
            self.changed = self.now;
            match event {
                Event::Entered { phase, side } => {
                    let index = Phase::ALL.iter().position(|p| p == phase).expect("every phase is in the list");
                    let count = &mut self.stays[index][side_index(*side)];
                    *count = count.saturating_add(1);
                    self.stay = Stay { phase: *phase, side: *side, time: *count };
                    self.entered = self.now;
                }
                Event::SideFinished(result) => {
                    self.verdicts[usize::from(result.side == Side::Second)] = Some(result.verdict);
                }
                _ => {}
            }
        }
    }
}
