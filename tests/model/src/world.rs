//! Sequencer, plant and judge together, and what can happen at a poll.

use std::collections::hash_map::DefaultHasher;
use std::hash::{Hash, Hasher};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use seathold_sequencer::event::{Disconnect, Fault, Phase};
use seathold_sequencer::input::{Command, Contacts, Inputs, Prompt, Reading, SensorFault, Side, Sides};
use seathold_sequencer::output::{Coil, Outputs};
use seathold_sequencer::recipe::{Actuation, Model as Curve, RawRecipe, Recipe};
use seathold_sequencer::rig::{RawRig, Rig};
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::Instant;
use seathold_sequencer::verdict::Verdict;
use stateright::{Model, Property};

use crate::digest;
use crate::plant::{Leak, Level, Lie, Plant, Switch, Way};
use crate::watch::{Poll, Rule, Watch};

/// Time from poll to poll, in microseconds: coarse, so that a run is short.
pub const POLL_US: u64 = 100_000;
const POLL_MS: u32 = (POLL_US / 1_000) as u32;

/// A phase that can last longer than this is long; and what is early in it, and late, in microseconds.
const LONG_US: u64 = 20_000_000;
const SOON_US: u64 = 500_000;
const LATE_US: u64 = 8_500_000;

/// Where the clock starts, in microseconds: far from either end.
const START_US: u64 = 1 << 40;

/// Fault at one poll.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Mishap {
    /// Nothing.
    None,
    /// The emergency stop is pressed.
    Stop,
    /// The guard is open, and a hand in the ball. Where the sequence waits for a person it is no fault, and is not
    /// counted.
    GuardOpen,
    /// The operator cannot be reached.
    LinkDown,
    /// The far transducer reports a sensor fault.
    Sick,
    /// The sample is lost.
    Silent,
    /// The last sample is repeated.
    Repeated,
    /// The supply transducer reports a sensor fault.
    SupplySick,
    /// The clock goes back.
    ClockBack,
    /// The poll comes late.
    Stall,
    /// The regulator's pressure is too high.
    Over,
    /// The regulator's pressure is too low.
    Under,
    /// Pressure reaches the far side by another path, behind the shut ball.
    Intrusion,
    /// Pressure reaches the supply side: its valve passes, or is opened by hand.
    SupplyPasses,
    /// An output's read-back differs from its setting.
    Differ,
    /// The ball jams where it is, or comes free.
    Jam,
    /// The far transducer gets this fault, or recovers.
    Lie(Lie),
    /// The shut switch sticks like this, or comes free.
    Switch(Switch),
    /// The shut switch reads the contrary for one poll.
    SwitchFlick,
    /// The vent narrows like this, or is freed.
    Way(Way),
    /// The controller is reset: outputs fall to rest, and it restarts.
    Reset,
    /// The same, and the recipe is lost.
    ResetBare,
}

/// The far transducer is stuck at its reading, whatever that was.
pub const STUCK: Mishap = Mishap::Lie(Lie::Stuck(0));

impl Mishap {
    /// All of them, except wrong readings.
    pub const HONEST: [Self; 19] = [
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
        Self::SupplyPasses,
        Self::Differ,
        Self::Jam,
        Self::Way(Way::Slow),
        Self::Way(Way::Blocked),
        Self::Reset,
        Self::SwitchFlick,
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
    /// Transducers and switches that read wrongly.
    pub const LIES: [Self; 6] = [
        Self::Lie(Lie::Zero),
        STUCK,
        Self::Lie(Lie::Shifted),
        Self::Lie(Lie::Swapped),
        Self::Switch(Switch::Made),
        Self::Switch(Switch::Open),
    ];
    /// What can make a wrong reading dangerous.
    pub const BEHIND_LIES: [Self; 5] =
        [Self::Intrusion, Self::SupplyPasses, Self::Jam, Self::Way(Way::Slow), Self::Way(Way::Blocked)];
}

/// What the operator does at one poll.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Deed {
    /// Nothing.
    None,
    /// Starts a run.
    Start,
    /// Does the prompted action and confirms it.
    Obey,
    /// Confirms without having done it, or without a prompt.
    Say(Prompt),
    /// Aborts.
    Abort,
    /// Acknowledges.
    Acknowledge,
    /// Loads the recipe (again), where one is taken.
    Load,
    /// Requests an output test, whether the air is off or not.
    Work(Coil),
}

