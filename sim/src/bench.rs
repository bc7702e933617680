//! A simulated rig with its operator, and one cycle of the loop over both.

use crate::fault::FaultSchedule;
use crate::operator::SimOperator;
use crate::rig::SimRig;
use crate::scenario::{Scenario, ScenarioErrors};
use seathold_sequencer::input::Sides;
use seathold_sequencer::io::Hardware;
use seathold_sequencer::output::Outputs;
use seathold_sequencer::poll_loop::{self, PollRecord};
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::{Duration, millis};

/// A rig and an operator.
#[derive(Clone, Debug)]
pub struct SimBench {
    /// The rig.
    pub rig: SimRig,
    /// The operator.
    pub operator: SimOperator,
    /// Time between polls.
    pub period: Duration,
    /// The injected faults.
    pub schedule: FaultSchedule,
}

impl SimBench {
    /// A bench that runs `scenario` over both sides, record every 10 ms.
    ///
    /// # Errors
    /// All errors of the scenario.
    pub fn new(scenario: &Scenario, rig: &RawRig, seed: u64) -> Result<Self, ScenarioErrors> {
        Self::with(scenario, rig, seed, Sides::Both, millis(10))
    }

    /// As [`SimBench::new`], with the sides to run and the time between polls.
    ///
    /// # Errors
    /// All errors of the scenario.
    pub fn with(
        scenario: &Scenario,
        rig: &RawRig,
        seed: u64,
        sides: Sides,
        period: Duration,
    ) -> Result<Self, ScenarioErrors> {
        let checked = scenario.validate()?;
        let turn = millis(checked.plant.raw().lever_ms);
        let mut bench = Self {
            rig: SimRig::new(&checked, rig, seed),
            operator: SimOperator::new(&checked.operator, sides, turn),
            period,
            schedule: FaultSchedule::EMPTY,
        };
        if sides == Sides::Second {
            // Mounted the other way round before the start.
            bench.rig.mount_second();
        }
        Ok(bench)
    }

    /// One cycle: poll, apply the operator's actions, advance time.
    pub fn poll(&mut self, sequencer: &mut Sequencer) -> PollRecord {
        let record = match poll_loop::poll(sequencer, &mut self.rig, &mut self.operator) {
            Ok(record) => record,
            Err(never) => match never {},
        };
        let status = sequencer.status();
        self.apply_due_faults(record.at, status.phase, status.side);
        self.rig.apply_due_actions(&mut self.operator);
        self.rig.advance(self.period);
        record
    }

    /// The controller loses power for a while: every output falls to rest. The caller then begins with a new sequencer,
    /// as a controller does after a reset.
    pub fn power_loss(&mut self, lasts: Duration) {
        match self.rig.apply(Outputs::REST) {
            Ok(()) => {}
            Err(never) => match never {},
        }
        self.rig.advance(lasts);
    }
}
