//! Sequencer, plant and judge together, and what can happen at a poll.

use std::collections::hash_map::DefaultHasher;
use std::hash::{Hash, Hasher};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use seathold_sequencer::event::{Disconnect, Fault, Phase};
use seathold_sequencer::input::{Ask, Command, Contacts, Inputs, Reading, SensorFault, Side, Sides};
use seathold_sequencer::output::{Coil, Outputs};
use seathold_sequencer::recipe::{Actuation, Model as Curve, RawRecipe, Recipe};
use seathold_sequencer::rig::{RawRig, Rig};
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::Instant;
use seathold_sequencer::verdict::Verdict;
use stateright::{Model, Property};

use crate::digest;
use crate::plant::{Leak, Level, Plant};
use crate::watch::{Poll, Rule, Watch};

/// Time from poll to poll, in microseconds: coarse, so that a run is short.
pub const POLL_US: u64 = 100_000;

/// Where the clock starts, in microseconds: far from either end.
const START_US: u64 = 1 << 40;

/// What goes wrong at one poll.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Mishap {
    /// Nothing.
    None,
    /// The emergency stop is pressed.
    Stop,
    /// The guard is open.
    GuardOpen,
    /// The operator cannot be reached.
    LinkDown,
    /// The far transducer reports itself sick.
    Sick,
    /// The sample is lost.
    Silent,
    /// The last sample comes again.
    Repeated,
    /// The supply transducer reports itself sick.
    SupplySick,
    /// The clock goes back.
    ClockBack,
    /// The poll comes late.
    Stall,
    /// The regulator lets too much through.
    Over,
    /// The regulator lets too little through.
    Under,
    /// Pressure reaches the far side by a way of its own.
    Intrusion,
    /// The ball jams, or comes free.
    Jam,
    /// The controller is reset: outputs fall to rest, and it begins anew.
    Reset,
}

impl Mishap {
    /// All of them.
    pub const ALL: [Self; 14] = [
        Self::Stop,
        Self::GuardOpen,
        Self::LinkDown,
        Self::Sick,
        Self::Silent,
        Self::Repeated,
        Self::SupplySick,
        Self::ClockBack,
        Self::Stall,
        Self::Over,
        Self::Under,
        Self::Intrusion,
        Self::Jam,
        Self::Reset,
    ];
    /// What comes from wires, the clock, the shop and the controller itself.
    pub const CONTACTS: [Self; 8] = [
        Self::Stop,
        Self::GuardOpen,
        Self::LinkDown,
        Self::ClockBack,
        Self::Stall,
        Self::Over,
        Self::Under,
        Self::Reset,
    ];
}

/// What the operator does at one poll.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Deed {
    /// Nothing.
    None,
    /// Starts a run.
    Start,
    /// Does what is asked and says so.
    Obey,
    /// Says so without having done it.
    Claim,
    /// Answers a question that is not asked.
    Stray,
    /// Gives up.
    Abort,
    /// Acknowledges.
    Acknowledge,
    /// Has one output worked, whether the air is off or not.
    Work(Coil),
}

/// One poll's input.
pub type Action = (Mishap, Deed);

/// How much of the world a model explores.
#[derive(Clone, Debug)]
pub struct Scope {
    rig: Rig,
    recipe: Recipe,
    sides: Sides,
    leaks: Vec<Leak>,
    actions: Vec<Action>,
    /// Mishaps a path may hold; `None` for any number.
    mishaps_max: Option<u8>,
    /// States met while measuring, and otherwise.
    met: Arc<[AtomicUsize; 2]>,
}