const DEEDS: [Deed; 12] = [
    Deed::None,
    Deed::Start,
    Deed::Obey,
    Deed::Say(Prompt::OpenValve),
    Deed::Say(Prompt::ShutValve),
    Deed::Say(Prompt::OpenToVent),
    Deed::Say(Prompt::WorkLever),
    Deed::Say(Prompt::SwapEnds),
    Deed::Say(Prompt::OpenBleed),
    Deed::Abort,
    Deed::Acknowledge,
    Deed::Load,
];

/// One poll's input.
pub type Action = (Mishap, Deed);

/// Scope of a model.
#[derive(Clone, Debug)]
pub struct Scope {
    rig: Rig,
    recipe: Recipe,
    sides: Sides,
    leaks: Vec<Leak>,
    actions: Vec<Action>,
    /// Most faults of a path; `None` for any number.
    mishaps_max: Option<u8>,
    /// Begins without a recipe.
    bare: bool,
    /// States met while measuring, and otherwise.
    met: Arc<[AtomicUsize; 2]>,
}

/// The rig of these models: the shortest valid times at this poll period.
fn raw_rig(actuation: Actuation) -> RawRig {
    let by_air = actuation == Actuation::Air;
    RawRig {
        safe_dwell_ms: 400,
        safe_vent_ms_max: if by_air { 1_400 } else { 1_100 },
        poll_gap_ms_max: 200,
        // A switch on a lever is seldom fitted.
        shut_switch_fitted: by_air,
        // Pressure in levels has no flickering digits.
        far_flickers: false,
        ..RawRig::DEMO
    }
}

/// The recipe, likewise. A stroke by air takes two polls, and half as long again is a third.
fn raw_recipe(actuation: Actuation) -> RawRecipe {
    RawRecipe {
        actuation,
        model: Curve::Line,
        slew_max_pa_s: 5_000_000,
        zero_ms: 1_000,
        fill_ms_max: 1_000,
        soak_ms: 100,
        stroke_time_ms: if actuation == Actuation::Air { 200 } else { 100 },
        isolate_ms_max: 400,
        vent_ms: 100,
        vent_ms_max: 400,
        settle_ms: 100,
        measure_ms_min: 1_600,
        measure_ms_max: 2_000,
        sample_period_ms: 100,
        answer_ms_max: 1_000,
        swap_ms_max: 1_200,
        // 1 kPa/s in 45 cm³: six counts a poll.
        limit_pa_m3_s: 45e-3,
        ..RawRecipe::DEMO
    }
}

impl Scope {
    /// One valve for each leak, and these inputs.
    pub fn new(actuation: Actuation, sides: Sides, leaks: &[Leak], actions: Vec<Action>) -> Self {
        let rig = raw_rig(actuation).validate().unwrap_or_else(|e| panic!("rig:\n{e}"));
        let raw_recipe = raw_recipe(actuation);
        let recipe = raw_recipe.validate(&rig).unwrap_or_else(|e| panic!("recipe:\n{e}"));
        // The digest's argument about stale samples rests on this.
        assert!(f64::from(raw_recipe.slew_max_pa_s) * 0.5 > f64::from(Level::Over.pascals()));
        let leaks = leaks.to_vec();
        Self { rig, recipe, sides, leaks, actions, mishaps_max: None, bare: false, met: Arc::default() }
    }

    /// Limits the faults of a path.
    pub fn with_mishaps_at_most(self, mishaps: u8) -> Self {
        Self { mishaps_max: Some(mishaps), ..self }
    }

    /// Changes rig and recipe.
    pub fn with(self, change: impl FnOnce(&mut RawRig, &mut RawRecipe)) -> Self {
        let (mut raw_rig, mut raw_recipe) = (*self.rig.raw(), *self.recipe.raw());
        change(&mut raw_rig, &mut raw_recipe);
        let rig = raw_rig.validate().unwrap_or_else(|e| panic!("rig:\n{e}"));
        let recipe = raw_recipe.validate(&rig).unwrap_or_else(|e| panic!("recipe:\n{e}"));
        Self { rig, recipe, ..self }
    }

    /// Begins without a recipe, as a controller that has lost its own.
    pub fn without_recipe(self) -> Self {
        Self { bare: true, ..self }
    }

    /// How many states have been met: while measuring, and otherwise. The first depends on how the estimator paces its
    /// work, the second does not.
    pub fn met(&self) -> (usize, usize) {
        let [measuring, otherwise] = &*self.met;
        (measuring.load(Ordering::SeqCst), otherwise.load(Ordering::SeqCst))
    }

