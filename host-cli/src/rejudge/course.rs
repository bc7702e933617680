//! Where a recorded run stood at each of its polls.

use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Command, Side, Sides};
use seathold_sequencer::verdict::SideResult;

use crate::recording::Recording;

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
        course.start =
            recording.polls.iter().take(whole).enumerate().find_map(|(number, poll)| match poll.inputs.command {
                Some(Command::Start(sides)) => Some((number, sides)),
                _ => None,
            });
        // Most events are figures of looks, and making those out would take longer than all the rest.
        let called = ["entered", "judged"].map(|name| recording.names.place_of(name));
        let events = recording.happened.iter().take_while(|(number, _)| *number < whole);
        for (from, event) in
            events.filter(|(_, event)| event.variant().is_some_and(|name| called.contains(&Some(name))))
        {
            match recording.names.typed(&event.node()) {
                Some(Event::Entered { phase, side }) => course.legs.push(Leg { from, phase, side }),
                Some(Event::Judged(result)) => course.sides.push(result),
                _ => {}
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
