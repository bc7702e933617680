//! Drives the sequencer against the ideal rig, poll by poll, checking the safety rules that always hold.

use seathold_sequencer::event::{Disconnect, Event, Fault, Phase};
use seathold_sequencer::input::{ChannelState, Command, Inputs, Prompt, Reading, Side, Sides};
use seathold_sequencer::output::{GasValve, Outputs};
use seathold_sequencer::recipe::{Actuation, Model, RawRecipe, Recipe};
use seathold_sequencer::rig::{RawRig, Rig};
use seathold_sequencer::step::{Sequencer, Step};
use seathold_sequencer::time::Instant;
use seathold_sequencer::verdict::{SideResult, Verdict};

use crate::ideal::Ideal;

/// A test bench: sequencer, ideal rig, simulated clock.
#[derive(Clone, Debug)]
pub struct Script {
    pub sequencer: Sequencer,
    pub rig: Ideal,
    pub outputs: Outputs,
    /// Microseconds.
    pub now: u64,
    pub poll_us: u64,
    /// All events, with their time in microseconds.
    pub log: Vec<(u64, Event)>,
    pending: Option<Command>,
    /// Whether a simulated operator confirms prompts at once.
    pub answers: bool,
    /// The prompted action takes two polls, and one of them is over.
    half_way: bool,
    /// Polls so far: a test that waits for an event that never comes must fail, not hang.
    polls: u32,
}

/// The phases with air in the valve.
pub const FED: [Phase; 6] = [Phase::Fill, Phase::Soak, Phase::Isolate, Phase::Vent, Phase::Settle, Phase::Measure];

/// A transducer reads this many pascals, whatever the pressure.
pub fn reads(reading: &mut Reading, pascals: f64) {
    if let Reading::Sample(sample) = reading {
        sample.counts = RawRig::DEMO.far.counts(pascals);
    }
}

/// The rig and recipe of these tests: times as short as they may be, everything else as in the examples.
pub fn brisk() -> (RawRig, RawRecipe) {
    let rig = RawRig { safe_dwell_ms: 300, safe_vent_ms_max: 4_000, poll_gap_ms_max: 150, ..RawRig::DEMO };
    let recipe = RawRecipe {
        model: Model::Line,
        zero_ms: 500,
        soak_ms: 300,
        stroke_time_ms: 100,
        isolate_ms_max: 1_000,
        settle_ms: 300,
        measure_ms_min: 700,
        measure_ms_max: 4_000,
        answer_ms_max: 2_000,
        swap_ms_max: 5_000,
        fill_ms_max: 2_000,
        vent_ms: 500,
        vent_ms_max: 2_000,
        ..RawRecipe::DEMO
    };
    (rig, recipe)
}

/// Validates both, or shows the errors.
pub fn checked(rig: &RawRig, recipe: &RawRecipe) -> (Rig, Recipe) {
    let rig = rig.validate().unwrap_or_else(|e| panic!("rig:\n{e}"));
    let recipe = recipe.validate(&rig).unwrap_or_else(|e| panic!("recipe:\n{e}"));
    (rig, recipe)
}

impl Default for Script {
    fn default() -> Self {
        let (rig, recipe) = brisk();
        Self::on(&rig, &recipe)
    }
}

impl Script {
    /// A bench with this rig and recipe, at power-up.
    pub fn on(raw_rig: &RawRig, raw_recipe: &RawRecipe) -> Self {
        let (rig, recipe) = checked(raw_rig, raw_recipe);
        let mut ideal = Ideal::new(raw_rig.far);
        ideal.by_air = raw_recipe.actuation == Actuation::Air;
        Self {
            sequencer: Sequencer::new(rig, Some(recipe)),
            rig: ideal,
            outputs: Outputs::REST,
            now: 1_000_000,
            poll_us: 10_000,
            log: Vec::new(),
            pending: None,
            answers: true,
            half_way: false,
            polls: 0,
        }
    }

