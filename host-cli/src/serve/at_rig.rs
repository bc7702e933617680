//! The simulated operator beside the link: a person who stands at the rig and works the controller there.

use seathold_sequencer::event::{Disconnect, Event, Phase};
use seathold_sequencer::input::Command;
use seathold_sequencer::io::Operator;
use seathold_sequencer::link::controller::Controller;
use seathold_sequencer::time::Instant;
use seathold_sim::operator::SimOperator;

use super::STORE;

/// Who gives the commands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Commands {
    /// The host alone. Of the simulated operator only the hands are used, which follow what the host confirms.
    Host,
    /// The simulated operator, at once and by itself; the host may abort.
    Simulated,
    /// A person at the host, whose simulated hands do what is confirmed before the controller hears of it.
    Hands,
}

/// The operator of one poll.
pub(super) struct AtRig<'a> {
    pub(super) person: &'a mut SimOperator,
    pub(super) link: &'a mut Controller<STORE>,
    /// Whether the host confirms, or the simulated operator.
    pub(super) hands_only: bool,
    /// The host has aborted: nothing is started any more.
    pub(super) aborted: &'a mut bool,
}

impl Operator for AtRig<'_> {
    // The person is there for as long as no fault takes them away, whatever becomes of the link that records.
    fn link_up(&mut self) -> bool {
        self.person.link_up()
    }

    fn command(&mut self, now: Instant, phase: Phase) -> Option<Command> {
        match self.link.command(now, phase) {
            Some(Command::Confirm(prompt)) if self.hands_only => self.person.notify(now, &Event::Prompted(prompt)),
            Some(command) => {
                *self.aborted |= command == Command::Abort;
                return Some(command);
            }
            None => {}
        }
        // Aborted before it began, it must not begin after all; nor does anyone go to the bleed by themselves then.
        if *self.aborted && phase == Phase::Ready {
            return None;
        }
        self.person.command(now, phase).filter(|command| !self.hands_only || !matches!(command, Command::Start(_)))
    }

    fn notify(&mut self, at: Instant, event: &Event) {
        // Withdrawn in either case: nothing may be done on that reading.
        if !self.hands_only || *event == Event::Disconnect(Disconnect::Pressurised) {
            self.person.notify(at, event);
        }
    }
}
