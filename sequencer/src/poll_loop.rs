//! The poll loop over the io traits. It decides nothing: read, step, retain, apply, notify.

use crate::event::Events;
use crate::input::{Inputs, Reading, Sample, SensorFault};
use crate::io::{Hardware, Operator};
use crate::output::Outputs;
use crate::step::Sequencer;
use crate::time::Instant;

/// Inputs and results of one poll: all a recording needs.
#[derive(Clone, Debug)]
#[must_use = "a poll that is not recorded cannot be replayed"]
pub struct PollRecord {
    /// Time of the poll.
    pub at: Instant,
    /// Inputs read.
    pub inputs: Inputs,
    /// Outputs set.
    pub outputs: Outputs,
    /// Events emitted.
    pub events: Events,
}

impl PollRecord {
    /// An empty record for [`poll_into`] to fill.
    pub const fn empty() -> Self {
        Self { at: Instant::from_ticks(0), inputs: Inputs::IDLE, outputs: Outputs::REST, events: Events::new() }
    }
}

/// One cycle: reads everything, steps the sequencer, sets every output, notifies the operator, feeds the watchdog.
///
/// # Errors
/// The error of [`Hardware::apply`]. The watchdog is *not* fed then, so a rig whose outputs cannot be set ends at rest.
///
/// # Example
/// A rig that is empty and gets no air, with an operator who starts as soon as it is ready: the sequencer opens the
/// supply, sees nothing rise, and faults with the supply shut.
/// ```
/// use seathold_sequencer::event::{Event, Fault, Phase};
/// use seathold_sequencer::input::{Command, Contacts, Sample, SensorFault, Sides};
/// use seathold_sequencer::io::{Hardware, Operator};
/// use seathold_sequencer::output::{GasValve, Outputs};
/// use seathold_sequencer::poll_loop::poll;
/// use seathold_sequencer::{recipe::RawRecipe, rig::RawRig, step::Sequencer, time::Instant};
///
/// struct NoAir {
///     polls: u64,
///     set: Outputs,
///     fed: u64,
/// }
///
/// impl Hardware for NoAir {
///     type Error = core::convert::Infallible;
///
///     // A poll every 10 ms.
///     fn now(&mut self) -> Instant {
///         self.polls += 1;
///         Instant::from_ticks(self.polls * 10_000)
///     }
///     // Zero, give or take a count, as a healthy transducer reads it.
///     fn far(&mut self) -> nb::Result<Sample, SensorFault> {
///         let counts = RawRig::DEMO.far.zero_counts + (self.polls % 2) as i32;
///         Ok(Sample { counts, number: self.polls as u32 })
///     }
///     fn supply(&mut self) -> nb::Result<Sample, SensorFault> {
///         self.far()
///     }
///     fn contacts(&mut self) -> Contacts {
///         Contacts::CLEAR
///     }
///     fn apply(&mut self, outputs: Outputs) -> Result<(), Self::Error> {
///         self.set = outputs;
///         Ok(())
///     }
///     fn readback_mismatch(&mut self) -> bool {
///         false
///     }
///     fn retain_stop(&mut self, _: bool) {}
///     fn feed_watchdog(&mut self) {
///         self.fed += 1;
///     }
/// }
///
/// struct StartsOnce(bool);
///
/// impl Operator for StartsOnce {
///     fn link_up(&mut self) -> bool {
///         true
///     }
///     fn command(&mut self, _: Instant, phase: Phase) -> Option<Command> {
///         let start = phase == Phase::Ready && !core::mem::replace(&mut self.0, true);
///         start.then_some(Command::Start(Sides::Both))
///     }
///     fn notify(&mut self, _: Instant, _: &Event) {}
/// }
///
/// let rig = RawRig::DEMO.validate()?;
/// let recipe = RawRecipe::DEMO.validate(&rig)?;
/// let mut sequencer = Sequencer::new(rig, Some(recipe));
/// let mut hardware = NoAir { polls: 0, set: Outputs::REST, fed: 0 };
/// let mut operator = StartsOnce(false);
///
/// let (mut let_in, mut fault) = (false, None);
/// for _ in 0..6_000 {
///     let Ok(record) = poll(&mut sequencer, &mut hardware, &mut operator);
///     let_in |= record.outputs.supply == GasValve::Open;
///     for event in &record.events {
///         if let Event::Faulted(why) = event {
///             fault = Some(*why);
///         }
///     }
/// }
/// assert!(let_in);
/// assert_eq!(fault, Some(Fault::FillStalled));
/// assert_eq!(hardware.set.supply, GasValve::Shut);
/// assert_eq!(hardware.fed, 6_000);
/// # Ok::<(), seathold_sequencer::field::Errors>(())
/// ```
pub fn poll<H: Hardware, O: Operator>(
    sequencer: &mut Sequencer,
    hardware: &mut H,
    operator: &mut O,
) -> Result<PollRecord, H::Error> {
    let mut record = PollRecord::empty();
    poll_into(sequencer, hardware, operator, &mut record)?;
    Ok(record)
}

/// As [`poll`], into a record of the caller's: a controller keeps one, because copying the list of events would cost it
/// more than the step.
///
/// # Errors
/// As [`poll`]; `record` then holds what was read and what should have been set.
pub fn poll_into<H: Hardware, O: Operator>(
    sequencer: &mut Sequencer,
    hardware: &mut H,
    operator: &mut O,
    record: &mut PollRecord,
) -> Result<(), H::Error> {
    let at = hardware.now();
    record.at = at;
    record.inputs = Inputs {
        far: reading(hardware.far()),
        supply: reading(hardware.supply()),
        thermometer: reading(hardware.thermometer()),
        contacts: hardware.contacts(),
        readback_mismatch: hardware.readback_mismatch(),
        link_up: operator.link_up(),
        command: operator.command(at, sequencer.phase()),
    };
    record.outputs = sequencer.step_into(at, &record.inputs, &mut record.events);
    // First, as it must survive the reset that follows where outputs cannot be set.
    hardware.retain_stop(sequencer.stop_latched());
    hardware.apply(record.outputs)?;
    for event in &record.events {
        operator.notify(at, event);
    }
    hardware.feed_watchdog();
    Ok(())
}

fn reading(result: nb::Result<Sample, SensorFault>) -> Reading {
    match result {
        Ok(sample) => Reading::Sample(sample),
        Err(nb::Error::WouldBlock) => Reading::NoSample,
        Err(nb::Error::Other(fault)) => Reading::SensorFault(fault),
    }
}