    /// The usual bench, with a transducer on the supply side or without.
    pub fn with_supply_seen(seen: bool) -> Self {
        let (rig, recipe) = brisk();
        Self::on(&RawRig { supply: rig.supply.filter(|_| seen), ..rig }, &recipe)
    }

    /// A bench stopped in the given phase of the first side of both, pressurised as that phase is; filling, air has
    /// been let in.
    pub fn in_phase(phase: Phase) -> Self {
        let mut script = Self::default();
        script.start(Sides::Both).until(phase, 10_000);
        while phase == Phase::Fill && script.rig.far < 100_000.0 {
            let _ = script.poll();
        }
        script
    }

    /// The controller is reset: outputs at rest, and a sequencer that restarts with the recipe it has, and the retained
    /// stop state. Earlier events are discarded.
    pub fn reset(&mut self) {
        let (rig, recipe) = (*self.sequencer.rig(), self.sequencer.recipe().copied());
        self.sequencer = Sequencer::resume(rig, recipe, self.sequencer.stop_latched());
        self.outputs = Outputs::REST;
        self.log.clear();
    }

    /// Gives a command with the next poll.
    pub fn command(&mut self, command: Command) -> &mut Self {
        self.pending = Some(command);
        self
    }

    /// One poll with healthy readings.
    pub fn poll(&mut self) -> Step {
        self.poll_with(|_| {})
    }

    /// One poll, its inputs changed first.
    pub fn poll_with(&mut self, change: impl FnOnce(&mut Inputs)) -> Step {
        self.rig.advance(self.outputs, self.poll_us as f64 / 1e6);
        self.now += self.poll_us;
        let mut inputs = self.rig.read();
        inputs.command = self.pending.take();
        if self.answers
            && inputs.command.is_none()
            && let Some(ask) = self.sequencer.status().prompt
        {
            // Ends are swapped behind the guard, open for one poll and closed again before the confirmation; and a
            // lever that is cycled is shut for one poll.
            let half_way = matches!(ask, Prompt::SwapEnds | Prompt::WorkLever) && !self.half_way;
            self.half_way = half_way;
            match ask {
                Prompt::OpenValve | Prompt::OpenToVent => self.rig.lever_open = true,
                Prompt::WorkLever => self.rig.lever_open = !half_way,
                Prompt::ShutValve => self.rig.lever_open = false,
                Prompt::SwapEnds => inputs.contacts.guard_closed = !half_way,
                Prompt::OpenBleed => {}
            }
            inputs.command = (!half_way).then_some(Command::Confirm(ask));
        }
        change(&mut inputs);
        self.step(self.now, &inputs)
    }

    /// One step with exactly these inputs, checked against the rules that hold always.
    pub fn step(&mut self, now: u64, inputs: &Inputs) -> Step {
        self.polls += 1;
        assert!(self.polls < 200_000, "waiting for what never comes; log:\n{:#?}", self.log);
        let step = self.sequencer.step(Instant::from_ticks(now), inputs);
        self.outputs = step.outputs;
        for event in &step.events {
            self.log.push((now, event.clone()));
        }
        check_always(&self.sequencer, &step, inputs);
        step
    }

    /// Polls until `phase` is entered, failing after `ms`.
    pub fn until(&mut self, phase: Phase, ms: u64) -> &mut Self {
        self.until_with(phase, ms, |_| {})
    }

    /// As [`Script::until`], every poll's inputs changed by `change`.
    pub fn until_with(&mut self, phase: Phase, ms: u64, mut change: impl FnMut(&mut Inputs)) -> &mut Self {
        let end = self.now + ms * 1_000;
        while self.sequencer.phase() != phase {
            assert!(
                self.now < end,
                "still in {:?} after {ms} ms, waiting for {phase:?}; log:\n{:#?}",
                self.sequencer.phase(),
                self.log
            );
            let _ = self.poll_with(&mut change);
        }
        self
    }

    /// Polls for `ms`.
    pub fn pass(&mut self, ms: u64) -> &mut Self {
        self.pass_with(ms, |_| {})
    }