impl Scope {
    /// The shortest times the validator lets through at this poll, one valve for each leak, and these inputs.
    pub fn new(actuation: Actuation, sides: Sides, leaks: &[Leak], actions: Vec<Action>) -> Self {
        let raw_rig = RawRig {
            safe_dwell_ms: 200,
            safe_vent_ms_max: 1_000,
            stall_ms_max: 250,
            // A switch on a lever is seldom fitted.
            shut_switch_fitted: actuation == Actuation::Air,
            ..RawRig::DEMO
        };
        let rig = raw_rig.validate().unwrap_or_else(|e| panic!("rig:\n{e}"));
        let raw_recipe = RawRecipe {
            actuation,
            model: Curve::Line,
            slew_max_pa_s: 5_000_000,
            zero_ms: 1_000,
            fill_ms_max: 500,
            soak_ms: 100,
            stroke_ms: 100,
            isolate_ms_max: 200,
            vent_ms: 100,
            vent_ms_max: 300,
            settle_ms: 100,
            measure_ms_min: 1_600,
            measure_ms_max: 2_400,
            sample_ms: 100,
            prompt_ms_max: 1_000,
            swap_ms_max: 1_000,
            // 1 kPa/s in 45 cm³: six counts a poll.
            limit_pa_m3_s: 45e-3,
            ..RawRecipe::DEMO
        };
        let recipe = raw_recipe.validate(&rig).unwrap_or_else(|e| panic!("recipe:\n{e}"));
        // The digest's argument about stale samples rests on this.
        assert!(f64::from(raw_recipe.slew_max_pa_s) * 0.5 > f64::from(Level::Over.pascals()));
        Self { rig, recipe, sides, leaks: leaks.to_vec(), actions, mishaps_max: None, met: Arc::default() }
    }

    /// Lets a path hold at most this many mishaps.
    pub fn with_mishaps_at_most(self, mishaps: u8) -> Self {
        Self { mishaps_max: Some(mishaps), ..self }
    }

    /// How many states have been met: while measuring, and otherwise. The first depends on how the estimator paces its
    /// work, the second does not.
    pub fn met(&self) -> (usize, usize) {
        let [measuring, otherwise] = &*self.met;
        (measuring.load(Ordering::SeqCst), otherwise.load(Ordering::SeqCst))
    }

    /// Whether outputs are worked one by one.
    pub fn works(&self) -> bool {
        self.actions.iter().any(|(_, deed)| matches!(deed, Deed::Work(_)))
    }

    fn by_air(&self) -> bool {
        self.recipe.actuation() == Actuation::Air
    }
}

/// Every deed with nothing wrong, and every mishap with each of these deeds.
pub fn actions(mishaps: &[Mishap], deeds_in_mishap: &[Deed]) -> Vec<Action> {
    let deeds = [Deed::None, Deed::Start, Deed::Obey, Deed::Claim, Deed::Stray, Deed::Abort, Deed::Acknowledge];
    let quiet = deeds.iter().map(|&d| (Mishap::None, d));
    let rough = mishaps.iter().flat_map(|&m| deeds_in_mishap.iter().map(move |&d| (m, d)));
    quiet.chain(rough).collect()
}

/// Has each output worked by itself, besides.
pub fn and_work(mut actions: Vec<Action>) -> Vec<Action> {
    actions.extend([Coil::Supply, Coil::Vent, Coil::Pilot].map(|coil| (Mishap::None, Deed::Work(coil))));
    actions
}

/// One state of the world.
#[derive(Clone, Debug)]
pub struct World {
    pub sequencer: Sequencer,
    pub plant: Plant,
    pub watch: Watch,
    pub outputs: Outputs,
    /// Microseconds.
    pub now: u64,
    /// Running number of the last sample.
    number: u32,
    /// Number of the last sample this controller was given.
    given: Option<u32>,
    supply_number: u32,
    /// Mishaps left, where they are counted.
    left: Option<u8>,
    digest: u64,
}

impl World {
    /// Power-up, the clock at `now` microseconds and samples numbered from `number`.
    pub fn at(scope: &Scope, leak: Leak, now: u64, number: u32) -> Self {
        let mut world = Self {
            sequencer: Sequencer::new(scope.rig, Some(scope.recipe)),
            plant: Plant::new(leak),
            watch: Watch::NEW,
            outputs: Outputs::REST,
            now,
            number,
            given: None,
            supply_number: number / 2,
            left: scope.mishaps_max,
            digest: 0,
        };
        // Power-up with pressure left from before: the trap this rig sets.
        world.plant.intrude();
        world.poll(scope, (Mishap::Reset, Deed::None));
        world
    }

