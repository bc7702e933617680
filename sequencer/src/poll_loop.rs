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