    /// Polls for `ms`, every poll's inputs changed by `change`.
    pub fn pass_with(&mut self, ms: u64, mut change: impl FnMut(&mut Inputs)) -> &mut Self {
        let end = self.now + ms * 1_000;
        while self.now < end {
            let _ = self.poll_with(&mut change);
        }
        self
    }

    /// From power-up to a started run, its valve opened into the vent first.
    pub fn start(&mut self, sides: Sides) -> &mut Self {
        self.until(Phase::Ready, 10_000).command(Command::Start(sides)).until(Phase::Precheck, 10_000)
    }

    /// The whole run, from power-up to rest.
    pub fn run(&mut self, sides: Sides) -> &mut Self {
        self.start(sides).until(Phase::Ready, 120_000)
    }

    /// A whole run of one side, and the bleed opened after it: the state in which an operator takes the valve.
    pub fn at_rest_after_a_run(&mut self) -> &mut Self {
        self.run(Sides::First).pass(1_000);
        assert_eq!(self.disconnect(), Disconnect::Confirmed);
        self
    }

    /// The disconnect state.
    pub fn disconnect(&self) -> Disconnect {
        self.sequencer.status().disconnect
    }

    pub fn phase(&self) -> Phase {
        self.sequencer.phase()
    }

    pub fn result(&self, side: Side) -> &SideResult {
        self.sequencer.result(side).unwrap_or_else(|| panic!("no result for {side:?}; log:\n{:#?}", self.log))
    }

    /// The run's verdict.
    pub fn proved(&self) -> Option<Verdict> {
        self.log.iter().rev().find_map(|(_, e)| match e {
            Event::RunFinished { verdict, .. } => Some(*verdict),
            _ => None,
        })
    }

    pub fn faults(&self) -> Vec<Fault> {
        self.log
            .iter()
            .filter_map(|(_, e)| match e {
                Event::Faulted(fault) => Some(*fault),
                _ => None,
            })
            .collect()
    }

    pub fn saw(&self, event: &Event) -> bool {
        self.log.iter().any(|(_, e)| e == event)
    }
}

/// What no step may ever do, whatever its inputs.
pub fn check_always(sequencer: &Sequencer, step: &Step, inputs: &Inputs) {
    let outputs = step.outputs;
    let status = sequencer.status();
    assert!(!outputs.supply_to_vent(), "supply and vent open together");
    if inputs.contacts.stop {
        assert_eq!(outputs, Outputs::REST, "emergency stop, and something is energised");
    }
    if status.disconnect != Disconnect::Pressurised {
        let empty = |known| matches!(known, ChannelState::Pressure(p) if p.is_within(sequencer.rig().safe_limit()));
        assert!(empty(status.far), "said to read empty with the far side {:?}", status.far);
        let supply_fitted = sequencer.rig().raw().supply.is_some();
        assert!(!supply_fitted || empty(status.supply), "said to read empty with the supply side {:?}", status.supply);
        assert!(status.phase.is_resting(), "said to read empty in {:?}", status.phase);
        assert_eq!(outputs, Outputs::REST, "said to read empty with something energised");
        assert!(!inputs.readback_mismatch, "said to read empty with an output that differs");
    }
    if outputs.supply == GasValve::Open {
        assert!(status.phase.is_live(), "supply open in {:?}", status.phase);
        if let Reading::Sample(sample) = inputs.far {
            let pressure = sequencer.rig().raw().far.pressure(sample.counts);
            let max = match status.phase {
                Phase::OutputTest => sequencer.rig().raw().safe_pressure_pa,
                _ => sequencer.recipe().map_or(0, |r| r.raw().pressure_max_pa),
            };
            assert!(i64::from(pressure.pascals()) <= i64::from(max), "fed at {pressure:?}");
        }
    }
    assert!(step.events.len() < seathold_sequencer::limits::EVENTS_MAX, "the event list is full: one may be lost");
}