    /// One poll: the plant moves, everything is read, the sequencer steps, the judge looks.
    fn poll(&mut self, scope: &Scope, (mishap, deed): Action) {
        let from = self.sequencer.phase();
        let reset = mishap == Mishap::Reset;
        if reset {
            self.sequencer = Sequencer::new(scope.rig, Some(scope.recipe));
            self.outputs = Outputs::REST;
            self.given = None;
        }
        let command = self.operate(scope, deed);
        let polls = if mishap == Mishap::Stall { 4 } else { 1 };
        let shop = match mishap {
            Mishap::Over => Level::Over,
            Mishap::Under => Level::Half,
            _ => Level::Band,
        };
        for _ in 0..polls {
            self.plant.advance(self.outputs, shop, scope.by_air());
        }
        match mishap {
            Mishap::Intrusion => self.plant.intrude(),
            Mishap::Jam => self.plant.jammed = !self.plant.jammed,
            _ => {}
        }
        let took_us = (mishap != Mishap::ClockBack).then_some(polls * POLL_US);
        self.now = took_us.map_or(self.now - 3 * POLL_US, |took| self.now + took);

        let given = self.given;
        let inputs = self.read(scope, mishap, command);
        let step = self.sequencer.step(Instant::from_ticks(self.now), &inputs);
        self.outputs = step.outputs;
        let poll = Poll {
            mishap,
            command,
            read: self.given != given,
            reset,
            took_us,
            from,
            plant: &self.plant,
            strokes: scope.by_air() && scope.actions.iter().all(|(m, _)| *m != Mishap::Jam),
        };
        self.watch.see(&poll, &self.sequencer, &step);
        self.take_digest();
    }

    fn operate(&mut self, scope: &Scope, deed: Deed) -> Option<Command> {
        let ask = self.sequencer.status().ask;
        if let (Deed::Obey, Some(ask)) = (deed, ask) {
            match ask {
                Ask::OpenValve | Ask::OpenToVent => self.plant.lever = true,
                Ask::ShutValve => self.plant.lever = false,
                Ask::WorkLever => {
                    // Shut and open again within one poll: both strokes at once.
                    self.plant.cavity &= self.plant.jammed || self.plant.far > Level::Empty;
                    self.plant.lever = true;
                }
                Ask::SwapEnds => {}
            }
        }
        match deed {
            Deed::None => None,
            Deed::Start => Some(Command::Start(scope.sides)),
            Deed::Obey | Deed::Claim => ask.map(Command::Confirm),
            Deed::Stray if ask == Some(Ask::SwapEnds) => Some(Command::Confirm(Ask::OpenValve)),
            Deed::Stray => Some(Command::Confirm(Ask::SwapEnds)),
            Deed::Abort => Some(Command::Abort),
            Deed::Acknowledge => Some(Command::Acknowledge),
            Deed::Work(coil) => Some(Command::Work(coil)),
        }
    }

    fn read(&mut self, scope: &Scope, mishap: Mishap, command: Option<Command>) -> Inputs {
        // A number is used up by a sample that is lost, too: that is how a hole is seen.
        if mishap != Mishap::Repeated {
            self.number += 1;
        }
        let given = match mishap {
            Mishap::Repeated => self.given.unwrap_or(self.number),
            _ => self.number,
        };
        self.supply_number += 1;
        let counts = |pascals: i32| scope.rig.raw().far.counts(pascals.into());
        Inputs {
            far: match mishap {
                Mishap::Sick => Reading::Sick(SensorFault::Device),
                Mishap::Silent => Reading::Waiting,
                _ => {
                    self.given = Some(given);
                    Reading::sample(counts(self.plant.far_pascals()), given)
                }
            },
            supply: match mishap {
                Mishap::SupplySick => Reading::Sick(SensorFault::Open),
                _ => Reading::sample(counts(self.plant.supply.pascals()), self.supply_number),
            },
            contacts: Contacts {
                stop: mishap == Mishap::Stop,
                guard_closed: mishap != Mishap::GuardOpen,
                valve_shut: !self.plant.open,
            },
            link_up: mishap != Mishap::LinkDown,
            command,
            ..Inputs::IDLE
        }
    }

