//! Turns a controller's records into polls as a local run has them, and compares each with this program's own
//! sequencer: same inputs, same outputs and events, or the run carries no verdict.

use seathold_recording::Discontinuity;
use seathold_sequencer::event::{Disconnect, Event, Events, Phase};
use seathold_sequencer::input::{ChannelState, Command, Prompt, Reading};
use seathold_sequencer::link::message::Snapshot;
use seathold_sequencer::link::polls::Poll;
use seathold_sequencer::poll_loop::PollRecord;
use seathold_sequencer::recipe::Recipe;
use seathold_sequencer::rig::Rig;
use seathold_sequencer::step::{Sequencer, Status};

use super::client::RecordContent;

/// An item to record, in order.
#[derive(Clone, Debug)]
pub enum ShadowItem {
    /// A poll with its events, and the state after it.
    Poll(Box<(PollRecord, Status)>),
    /// A discontinuity: what follows does not continue what was before.
    Break(Discontinuity),
}

/// Follows one run.
#[derive(Debug)]
pub struct Shadow {
    rig: Rig,
    recipe: Recipe,
    /// Records below belong to an earlier run.
    from: u32,
    began: bool,
    /// This program's sequencer, as long as it has had the same inputs as the controller's.
    shadow: Option<Box<Sequencer>>,
    /// The last poll, whose events may still be coming.
    pending: Option<Poll>,
    events: Events,
    status: Status,
    broken: bool,
}

impl Shadow {
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

    /// Whether the records so far are continuous.
    pub const fn is_whole(&self) -> bool {
        !self.broken
    }

    /// The controller was reset: every record of it is new.
    pub const fn renumber(&mut self) {
        self.from = 0;
    }

    /// Processes a record.
    pub fn take(&mut self, number: u32, kept: &RecordContent, items: &mut Vec<ShadowItem>) {
        if !self.began {
            if number >= self.from && matches!(kept, RecordContent::Began(recipe) if recipe == self.recipe.raw()) {
                self.began = true;
                self.shadow = Some(Box::new(Sequencer::new(self.rig, Some(self.recipe))));
            }
            return;
        }
        match kept {
            RecordContent::Event(at, event) => {
                let of_it = self.pending.is_some_and(|poll| poll.at == *at);
                if !of_it || self.events.push(event.clone()).is_err() {
                    self.break_off(Discontinuity::Differs, items);
                }
            }
            RecordContent::Polls(polls) => {
                for poll in polls {
                    self.flush(items);
                    self.pending = Some(*poll);
                }
            }
            // Not the sequencer this run began with.
            RecordContent::Began(_) => self.break_off(Discontinuity::Restarted, items),
            RecordContent::Other { unreadable: true } => self.break_off(Discontinuity::Gap { records: 1 }, items),
            RecordContent::Other { unreadable: false } => {}
        }
    }

    /// The run has a discontinuity here.
    pub fn break_off(&mut self, why: Discontinuity, items: &mut Vec<ShadowItem>) {
        if !self.began {
            return;
        }
        self.flush(items);
        self.shadow = None;
        self.broken = true;
        self.status = Status { prompt: None, disconnect: Disconnect::Pressurised, ..self.status };
        items.push(ShadowItem::Break(why));
    }

    /// Passes on the last poll, whose events have all come.
    pub fn flush(&mut self, items: &mut Vec<ShadowItem>) {
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
            items.push(ShadowItem::Break(Discontinuity::Differs));
        }
        let Poll { at, inputs, outputs } = poll;
        items.push(ShadowItem::Poll(Box::new((PollRecord { at, inputs, outputs, events }, self.status))));
    }

    /// Updates the status from the events, where it cannot be computed.
    fn look(&mut self, poll: &Poll, events: &Events) {
        match poll.inputs.far {
            Reading::Sample(sample) => {
                self.status.far = ChannelState::Pressure(self.rig.raw().far.pressure(sample.counts));
            }
            Reading::SensorFault(_) => self.status.far = ChannelState::SensorFault,
            Reading::NoSample => {}
        }
        self.status.deadline = None;
        // The bleed is answered without a phase of its own.
        if poll.inputs.command == Some(Command::Confirm(Prompt::OpenBleed)) {
            self.status.prompt = self.status.prompt.filter(|prompt| *prompt != Prompt::OpenBleed);
        }
        for event in events {
            match event {
                Event::Entered { phase, side } => {
                    (self.status.phase, self.status.side, self.status.prompt) = (*phase, *side, None);
                }
                Event::Prompted(prompt) => self.status.prompt = Some(*prompt),
                Event::Faulted(fault) => self.status.fault = Some(*fault),
                Event::Disconnect(is) => {
                    self.status.disconnect = *is;
                    self.status.prompt =
                        self.status.prompt.filter(|prompt| is.reads_empty() || !prompt.rests_on_empty());
                }
                _ => {}
            }
        }
    }

    /// The phase, once the run has begun.
    pub fn phase(&self) -> Option<Phase> {
        (self.began).then_some(self.status.phase)
    }

    /// The controller's snapshot counts where its records have a gap.
    pub fn apply_snapshot(&mut self, snapshot: &Snapshot) {
        if self.broken {
            let (phase, side, prompt) = (snapshot.phase, snapshot.side, snapshot.prompt);
            self.status = Status { phase, side, prompt, disconnect: snapshot.disconnect, ..self.status };
        }
    }
}