    /// Whether there are output tests.
    pub fn works(&self) -> bool {
        self.actions.iter().any(|(_, deed)| matches!(deed, Deed::Work(_)))
    }

    /// Whether both sides are requested, with a swap between them.
    pub fn is_of_both_sides(&self) -> bool {
        self.sides == Sides::Both
    }

    fn by_air(&self) -> bool {
        self.recipe.actuation() == Actuation::Air
    }

    /// Polls of a stroke: by air as in the recipe, by hand at once.
    fn stroke(&self) -> u8 {
        if self.by_air() { (self.recipe.raw().stroke_time_ms / POLL_MS) as u8 } else { 1 }
    }
}

/// Every action without fault, and with the guard open; and every fault with each of these actions.
pub fn actions(mishaps: &[Mishap], deeds_in_mishap: &[Deed]) -> Vec<Action> {
    let quiet = DEEDS.iter().flat_map(|&d| [(Mishap::None, d), (Mishap::GuardOpen, d)]);
    let rough = mishaps.iter().flat_map(|&m| deeds_in_mishap.iter().map(move |&d| (m, d)));
    quiet.chain(rough.filter(|(m, _)| *m != Mishap::GuardOpen)).collect()
}

/// Actions that advance a run, without fault; some other actions; and every fault without action: for spaces that are
/// large without wrong confirmations and an open guard.
pub fn few_actions(mishaps: &[Mishap], besides: &[Deed]) -> Vec<Action> {
    let deeds = [Deed::None, Deed::Start, Deed::Obey, Deed::Abort, Deed::Acknowledge];
    let quiet = deeds.iter().chain(besides).map(|&d| (Mishap::None, d));
    quiet.chain(mishaps.iter().map(|&m| (m, Deed::None))).collect()
}

/// Adds output tests.
pub fn and_work(mut actions: Vec<Action>) -> Vec<Action> {
    let coils = [Coil::Supply, Coil::Vent, Coil::Pilot];
    actions.extend(coils.into_iter().flat_map(|c| [Mishap::None, Mishap::GuardOpen].map(|m| (m, Deed::Work(c)))));
    actions
}

/// Where the sequence waits for a person, at rest or with the vent held open: a guard may be opened at any time.
const fn waits(phase: Phase) -> bool {
    matches!(phase, Phase::StartUp | Phase::Trapped | Phase::EmergencyStopped) || phase.is_resting()
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
    /// Number of the last sample of this controller.
    given: Option<u32>,
    supply_number: u32,
    /// Faults left, where they are counted.
    left: Option<u8>,
    digest: u64,
}

/// Readings of one poll.
struct Read {
    inputs: Inputs,
    far: Option<i32>,
    supply: Option<i32>,
}

impl World {
    /// Power-up, the clock at `now` microseconds and samples numbered from `number`.
    pub fn at(scope: &Scope, leak: Leak, now: u64, number: u32) -> Self {
        let mut world = Self {
            sequencer: Sequencer::new(scope.rig, Some(scope.recipe)),
            plant: Plant::new(leak, scope.stroke()),
            watch: Watch::NEW,
            outputs: Outputs::REST,
            now,
            number,
            given: None,
            supply_number: number / 2,
            left: scope.mishaps_max,
            digest: 0,
        };
        // Power-up with pressure left from before: the hazard of this rig.
        world.plant.intrude();
        world.poll(scope, (if scope.bare { Mishap::ResetBare } else { Mishap::Reset }, Deed::None));
        world
    }

