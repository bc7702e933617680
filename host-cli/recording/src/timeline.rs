//! The phase of a recorded run at each of its polls.

use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Command, Side, Sides};
use seathold_sequencer::verdict::SideResult;

use crate::Recording;

/// A phase of the recorded run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Segment {
    /// Number of the poll at which it was entered.
    pub from: usize,
    /// The phase.
    pub phase: Phase,
    /// The side under test.
    pub side: Option<Side>,
}

/// The phases of a recorded run, and its results.
#[derive(Clone, Debug, Default)]
pub struct Timeline {
    /// In order.
    pub segments: Vec<Segment>,
    /// Poll with the command that began the run, and the sides asked for.
    pub start: Option<(usize, Sides)>,
    /// Results as recorded.
    pub sides: Vec<SideResult>,
    /// Polls before the first discontinuity.
    pub whole: usize,
}

impl Timeline {
    /// Reads it from the recorded events.
    pub fn of(recording: &Recording) -> Self {
        let whole = recording.whole();
        let mut timeline = Self { whole, ..Self::default() };
        timeline.start =
            recording.polls.iter().take(whole).enumerate().find_map(|(number, poll)| match poll.inputs.command {
                Some(Command::Start(sides)) => Some((number, sides)),
                _ => None,
            });
        // Most events are interim estimates, and decoding those would take longer than all the rest.
        let called = ["entered", "side-finished"].map(|name| recording.names.place_of(name));
        let events = recording.event_log.iter().take_while(|(number, _)| *number < whole);
        for (from, event) in
            events.filter(|(_, event)| event.variant().is_some_and(|name| called.contains(&Some(name))))
        {
            match recording.names.typed(&event.node()) {
                Some(Event::Entered { phase, side }) => timeline.segments.push(Segment { from, phase, side }),
                Some(Event::SideFinished(result)) => timeline.sides.push(result),
                _ => {}
            }
        }
        timeline
    }

    /// Index in [`Timeline::segments`] of the phase after poll `number`; `after` is an earlier index.
    pub fn segment_at(&self, number: usize, after: usize) -> usize {
        let ahead = self.segments.iter().skip(after + 1).take_while(|segment| segment.from <= number).count();
        after + ahead
    }

    /// The first poll after `number` at which `phase` was entered on `side`.
    pub fn entered(&self, phase: Phase, side: Option<Side>, number: usize) -> Option<usize> {
        let fits = |segment: &&Segment| {
            segment.from >= number && segment.phase == phase && (side.is_none() || segment.side == side)
        };
        self.segments.iter().find(fits).map(|segment| segment.from)
    }

    /// The result of a side as recorded.
    pub fn result(&self, side: Side) -> Option<&SideResult> {
        self.sides.iter().find(|result| result.side == side)
    }
}
