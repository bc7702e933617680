//! Turns a controller's records into polls as a local run has them, and holds each against this program's own
//! sequencer: same inputs, same outputs and events, or the run carries no verdict.

use seathold_sequencer::bench::Polled;
use seathold_sequencer::event::{Disconnect, Event, Events, Phase};
use seathold_sequencer::input::{Ask, Command, Known, Reading};
use seathold_sequencer::link::message::Snapshot;
use seathold_sequencer::link::polls::Poll;
use seathold_sequencer::recipe::Recipe;
use seathold_sequencer::rig::Rig;
use seathold_sequencer::step::{Sequencer, Status};

use super::remote::Kept;
use crate::recording::Why;

/// What there is to record, in order.
#[derive(Clone, Debug)]
pub enum Item {
    /// A poll with its events.
    Poll(Box<Polled>),
    /// What comes next does not hang together with what was before.
    Break(Why),
}

/// Follows one run.
#[derive(Debug)]
pub struct Follower {
    rig: Rig,
    recipe: Recipe,
    /// Records below belong to an earlier run.
    from: u32,
    began: bool,
    /// This program's sequencer, as long as it has all that the controller's had.
    shadow: Option<Box<Sequencer>>,
    /// The last poll, whose events may still be coming.
    pending: Option<Poll>,
    events: Events,
    status: Status,
    broken: bool,
}

impl Follower {
    /// Before the run began. Records below `from` are of an earlier one.
    pub fn new(rig: Rig, recipe: Recipe, from: u32) -> Self {
        Self {
            rig,
            recipe,
            from,
            began: false,
            shadow: None,
            pending: None,
            events: Events::new(),
            status: Sequencer::new(rig, None).status(),
            broken: false,
        }
    }

    /// Whether the controller has begun with the recipe.
    pub const fn began(&self) -> bool {
        self.began
    }

    /// Whether everything so far hangs together.
    pub const fn is_whole(&self) -> bool {
        !self.broken
    }

    /// What a screen shows.
    pub const fn status(&self) -> &Status {
        &self.status
    }

    /// The controller was reset: every record of it is new.
    pub const fn renumber(&mut self) {
        self.from = 0;
    }

    /// Takes in a record.
    pub fn take(&mut self, number: u32, kept: &Kept, items: &mut Vec<Item>) {
        if !self.began {
            if number >= self.from && matches!(kept, Kept::Began(recipe) if recipe == self.recipe.raw()) {
                self.began = true;
                self.shadow = Some(Box::new(Sequencer::new(self.rig, Some(self.recipe))));
            }
            return;
        }
        match kept {
            Kept::Event(at, event) => {
                let of_it = self.pending.is_some_and(|poll| poll.at == *at);
                if !of_it || self.events.push(event.clone()).is_err() {
                    self.break_off(Why::Differs, items);
                }
            }
            Kept::Polls(polls) => {
                for poll in polls {
                    self.flush(items);
                    self.pending = Some(*poll);
                }
            }
            // Another sequencer than the one this run began with.
            Kept::Began(_) => self.break_off(Why::Restarted, items),
            Kept::Other { unreadable: true } => self.break_off(Why::Gap { records: 1 }, items),
            Kept::Other { unreadable: false } => {}
        }
    }

    /// The run does not hang together from here on.
    pub fn break_off(&mut self, why: Why, items: &mut Vec<Item>) {
        if !self.began {
            return;
        }
        self.flush(items);
        self.shadow = None;
        self.broken = true;
        self.status = Status { ask: None, disconnect: Disconnect::Pressurised, ..self.status };
        items.push(Item::Break(why));
    }

    /// Passes on the last poll, whose events have all come.
    pub fn flush(&mut self, items: &mut Vec<Item>) {
        let Some(poll) = self.pending.take() else { return };
        let events = core::mem::take(&mut self.events);
        let mut same = true;
        if let Some(shadow) = &mut self.shadow {
            let step = shadow.step(poll.at, &poll.inputs);
            same = step.outputs == poll.outputs && step.events == events;
            self.status = shadow.status();
        }
        if self.shadow.is_none() {
            self.look(&poll, &events);
        }
        if !same {
            self.shadow = None;
            self.broken = true;
            items.push(Item::Break(Why::Differs));
        }
        let Poll { at, inputs, outputs } = poll;
        items.push(Item::Poll(Box::new(Polled { at, inputs, outputs, events })));
    }

    /// Keeps the status by what is told, where it cannot be worked out.
    fn look(&mut self, poll: &Poll, events: &Events) {
        match poll.inputs.far {
            Reading::Sample(sample) => {
                self.status.far = Known::Pressure(self.rig.raw().far.pressure(sample.counts));
            }
            Reading::Sick(_) => self.status.far = Known::Sick,
            Reading::Waiting => {}
        }
        self.status.deadline = None;
        // The bleed is answered without a phase of its own.
        if poll.inputs.command == Some(Command::Confirm(Ask::OpenBleed)) {
            self.status.ask = self.status.ask.filter(|ask| *ask != Ask::OpenBleed);
        }
        for event in events {
            match event {
                Event::Entered { phase, side } => {
                    (self.status.phase, self.status.side, self.status.ask) = (*phase, *side, None);
                }
                Event::Asked(ask) => self.status.ask = Some(*ask),
                Event::Faulted(fault) => self.status.fault = Some(*fault),
                Event::Disconnect(is) => {
                    self.status.disconnect = *is;
                    self.status.ask = self.status.ask.filter(|ask| is.reads_empty() || !ask.rests_on_empty());
                }
                _ => {}
            }
        }
    }

    /// The phase, once the run has begun.
    pub fn phase(&self) -> Option<Phase> {
        (self.began).then_some(self.status.phase)
    }

    /// What the controller says of itself counts where its records have a gap.
    pub fn hear(&mut self, snapshot: &Snapshot) {
        if self.broken {
            let (phase, side, ask) = (snapshot.phase, snapshot.side, snapshot.ask);
            self.status = Status { phase, side, ask, disconnect: snapshot.disconnect, ..self.status };
        }
    }
}