    /// One poll: the plant moves, everything is read, the sequencer steps, the judge checks.
    fn poll(&mut self, scope: &Scope, (mishap, deed): Action) {
        let before = self.outputs;
        let reset = matches!(mishap, Mishap::Reset | Mishap::ResetBare);
        let loads = deed == Deed::Load && self.sequencer.takes_recipe();
        if reset {
            let recipe = (mishap == Mishap::Reset).then_some(scope.recipe);
            self.sequencer = Sequencer::resume(scope.rig, recipe, self.sequencer.stop_latched());
            self.outputs = Outputs::REST;
        } else if loads {
            // As a controller with a recipe it is sent: outputs and plant are as they were.
            self.sequencer = Sequencer::new(scope.rig, Some(scope.recipe));
        }
        if reset || loads {
            self.given = None;
        }
        let (from, status) = (self.sequencer.phase(), self.sequencer.status());
        let command = self.operate(scope, deed);
        let polls = if mishap == Mishap::Stall { 4 } else { 1 };
        let shop = match mishap {
            Mishap::Over => Level::Over,
            Mishap::Under => Level::Mid,
            _ => Level::Band,
        };
        for _ in 0..polls {
            self.plant.advance(self.outputs, shop, scope.by_air());
        }
        self.go_wrong(mishap);
        let took_us = polls * POLL_US;
        let clock_back = mishap == Mishap::ClockBack;
        self.now = if clock_back { self.now - 3 * POLL_US } else { self.now + took_us };

        let Read { inputs, far, supply } = self.read(scope, mishap, command);
        let step = self.sequencer.step(Instant::from_ticks(self.now), &inputs);
        self.outputs = step.outputs;
        let poll = Poll {
            mishap,
            command,
            read: far,
            supply_read: supply,
            guard_open: !inputs.contacts.guard_closed,
            reset,
            begun: reset || loads,
            took_us,
            before,
            from,
            asked: status.prompt,
            plant: &self.plant,
            moves: self.plant.moves(self.outputs, scope.by_air()),
            seen: scope.by_air() && scope.rig.raw().shut_switch_fitted,
            two: scope.rig.raw().supply.is_some(),
            pressure_max_pa: scope.recipe.raw().pressure_max_pa as i32,
        };
        self.watch.see(&poll, &self.sequencer, &step);
        self.take_digest();
    }

    fn go_wrong(&mut self, mishap: Mishap) {
        let plant = &mut self.plant;
        match mishap {
            Mishap::Intrusion => plant.intrude(),
            Mishap::SupplyPasses => plant.pass(),
            Mishap::Jam => plant.jammed = !plant.jammed,
            Mishap::Lie(_) if plant.lie != Lie::None => plant.lie = Lie::None,
            Mishap::Lie(Lie::Stuck(_)) => plant.lie = Lie::Stuck(plant.far_pascals()),
            Mishap::Lie(lie) => plant.lie = lie,
            Mishap::Switch(switch) => {
                plant.switch = if plant.switch == Switch::Honest { switch } else { Switch::Honest };
            }
            Mishap::Way(way) => plant.vent = if plant.vent == Way::Free { way } else { Way::Free },
            _ => {}
        }
    }

    fn operate(&mut self, scope: &Scope, deed: Deed) -> Option<Command> {
        let ask = self.sequencer.status().prompt;
        if let (Deed::Obey, Some(ask)) = (deed, ask) {
            match ask {
                Prompt::OpenValve | Prompt::OpenToVent => self.plant.lever = true,
                Prompt::ShutValve => self.plant.lever = false,
                Prompt::WorkLever => self.plant.work_lever(),
                Prompt::SwapEnds | Prompt::OpenBleed => {}
            }
        }
        match deed {
            Deed::None | Deed::Load => None,
            Deed::Start => Some(Command::Start(scope.sides)),
            Deed::Obey => ask.map(Command::Confirm),
            Deed::Say(ask) => Some(Command::Confirm(ask)),
            Deed::Abort => Some(Command::Abort),
            Deed::Acknowledge => Some(Command::Acknowledge),
            Deed::Work(coil) => Some(Command::TestOutput(coil)),
        }
    }

    fn read(&mut self, scope: &Scope, mishap: Mishap, command: Option<Command>) -> Read {
        // A lost sample uses up its number, too: that is how a gap is detected.
        if mishap != Mishap::Repeated {
            self.number += 1;
        }
        let fresh = self.given != Some(self.number);
        let number = match mishap {
            Mishap::Repeated => self.given.unwrap_or(self.number),
            _ => self.number,
        };
        self.supply_number += 1;
        let raw = scope.rig.raw();
        let (far_pa, supply_pa) = self.plant.shown();
        let sample = |pa: i32, number| Reading::sample(raw.far.counts(pa.into()), number);
        let healthy = raw.far.plausible(raw.far.counts(far_pa.into()));
        let far = match mishap {
            Mishap::Sick => Reading::SensorFault(SensorFault::Device),
            Mishap::Silent => Reading::NoSample,
            _ => {
                self.given = Some(number);
                sample(far_pa, number)
            }
        };
        let supply = match mishap {
            Mishap::SupplySick => Reading::SensorFault(SensorFault::Open),
            _ if raw.supply.is_none() => Reading::NoSample,
            _ => sample(supply_pa, self.supply_number),
        };
        let seen = |reading, pa| matches!(reading, Reading::Sample(_)).then_some(pa);
        let contacts = Contacts {
            stop: mishap == Mishap::Stop,
            guard_closed: mishap != Mishap::GuardOpen,
            valve_shut: self.plant.says_shut() != (mishap == Mishap::SwitchFlick),
        };
        Read {
            far: seen(far, far_pa).filter(|_| healthy && fresh && number == self.number),
            supply: seen(supply, supply_pa),
            inputs: Inputs {
                far,
                supply,
                contacts,
                readback_mismatch: mishap == Mishap::Differ,
                link_up: mishap != Mishap::LinkDown,
                command,
                ..Inputs::IDLE
            },
        }
    }