    /// The state in words, two states being the same exactly when the words are.
    pub fn describe(&self) -> String {
        let sequencer = digest::canonical(&self.sequencer, self.now, self.number);
        format!("{sequencer} {:?} {:?} {:?} {:?}", self.plant, self.watch, self.outputs, self.hidden())
    }

    /// How far the last sample given lies behind the counter, and mishaps left.
    fn hidden(&self) -> (Option<u32>, Option<u8>) {
        (self.given.map(|given| (self.number - given).min(2)), self.left)
    }

    fn take_digest(&mut self) {
        let mut hasher = DefaultHasher::new();
        digest::canonical(&self.sequencer, self.now, self.number).hash(&mut hasher);
        (self.plant, self.watch, self.outputs, self.hidden()).hash(&mut hasher);
        self.digest = hasher.finish();
    }
}

impl Hash for World {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.digest.hash(state);
    }
}

impl PartialEq for World {
    fn eq(&self, other: &Self) -> bool {
        self.digest == other.digest
    }
}

impl Model for Scope {
    type State = World;
    type Action = Action;

    fn init_states(&self) -> Vec<World> {
        self.leaks.iter().map(|&leak| World::at(self, leak, START_US, 0)).collect()
    }

    fn actions(&self, world: &World, actions: &mut Vec<Action>) {
        let asked = world.sequencer.status().ask;
        let phase = world.sequencer.phase();
        actions.extend(self.actions.iter().filter(|(mishap, deed)| {
            let possible = match deed {
                Deed::Obey => asked.is_some(),
                // Swapping ends leaves nothing to see in this world, so claiming it is doing it.
                Deed::Claim => asked.is_some_and(|a| a != Ask::SwapEnds),
                _ => true,
            };
            let intrudes = match mishap {
                // Not while the valve stands open into the vent.
                Mishap::Intrusion => !matches!(phase, Phase::SafeVent | Phase::Trapped),
                _ => true,
            };
            possible && intrudes
        }));
    }

    fn next_state(&self, last: &World, action: Action) -> Option<World> {
        // What follows a broken rule proves nothing more.
        if last.watch.broken.is_some() {
            return None;
        }
        let mut next = last.clone();
        if action.0 != Mishap::None
            && let Some(left) = &mut next.left
        {
            *left = left.checked_sub(1)?;
        }
        next.poll(self, action);
        Some(next)
    }

    fn properties(&self) -> Vec<Property<Self>> {
        let mut properties = rules();
        properties.extend(reached());
        // Not a rule: conditions are looked at once a state, which is the place to count them.
        properties.push(Property::always("every state is counted", |scope: &Self, world: &World| {
            scope.met[usize::from(world.sequencer.phase() != Phase::Measure)].fetch_add(1, Ordering::SeqCst);
            true
        }));
        properties
    }
}

type Condition = fn(&Scope, &World) -> bool;

