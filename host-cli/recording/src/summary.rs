//! The result of a run, from its events alone: the same for a run just ended and for a recording.

use seathold_sequencer::event::{Disconnect, Event, Fault, Phase, StartRefusal};
use seathold_sequencer::time::Instant;
use seathold_sequencer::verdict::{Diagnosis, SideResult, Verdict};

use crate::Discontinuity;

/// The result of a run.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Summary {
    /// Each side's result, in the order judged.
    pub sides: Vec<SideResult>,
    /// The valve's.
    pub proved: Option<(Verdict, Diagnosis)>,
    /// Faults in order.
    pub faults: Vec<Fault>,
    /// Why it did not start.
    pub refused: Option<StartRefusal>,
    /// Aborted by the operator.
    pub aborted: bool,
    /// The known pressure state behind a fitting, as last reported.
    pub disconnect: Disconnect,
    /// The last phase entered.
    pub phase: Option<Phase>,
    /// The discontinuity of the readings, if any. Results after it are ignored.
    pub broken: Option<Discontinuity>,
    /// When the last poll before it was, and the phase then: of a recording, not of a run as it goes.
    pub broken_at: Option<(Instant, Phase)>,
    started: bool,
}

impl Summary {
    /// Adds an event.
    pub fn see(&mut self, event: &Event) {
        match event {
            Event::Entered { phase, .. } => {
                self.phase = Some(*phase);
                self.started |= *phase == Phase::Precheck;
            }
            Event::Refused(refusal) if !self.started => self.refused = Some(*refusal),
            Event::SideFinished(_) | Event::RunFinished { .. } if self.broken.is_some() => {}
            Event::SideFinished(result) => self.sides.push(*result),
            Event::RunFinished { verdict, diagnosis } => self.proved = Some((*verdict, diagnosis.clone())),
            Event::Faulted(fault) => self.faults.push(*fault),
            Event::Aborted => self.aborted = true,
            Event::Disconnect(disconnect) => self.disconnect = *disconnect,
            _ => {}
        }
    }

    /// From all events of a run.
    pub fn of(events: impl Iterator<Item = Event>) -> Self {
        let mut summary = Self::default();
        for event in events {
            summary.see(&event);
        }
        summary
    }

    /// Whether the far side was measured empty, as far as one transducer can show.
    pub fn reads_empty(&self) -> bool {
        self.disconnect.reads_empty()
    }
}
