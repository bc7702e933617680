//! How many instructions and how much stack a poll takes, by phase. On the host nothing is counted.

use core::cell::Cell;
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Command, Contacts, Sample, SensorFault};
use seathold_sequencer::io::{Hardware, Operator};
use seathold_sequencer::output::Outputs;
use seathold_sequencer::poll_loop::{PollRecord, poll_into};
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::Instant;

/// Measured cost.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Cost {
    /// Instructions.
    pub instructions: u32,
    /// Stack, in bytes below the caller's.
    pub stack: u32,
}

/// Counts between two moments.
pub trait Meter {
    /// Begins a count.
    fn start(&self);
    /// The count since; `None` where counting is not possible.
    fn stop(&self) -> Option<Cost>;
}

/// Counts nothing: the host.
#[derive(Clone, Copy, Debug, Default)]
pub struct NoMeter;

impl Meter for NoMeter {
    fn start(&self) {}
    fn stop(&self) -> Option<Cost> {
        None
    }
}

/// Costs of one phase.
#[derive(Clone, Copy, Debug, Default)]
pub struct Row {
    /// Polls counted.
    pub polls: u32,
    /// Instructions of all of them.
    pub total: u64,
    /// The largest of each.
    pub worst: Cost,
}

/// Costs by the phase a poll began in: a row for each.
#[derive(Clone, Debug, Default)]
pub struct Ledger([Row; Phase::ALL.len()]);

impl Ledger {
    fn add(&mut self, phase: Phase, cost: Cost) {
        let row = Phase::ALL.iter().position(|&p| p == phase).and_then(|i| self.0.get_mut(i));
        if let Some(row) = row {
            row.polls += 1;
            row.total += u64::from(cost.instructions);
            row.worst.instructions = row.worst.instructions.max(cost.instructions);
            row.worst.stack = row.worst.stack.max(cost.stack);
        }
    }

    /// The phases polled at least once, in run order.
    pub fn rows(&self) -> impl Iterator<Item = (Phase, Row)> + '_ {
        Phase::ALL.into_iter().zip(self.0).filter(|(_, row)| row.polls > 0)
    }
}

/// One poll with its step metered: from the last thing read to the first thing set.
///
/// # Errors
/// The error of the rig's [`Hardware::apply`].
pub fn metered_poll<H: Hardware, O: Operator, M: Meter>(
    sequencer: &mut Sequencer,
    hardware: &mut H,
    operator: &mut O,
    meter: &M,
    ledger: &mut Ledger,
    polled: &mut PollRecord,
) -> Result<(), H::Error> {
    let phase = sequencer.phase();
    let cost = Cell::new(None);
    poll_into(
        sequencer,
        &mut StopsMeter { inner: hardware, meter, cost: &cost },
        &mut StartsMeter { inner: operator, meter },
        polled,
    )?;
    if let Some(cost) = cost.get() {
        ledger.add(phase, cost);
    }
    Ok(())
}

struct StopsMeter<'a, H, M> {
    inner: &'a mut H,
    meter: &'a M,
    cost: &'a Cell<Option<Cost>>,
}

impl<H: Hardware, M: Meter> Hardware for StopsMeter<'_, H, M> {
    type Error = H::Error;

    fn now(&mut self) -> Instant {
        self.inner.now()
    }

    fn far(&mut self) -> nb::Result<Sample, SensorFault> {
        self.inner.far()
    }

    fn supply(&mut self) -> nb::Result<Sample, SensorFault> {
        self.inner.supply()
    }

    fn thermometer(&mut self) -> nb::Result<Sample, SensorFault> {
        self.inner.thermometer()
    }

    fn contacts(&mut self) -> Contacts {
        self.inner.contacts()
    }

    fn apply(&mut self, outputs: Outputs) -> Result<(), Self::Error> {
        self.cost.set(self.meter.stop());
        self.inner.apply(outputs)
    }

    fn readback_mismatch(&mut self) -> bool {
        self.inner.readback_mismatch()
    }

    fn retain_stop(&mut self, stopped: bool) {
        self.inner.retain_stop(stopped);
    }

    fn feed_watchdog(&mut self) {
        self.inner.feed_watchdog();
    }
}

struct StartsMeter<'a, O, M> {
    inner: &'a mut O,
    meter: &'a M,
}

impl<O: Operator, M: Meter> Operator for StartsMeter<'_, O, M> {
    fn link_up(&mut self) -> bool {
        self.inner.link_up()
    }

    fn command(&mut self, now: Instant, phase: Phase) -> Option<Command> {
        let command = self.inner.command(now, phase);
        self.meter.start();
        command
    }

    fn notify(&mut self, at: Instant, event: &Event) {
        self.inner.notify(at, event);
    }
}
