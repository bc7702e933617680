//! Where a recorded run stood at each of its polls.

use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Command, Side, Sides};
use seathold_sequencer::verdict::SideResult;

use crate::recording::Recording;
use crate::recording::tree::Node;

/// A phase of the recorded run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Leg {
    /// Number of the poll at which it was entered.
    pub from: usize,
    /// The phase.
    pub phase: Phase,
    /// The side under test.
    pub side: Option<Side>,
}

/// The phases of a recorded run, and what it found.
#[derive(Clone, Debug, Default)]
pub struct Course {
    /// In order.
    pub legs: Vec<Leg>,
    /// Poll with the command that began the run, and the sides asked for.
    pub start: Option<(usize, Sides)>,
    /// Results as recorded.
    pub sides: Vec<SideResult>,
    /// Polls that hang together.
    pub whole: usize,
}

impl Course {
    /// Reads it from the recorded events.
    pub fn of(recording: &Recording) -> Self {
        let whole = recording.whole();
        let mut course = Self { whole, ..Self::default() };
        for (number, poll) in recording.polls.iter().take(whole).enumerate() {
            if let Some(Command::Start(sides)) = poll.inputs.command {
                course.start.get_or_insert((number, sides));
            }
            // Most events are figures of looks, and reading those would take longer than all the rest.
            let matters = |node: &&Node| matches!(recording.names.variant(node), Some("entered" | "judged"));
            for event in poll.events.iter().filter(matters).filter_map(|node| recording.names.typed(node)) {
                match event {
                    Event::Entered { phase, side } => course.legs.push(Leg { from: number, phase, side }),
                    Event::Judged(result) => course.sides.push(result),
                    _ => {}
                }
            }
        }
        course
    }

    /// The place in [`Course::legs`] of the phase the run stood in after poll `number`; `after` is an earlier place.
    pub fn leg_at(&self, number: usize, after: usize) -> usize {
        let ahead = self.legs.iter().skip(after + 1).take_while(|leg| leg.from <= number).count();
        after + ahead
    }

    /// The first poll after `number` at which `phase` was entered on `side`.
    pub fn entered(&self, phase: Phase, side: Option<Side>, number: usize) -> Option<usize> {
        let fits = |leg: &&Leg| leg.from >= number && leg.phase == phase && (side.is_none() || leg.side == side);
        self.legs.iter().find(fits).map(|leg| leg.from)
    }

    /// The result of a side as recorded.
    pub fn result(&self, side: Side) -> Option<&SideResult> {
        self.sides.iter().find(|result| result.side == side)
    }
}
