//! The controller's present state, from its records.

use seathold_sequencer::event::{Event, Fault, Phase, StartRefusal};
use seathold_sequencer::input::{Contacts, Inputs, Prompt, Reading};
use seathold_sequencer::link::message::Snapshot;
use seathold_sequencer::link::polls::Poll;
use seathold_sequencer::output::Outputs;
use seathold_sequencer::rig::{RawRig, Transducer};
use seathold_sequencer::time::Instant;

use crate::rig::client::RecordContent;

/// A transducer that has given nothing for this long, in microseconds, is silent. The controller's own limit is five of
/// its periods, which the host does not know.
const SILENT_US: u64 = 1_000_000;

/// Readings of one channel over a while.
#[derive(Clone, Copy, Debug, Default)]
pub struct PeakToPeak {
    /// How many came.
    pub samples: u32,
    /// Conversion numbers that were missing, or came twice.
    pub holes: u32,
    /// Readings with a sensor fault, or implausible.
    pub sensor_faults: u32,
    sum: i64,
    least: i32,
    most: i32,
    number: Option<u32>,
}

impl PeakToPeak {
    fn take(&mut self, reading: Reading, of: &Transducer) {
        match reading {
            Reading::NoSample => {}
            Reading::SensorFault(_) => self.sensor_faults += 1,
            Reading::Sample(sample) if !of.plausible(sample.counts) => self.sensor_faults += 1,
            Reading::Sample(sample) => {
                let pa = of.pressure(sample.counts).pascals();
                if self.samples == 0 {
                    (self.least, self.most) = (pa, pa);
                }
                self.holes += u32::from(self.number.is_some_and(|last| sample.number.wrapping_sub(last) != 1));
                self.number = Some(sample.number);
                self.samples += 1;
                self.sum += i64::from(pa);
                (self.least, self.most) = (self.least.min(pa), self.most.max(pa));
            }
        }
    }

    /// Mean, in pascals gauge; 0 of nothing.
    pub fn mean(&self) -> i32 {
        if self.samples == 0 { 0 } else { (self.sum / i64::from(self.samples)) as i32 }
    }

    /// Peak to peak, in pascals.
    pub const fn width(&self) -> u32 {
        self.most.abs_diff(self.least)
    }
}

/// The controller's state as known from its records.
#[derive(Clone, Debug)]
pub struct Readings {
    rig: RawRig,
    /// The present phase.
    pub phase: Phase,
    /// The latched fault.
    pub fault: Option<Fault>,
    /// The prompt that waits for an answer.
    pub prompt: Option<Prompt>,
    /// The last poll.
    pub last: Option<Poll>,
    /// When each transducer last gave a healthy reading.
    healthy: [Option<Instant>; 2],
    /// Far side and supply side, since [`Readings::begin`].
    pub spreads: [PeakToPeak; 2],
    /// The thermometer's last reading, in counts.
    pub thermometer: Option<i32>,
    /// A refusal since [`Readings::begin`].
    pub refused: Option<StartRefusal>,
    /// A fault since then.
    pub faulted: Option<Fault>,
    /// All outputs set in [`Phase::OutputTest`], if it was entered since then.
    pub worked: Option<Vec<Outputs>>,
    /// An output's read-back differed since then.
    pub readback_differed: bool,
}

impl Readings {
    /// From the controller's snapshot.
    pub fn new(rig: &RawRig, snapshot: &Snapshot) -> Self {
        Self {
            rig: *rig,
            phase: snapshot.phase,
            fault: snapshot.fault,
            prompt: snapshot.prompt,
            last: None,
            healthy: [None; 2],
            spreads: [PeakToPeak::default(); 2],
            thermometer: None,
            refused: None,
            faulted: None,
            worked: None,
            readback_differed: false,
        }
    }

    /// Starts again: statistics and flags are cleared.
    pub fn begin(&mut self) {
        self.spreads = [PeakToPeak::default(); 2];
        (self.refused, self.faulted, self.worked, self.readback_differed) = (None, None, None, false);
    }

    /// Applies a record.
    pub fn take(&mut self, kept: &RecordContent) {
        match kept {
            RecordContent::Polls(polls) => polls.iter().for_each(|poll| self.poll(poll)),
            RecordContent::Event(_, event) => self.apply_event(event),
            RecordContent::Began(_) | RecordContent::Other { .. } => {}
        }
    }

    fn poll(&mut self, poll: &Poll) {
        let Inputs { far, supply, thermometer, readback_mismatch, .. } = poll.inputs;
        let channels = [(far, Some(self.rig.far)), (supply, self.rig.supply)];
        for ((reading, of), (spread, healthy)) in
            channels.into_iter().zip(self.spreads.iter_mut().zip(&mut self.healthy))
        {
            let Some(of) = of else { continue };
            spread.take(reading, &of);
            match reading {
                Reading::NoSample => {}
                Reading::Sample(sample) if of.plausible(sample.counts) => *healthy = Some(poll.at),
                Reading::Sample(_) | Reading::SensorFault(_) => *healthy = None,
            }
        }
        if let Reading::Sample(sample) = thermometer {
            self.thermometer = Some(sample.counts);
        }
        if let (Phase::OutputTest, Some(worked)) = (self.phase, &mut self.worked)
            && worked.last() != Some(&poll.outputs)
        {
            worked.push(poll.outputs);
        }
        self.readback_differed |= readback_mismatch;
        self.last = Some(*poll);
    }

    fn apply_event(&mut self, event: &Event) {
        match event {
            Event::Entered { phase, .. } => {
                (self.phase, self.prompt) = (*phase, None);
                match phase {
                    // The poll of this event came before it, and set the first of them.
                    Phase::OutputTest => self.worked = Some(self.last.iter().map(|poll| poll.outputs).collect()),
                    Phase::Ready => self.fault = None,
                    _ => {}
                }
            }
            Event::Prompted(prompt) => self.prompt = Some(*prompt),
            Event::Refused(refusal) => self.refused = Some(*refusal),
            Event::Faulted(fault) => {
                self.fault.get_or_insert(*fault);
                self.faulted.get_or_insert(*fault);
            }
            _ => {}
        }
    }

    /// The contacts at the last poll.
    pub fn contacts(&self) -> Option<Contacts> {
        self.last.map(|poll| poll.inputs.contacts)
    }

    /// Whether every output is at rest, as last set.
    pub fn is_at_rest(&self) -> bool {
        self.last.is_some_and(|poll| poll.outputs == Outputs::REST)
    }

    /// Ready, and nothing energised. The controller itself requires that both sides read empty before it tests an
    /// output.
    pub fn is_ready(&self) -> bool {
        self.phase == Phase::Ready && self.is_at_rest()
    }

    /// Whether the far-side transducer (0) or the supply-side one (1) gives healthy readings.
    pub fn is_healthy(&self, channel: usize) -> bool {
        let at = self.healthy.get(channel).copied().flatten();
        matches!((at, self.last), (Some(at), Some(last)) if last.at.as_ticks().saturating_sub(at.as_ticks()) < SILENT_US)
    }
}
