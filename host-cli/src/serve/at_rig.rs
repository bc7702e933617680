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
pub enum CommandSource {
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

#[cfg(test)]
mod tests {
    use super::*;
    use seathold_sequencer::input::{Prompt, Sides};
    use seathold_sequencer::link::frame::Frame;
    use seathold_sequencer::link::host::Host;
    use seathold_sequencer::link::message::{Capabilities, Request};
    use seathold_sequencer::time::millis;
    use seathold_sim::operator::RawOperator;

    /// A controller, and a host whose frames arrive at once.
    struct Line {
        link: Box<Controller<STORE>>,
        host: Host,
    }

    impl Line {
        fn open() -> Self {
            let mut line = Self { link: Box::new(Controller::new(Capabilities::default())), host: Host::new(1) };
            line.pass(Instant::from_ticks(0));
            assert!(line.host.is_open());
            line
        }

        fn pass(&mut self, now: Instant) {
            let mut frame = Frame::new();
            while self.host.transmit(now, &mut frame) {
                frame.iter().for_each(|&byte| self.link.receive(now, byte));
            }
            while self.link.transmit(now, &mut frame) {
                for &byte in &frame {
                    let _ = self.host.receive(byte);
                }
            }
        }

        fn send(&mut self, now: Instant, command: Command) {
            self.host.request(Request::Operate(command)).expect("one at a time");
            self.pass(now);
        }
    }

    fn hands() -> SimOperator {
        let spec = RawOperator::DEMO.validate().expect("the example operator");
        SimOperator::new(&spec, Sides::Both, millis(500))
    }

    /// Confirmed at the keyboard, and then the pressure comes back: neither done nor said to the sequencer.
    #[test]
    fn ends_are_not_swapped_once_the_pressure_is_back() {
        for withdrawn in [false, true] {
            let (mut line, mut person, mut aborted) = (Line::open(), hands(), false);
            let now = Instant::from_ticks(1_000_000);
            line.send(now, Command::Confirm(Prompt::SwapEnds));
            let mut at = AtRig { person: &mut person, link: &mut line.link, hands_only: true, aborted: &mut aborted };
            // The prompt itself moves no hand: that takes the word from the keyboard.
            at.notify(now, &Event::Prompted(Prompt::SwapEnds));
            assert_eq!(at.person.act(now + millis(600_000)), None);
            assert_eq!(at.command(now, Phase::Swap), None, "the hands first");
            if withdrawn {
                at.notify(now, &Event::Disconnect(Disconnect::Pressurised));
            }
            let later = now + millis(600_000);
            // All of it: nobody says done with a hand still behind the guard.
            let done = std::iter::from_fn(|| at.person.act(later)).count() > 0;
            let said = at.command(later, Phase::Swap);
            assert_eq!((done, said), (!withdrawn, (!withdrawn).then_some(Command::Confirm(Prompt::SwapEnds))));
        }
    }

    /// Aborted by the host before the person at the rig has started: it does not begin after all.
    #[test]
    fn an_aborted_run_is_not_started() {
        for abort in [false, true] {
            let (mut line, mut person, mut aborted) = (Line::open(), hands(), false);
            let now = Instant::from_ticks(1_000_000);
            if abort {
                line.send(now, Command::Abort);
            }
            let mut at = AtRig { person: &mut person, link: &mut line.link, hands_only: false, aborted: &mut aborted };
            assert_eq!(at.command(now, Phase::StartUp), abort.then_some(Command::Abort));
            let started = (1..100).find_map(|n| at.command(now + millis(n * 100), Phase::Ready));
            assert_eq!(started, (!abort).then_some(Command::Start(Sides::Both)));
        }
    }
}