/// What must hold always.
fn rules() -> Vec<Property<Scope>> {
    let rules: [(&'static str, Condition); 11] = [
        ("supply and vent never open together", |_, w| w.watch.broken != Some(Rule::BlewThrough)),
        ("air is let in only with the far side seen below its maximum", |_, w| w.watch.broken != Some(Rule::FedBlind)),
        ("a fault, abort or reset opens the valve into the vent at once", |_, w| {
            w.watch.broken != Some(Rule::NotOpenedToVent)
        }),
        ("nothing moves from an emergency stop to its acknowledgement", |_, w| {
            w.watch.broken != Some(Rule::MovedWhileHeld)
        }),
        ("shown safe only when measured empty for the dwell", |_, w| w.watch.broken != Some(Rule::UnsafeShownSafe)),
        ("shown safe only with the cavity empty", |_, w| w.watch.broken != Some(Rule::CavityFull)),
        ("a fault is never forgotten unacknowledged", |_, w| w.watch.broken != Some(Rule::FaultForgotten)),
        ("no phase outlives its limit", |_, w| w.watch.broken != Some(Rule::Outlived)),
        ("tight only if tight, in a run no fault touched", |_, w| w.watch.broken != Some(Rule::FalselyTight)),
        ("judged only with the far side empty", |_, w| w.watch.broken != Some(Rule::JudgedFull)),
        ("no event is lost", |_, w| w.watch.broken != Some(Rule::EventsLost)),
    ];
    rules.into_iter().map(|(name, condition)| Property::always(name, condition)).collect()
}

fn latched(world: &World, fault: Fault) -> bool {
    world.sequencer.status().fault == Some(fault)
}

fn judged(world: &World, verdict: Verdict) -> bool {
    world.sequencer.result(Side::First).is_some_and(|r| r.verdict == verdict)
}

/// What must be reached, or the rules above would hold of nothing.
fn reached() -> Vec<Property<Scope>> {
    let places: [(&'static str, Condition); 35] = [
        ("ready", |_, w| w.sequencer.phase() == Phase::Ready),
        ("precheck", |_, w| w.sequencer.phase() == Phase::Precheck),
        ("fill", |_, w| w.sequencer.phase() == Phase::Fill),
        ("soak", |_, w| w.sequencer.phase() == Phase::Soak),
        ("isolate", |_, w| w.sequencer.phase() == Phase::Isolate),
        ("vent", |_, w| w.sequencer.phase() == Phase::Vent),
        ("settle", |_, w| w.sequencer.phase() == Phase::Settle),
        ("measure", |_, w| w.sequencer.phase() == Phase::Measure),
        ("safe vent", |_, w| w.sequencer.phase() == Phase::SafeVent),
        ("swap", |_, w| w.sequencer.phase() == Phase::Swap),
        ("second side", |_, w| w.sequencer.result(Side::Second).is_some_and(|r| r.verdict == Verdict::Tight)),
        ("fault", |_, w| w.sequencer.phase() == Phase::Fault),
        ("trapped", |_, w| w.sequencer.phase() == Phase::Trapped),
        ("held", |_, w| w.sequencer.phase() == Phase::Held),
        ("work", |_, w| w.sequencer.phase() == Phase::Work),
        ("air on while an output is worked", |_, w| latched(w, Fault::SupplyOverPressure)),
        ("emergency stop", |_, w| latched(w, Fault::EmergencyStop)),
        ("guard open", |_, w| latched(w, Fault::GuardOpen)),
        ("over-pressure", |_, w| latched(w, Fault::OverPressure)),
        ("far sensor", |_, w| latched(w, Fault::FarSensor)),
        ("supply sensor", |_, w| latched(w, Fault::SupplySensor)),
        ("slew", |_, w| latched(w, Fault::Slew)),
        ("clock", |_, w| latched(w, Fault::Clock)),
        ("stalled", |_, w| latched(w, Fault::Stalled)),
        ("fill time-out", |_, w| latched(w, Fault::FillTimeout)),
        ("link lost", |_, w| latched(w, Fault::LinkLost)),
        ("no answer", |_, w| matches!(w.sequencer.status().fault, Some(Fault::NoAnswer(_)))),
        ("not shut", |_, w| latched(w, Fault::NotShut)),
        ("vent time-out", |_, w| latched(w, Fault::VentTimeout)),
        ("band lost", |_, w| latched(w, Fault::BandLost)),
        ("tight", |_, w| judged(w, Verdict::Tight)),
        ("leaking", |_, w| judged(w, Verdict::Leaking)),
        ("void", |_, w| judged(w, Verdict::Void)),
        ("shown safe", |_, w| w.sequencer.status().disconnect == Disconnect::Safe),
        ("full while ready", |_, w| w.plant.far == Level::Band && w.sequencer.phase() == Phase::Ready),
    ];
    places.into_iter().map(|(name, condition)| Property::sometimes(name, condition)).collect()
}
