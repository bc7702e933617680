//! The poll loop over the io traits. It decides nothing: read, step, retain, apply, tell.

use crate::event::Events;
use crate::input::{Inputs, Reading, Sample, SensorFault};
use crate::io::{Hardware, Operator};
use crate::output::Outputs;
use crate::step::Sequencer;
use crate::time::Instant;

/// What one poll saw and did: all a recording needs.
#[derive(Clone, Debug)]
#[must_use = "a poll that is not recorded cannot be replayed"]
pub struct Polled {
    /// When.
    pub at: Instant,
    /// What was read.
    pub inputs: Inputs,
    /// What was set.
    pub outputs: Outputs,
    /// What happened.
    pub events: Events,
}

impl Polled {
    /// Nothing polled yet: a place for [`poll_into`].
    pub const fn none() -> Self {
        Self { at: Instant::from_ticks(0), inputs: Inputs::IDLE, outputs: Outputs::REST, events: Events::new() }
    }
}

/// One round: reads everything, steps the sequencer, sets every output, tells the operator, feeds the watchdog.
///
/// # Errors
/// What [`Hardware::apply`] gave. The watchdog is *not* fed then, so a rig whose outputs cannot be set ends at rest.
pub fn poll<H: Hardware, O: Operator>(
    sequencer: &mut Sequencer,
    hardware: &mut H,
    operator: &mut O,
) -> Result<Polled, H::Error> {
    let mut polled = Polled::none();
    poll_into(sequencer, hardware, operator, &mut polled)?;
    Ok(polled)
}

/// As [`poll`], into a place of the caller's: a controller keeps one, because copying the list of events would cost it
/// more than the step.
///
/// # Errors
/// As [`poll`]; `polled` then holds what was read and what should have been set.
pub fn poll_into<H: Hardware, O: Operator>(
    sequencer: &mut Sequencer,
    hardware: &mut H,
    operator: &mut O,
    polled: &mut Polled,
) -> Result<(), H::Error> {
    let at = hardware.now();
    polled.at = at;
    polled.inputs = Inputs {
        far: reading(hardware.far()),
        supply: reading(hardware.supply()),
        thermometer: reading(hardware.thermometer()),
        contacts: hardware.contacts(),
        outputs_differ: hardware.outputs_differ(),
        link_up: operator.link_up(),
        command: operator.command(at, sequencer.phase()),
    };
    polled.outputs = sequencer.step_into(at, &polled.inputs, &mut polled.events);
    // First, as it must outlive the reset that outputs which cannot be set end in.
    hardware.retain_stop(sequencer.stop_latched());
    hardware.apply(polled.outputs)?;
    for event in &polled.events {
        operator.tell(at, event);
    }
    hardware.alive();
    Ok(())
}

fn reading(result: nb::Result<Sample, SensorFault>) -> Reading {
    match result {
        Ok(sample) => Reading::Sample(sample),
        Err(nb::Error::WouldBlock) => Reading::Waiting,
        Err(nb::Error::Other(fault)) => Reading::Sick(fault),
    }
}