    /// The state as text, two states being the same exactly when the texts are.
    pub fn describe(&self) -> String {
        let sequencer = digest::canonical(&self.sequencer, self.now, self.number);
        format!("{sequencer} {:?} {:?} {:?} {:?}", self.plant, self.watch, self.outputs, self.hidden())
    }

    /// Distance of the last sample from the counter, and faults left.
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
        let asked = world.sequencer.status().prompt;
        actions.extend(self.actions.iter().filter(|(mishap, deed)| {
            let possible = match deed {
                Deed::Obey => asked.is_some(),
                // Swapping ends and opening the bleed have no effect in this world: confirming it is doing it.
                Deed::Say(ask @ (Prompt::SwapEnds | Prompt::OpenBleed)) => asked != Some(*ask),
                // Refused elsewhere, without reaching the sequencer.
                Deed::Load => world.sequencer.takes_recipe(),
                _ => true,
            };
            let plant = &world.plant;
            let happens = match mishap {
                // Behind a shut ball: an open one would vent it at once.
                Mishap::Intrusion => plant.is_shut(),
                // No third variant for these.
                Mishap::Lie(lie) => plant.lie == Lie::None || same(plant.lie, *lie),
                Mishap::Switch(switch) => plant.switch == Switch::Honest || plant.switch == *switch,
                Mishap::Way(way) => plant.vent == Way::Free || plant.vent == *way,
                _ => true,
            };
            // Without a recipe a safe vent waits two minutes for its confirmation: in the middle nothing is tried, as
            // only the age changes.
            let age_us = world.watch.age_us();
            let long = world.sequencer.limit().filter(|l| self.bare && l.as_ticks() > LONG_US);
            let tried = long.is_none_or(|l| age_us < SOON_US || age_us + LATE_US > l.as_ticks());
            possible && happens && (tried || (*mishap, *deed) == (Mishap::None, Deed::None))
        }));
    }

    fn next_state(&self, last: &World, action: Action) -> Option<World> {
        // States after a broken rule prove nothing.
        if last.watch.broken.is_some() {
            return None;
        }
        let mut next = last.clone();
        let free = action.0 == Mishap::None || (action.0 == Mishap::GuardOpen && waits(last.sequencer.phase()));
        if !free && let Some(left) = &mut next.left {
            *left = left.checked_sub(1)?;
        }
        next.poll(self, action);
        Some(next)
    }

    fn properties(&self) -> Vec<Property<Self>> {
        let mut properties = rules();
        properties.extend(reached());
        // Not a rule: conditions are evaluated once per state, so they are counted here.
        properties.push(Property::always("every state is counted", |scope: &Self, world: &World| {
            scope.met[usize::from(world.sequencer.phase() != Phase::Measure)].fetch_add(1, Ordering::SeqCst);
            true
        }));
        properties
    }
}

type Condition = fn(&Scope, &World) -> bool;

/// Wrong readings of one kind.
fn same(one: Lie, other: Lie) -> bool {
    core::mem::discriminant(&one) == core::mem::discriminant(&other)
}

