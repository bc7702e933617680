//! When the recording of a run ends.

use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::Prompt;
use seathold_sequencer::time::{Duration, Instant, millis};

use crate::Summary;

/// How long a run that waits for a person at rest or under pressure is recorded before the program ends. The recording
/// then shows its last state.
const WAIT_MAX: Duration = millis(30_000);

/// The same where a person is there: whoever has pressed the emergency stop takes the time it takes, up to a shift.
const PERSON_MAX: Duration = millis(12 * 3_600_000);

/// How long after the result the program waits for the bleed to be opened and the gauge read; and where the run was
/// aborted and nobody is there for it, or nothing is asked.
const CONFIRM_MAX: Duration = millis(120_000);
/// See [`CONFIRM_MAX`].
const ABORTED_MAX: Duration = millis(5_000);

/// Decides when there is nothing left to record.
#[derive(Debug, Default)]
pub struct Watch {
    proved: Option<Instant>,
    /// A state that only a person can end, and since when.
    stuck: Option<Instant>,
}

impl Watch {
    /// Adds an event.
    pub fn see(&mut self, event: &Event, at: Instant) {
        match event {
            Event::RunFinished { .. } => self.proved = Some(at),
            Event::Entered { phase, .. } => {
                self.stuck = matches!(phase, Phase::Trapped | Phase::EmergencyStopped | Phase::Fault).then_some(at);
            }
            _ => {}
        }
    }

    /// Whether the run is over. `prompt`: what is still asked; `attended`: a person at the keyboard is to acknowledge a fault. The bleed is asked for as soon as the far side reads empty, so where no prompt is
    /// left it has been answered, whatever the state of the ball's cavity.
    pub fn is_over(
        &self,
        summary: &Summary,
        prompt: Option<Prompt>,
        (attended, abort_requested): (bool, bool),
        now: Instant,
    ) -> bool {
        let waited = |since: Option<Instant>, most: Duration| {
            since.is_some_and(|since| now.as_ticks().saturating_sub(since.as_ticks()) >= most.as_ticks())
        };
        let at_rest_unproved = abort_requested && self.proved.is_none() && summary.phase == Some(Phase::Ready);
        // Aborted before anything was fed, whoever did it: at rest, not measured empty, and nobody is asked anything.
        let nothing_asked = summary.aborted && !summary.reads_empty() && prompt.is_none();
        summary.refused.is_some()
            || at_rest_unproved
            || (self.proved.is_some() && summary.reads_empty() && prompt.is_none())
            || waited(
                self.proved,
                if nothing_asked || (abort_requested && !(attended && prompt.is_some())) {
                    ABORTED_MAX
                } else {
                    CONFIRM_MAX
                },
            )
            || waited(self.stuck, if attended && !abort_requested { PERSON_MAX } else { WAIT_MAX })
    }
}