/// What must always hold: one property per rule.
macro_rules! rules {
    ($($rule:ident: $name:literal,)*) => {
        fn rules() -> Vec<Property<Scope>> {
            let rules: Vec<(&'static str, Condition)> =
                vec![$(($name, |_, w| w.watch.broken != Some(Rule::$rule)),)*];
            rules.into_iter().map(|(name, condition)| Property::always(name, condition)).collect()
        }
    };
}

rules! {
    BlewThrough: "supply and vent never open together",
    NoChangeover: "supply and vent change over through both shut",
    FedBlind: "air is let in only with the far side seen, both below their maximum, and the guard closed",
    NotOpenedToVent: "a fault or abort with air fed opens the valve into the vent",
    NotAtRest: "a fault or abort before air was fed ends at rest",
    MovedWhileHeld: "nothing moves from an emergency stop to its acknowledgement",
    MovedUnasked: "nothing opens the ball out of rest but an order or a full far side",
    MovedOnAHand: "nothing moves with the guard open but to let out a full far side",
    NotDwelt: "the strong word only when read empty for the dwell",
    FarFull: "the strong word only with the far side empty",
    SupplyFull: "the strong word only with the supply side empty",
    CavityFull: "the strong word only with the cavity empty",
    NoLife: "the strong word only from a transducer that rose and came down",
    NotAtRestYet: "the strong word only at rest",
    NoFurtherStroke: "the strong word only where the further stroke is made",
    AnswerMadeUp: "an answer counts only for its own question",
    FaultForgotten: "a fault is never forgotten unacknowledged",
    Outlived: "no phase outlives its limit",
    FalselyTight: "tight only if tight, in a run no fault touched",
    JudgedFull: "judged only with the far side empty",
    EventsLost: "no event is lost",
}

fn latched(world: &World, fault: Fault) -> bool {
    world.sequencer.status().fault == Some(fault)
}

fn judged(world: &World, verdict: Verdict) -> bool {
    world.watch.judged.is_some_and(|(_, v)| v == verdict)
}

fn known(world: &World, word: Disconnect) -> bool {
    world.sequencer.status().disconnect == word
}

/// What must be reached, or the rules above would hold trivially.
fn reached() -> Vec<Property<Scope>> {
    let places: Vec<(&'static str, Condition)> = vec![
        ("start-up", |_, w| w.sequencer.phase() == Phase::StartUp),
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
        ("second side", |_, w| w.watch.judged == Some((Side::Second, Verdict::Tight))),
        ("fault", |_, w| w.sequencer.phase() == Phase::Fault),
        ("trapped", |_, w| w.sequencer.phase() == Phase::Trapped),
        ("held", |_, w| w.sequencer.phase() == Phase::EmergencyStopped),
        ("work", |_, w| w.sequencer.phase() == Phase::OutputTest),
        ("supply over-pressure", |_, w| latched(w, Fault::SupplyOverPressure)),
        ("emergency stop", |_, w| latched(w, Fault::EmergencyStop)),
        ("guard open", |_, w| latched(w, Fault::GuardOpen)),
        ("over-pressure", |_, w| latched(w, Fault::OverPressure)),
        ("far sensor", |_, w| latched(w, Fault::FarSensor)),
        ("supply sensor", |_, w| latched(w, Fault::SupplySensor)),
        ("slew", |_, w| latched(w, Fault::Slew)),
        ("clock", |_, w| latched(w, Fault::Clock)),
        ("stalled", |_, w| latched(w, Fault::Stalled)),
        ("output", |_, w| latched(w, Fault::Output)),
        ("implausible", |_, w| latched(w, Fault::Implausible)),
        ("no sign of life", |_, w| latched(w, Fault::NoSignOfLife)),
        ("fill stalled", |_, w| latched(w, Fault::FillStalled)),
        ("fill time-out", |_, w| latched(w, Fault::FillTimeout)),
        ("link lost", |_, w| latched(w, Fault::LinkLost)),
        ("no answer", |_, w| matches!(w.sequencer.status().fault, Some(Fault::NoAnswer(_)))),
        ("not shut", |_, w| latched(w, Fault::NotShut)),
        ("vent time-out", |_, w| latched(w, Fault::VentTimeout)),
        ("band lost", |_, w| latched(w, Fault::BandLost)),
        ("sides disagree", |_, w| latched(w, Fault::SidesDisagree)),
        ("tight", |_, w| judged(w, Verdict::Tight)),
        ("leaking", |_, w| judged(w, Verdict::Leaking)),
        ("void", |_, w| judged(w, Verdict::Void)),
        ("cavity unknown", |_, w| known(w, Disconnect::CavityUnknown)),
        ("reads empty", |_, w| known(w, Disconnect::ReadsEmpty)),
        ("confirmed", |_, w| known(w, Disconnect::Confirmed)),
        ("lies, and reads empty", |_, w| known(w, Disconnect::ReadsEmpty) && w.plant.lie != Lie::None),
        ("held open by the guard", |_, w| w.sequencer.phase().is_resting() && w.outputs == Outputs::OPEN_TO_VENT),
        ("full while ready", |_, w| w.plant.far == Level::Band && w.sequencer.phase() == Phase::Ready),
    ];
    places.into_iter().map(|(name, condition)| Property::sometimes(name, condition)).collect()
}
