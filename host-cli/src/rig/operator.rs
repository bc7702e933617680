//! The operator: the simulated one, or the one at the keyboard, whose answers move the simulated hands.

use seathold_sequencer::event::{Disconnect, Event, Phase};
use seathold_sequencer::input::{Command, Prompt};
use seathold_sequencer::io::Operator;
use seathold_sequencer::time::Instant;
use seathold_sim::operator::SimOperator;

use crate::console::KeyboardInput;

/// A question to the operator at the keyboard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OperatorQuestion {
    /// Whether the run may begin.
    Begin,
    /// A prompt of the sequencer.
    Of(Prompt),
}

/// The operator of a run. The hands that work the lever and swap the ends are the simulated operator's; they answer by
/// themselves unless someone is at the keyboard.
#[derive(Debug)]
pub struct ConsoleOperator {
    keyboard: bool,
    /// Cleared to begin, from the keyboard.
    begun: bool,
    /// The phase last entered.
    phase: Phase,
    waiting: Option<Prompt>,
    abort: bool,
    abort_requested: bool,
    acknowledge: bool,
    /// Nobody is at the keyboard any more.
    gone: bool,
}

impl ConsoleOperator {
    /// The simulated operator.
    pub const fn simulated() -> Self {
        Self {
            keyboard: false,
            begun: true,
            phase: Phase::StartUp,
            waiting: None,
            abort: false,
            abort_requested: false,
            acknowledge: false,
            gone: false,
        }
    }

    /// The operator at the keyboard. The hands should have no delays of their own.
    pub const fn at_keyboard() -> Self {
        Self {
            keyboard: true,
            begun: false,
            phase: Phase::StartUp,
            waiting: None,
            abort: false,
            abort_requested: false,
            acknowledge: false,
            gone: false,
        }
    }

    /// Requests an abort of the run.
    pub fn abort(&mut self) {
        self.abort = true;
        self.abort_requested = true;
    }

    /// Whether an abort was requested.
    pub const fn abort_requested(&self) -> bool {
        self.abort_requested
    }

    /// The question to the operator at the keyboard, if any.
    pub fn question(&self) -> Option<OperatorQuestion> {
        match self.waiting {
            _ if !self.keyboard => None,
            Some(prompt) => Some(OperatorQuestion::Of(prompt)),
            None => (!self.begun && self.phase == Phase::Ready).then_some(OperatorQuestion::Begin),
        }
    }

    /// Whether the keyboard is read.
    pub const fn listens(&self) -> bool {
        self.keyboard
    }

    /// Handles keyboard input. An empty line is "done"; "a" aborts the run; "ack" acknowledges a fault.
    pub fn handle_input(&mut self, input: &KeyboardInput, now: Instant, hands: &mut SimOperator) {
        let line = match input {
            KeyboardInput::Line(line) => line.trim(),
            KeyboardInput::Nothing => return,
            KeyboardInput::Closed => {
                self.gone = true;
                // A run not begun yet will not begin.
                self.abort_requested |= !self.begun;
                return;
            }
        };
        match line {
            "" => match self.question() {
                Some(OperatorQuestion::Of(prompt)) => {
                    self.waiting = None;
                    hands.notify(now, &Event::Prompted(prompt));
                }
                Some(OperatorQuestion::Begin) => self.begun = true,
                None => {}
            },
            "a" | "abort" => self.abort(),
            "ack" => self.acknowledge = true,
            _ => {}
        }
    }
}

/// The operator of one poll: the one at the keyboard, with the simulated hands.
#[derive(Debug)]
pub struct WithHands<'a>(pub &'a mut ConsoleOperator, pub &'a mut SimOperator);

impl Operator for WithHands<'_> {
    fn link_up(&mut self) -> bool {
        !self.0.gone && self.1.link_up()
    }

    fn command(&mut self, now: Instant, phase: Phase) -> Option<Command> {
        let Self(console, hands) = self;
        if std::mem::take(&mut console.abort) {
            return Some(Command::Abort);
        }
        if std::mem::take(&mut console.acknowledge) {
            return Some(Command::Acknowledge);
        }
        // Not begun without the operator's word; aborted before it began, it must not begin after all.
        let held = phase == Phase::Ready && (!console.begun || console.abort_requested);
        if held { None } else { hands.command(now, phase) }
    }

    fn notify(&mut self, at: Instant, event: &Event) {
        let Self(console, hands) = self;
        match event {
            Event::Prompted(prompt) if console.keyboard => console.waiting = Some(*prompt),
            // A prompt belongs to the phase that made it.
            Event::Entered { phase, .. } => {
                console.phase = *phase;
                console.waiting = None;
            }
            // Withdrawn: nothing must be done on that reading.
            Event::Disconnect(Disconnect::Pressurised) => {
                console.waiting = console.waiting.filter(|prompt| !prompt.rests_on_empty());
                // The hands may have started already, from the keyboard.
                hands.notify(at, event);
                return;
            }
            _ => {}
        }
        if !console.keyboard {
            hands.notify(at, event);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use seathold_sequencer::input::Sides;
    use seathold_sequencer::time::millis;
    use seathold_sim::operator::RawOperator;

    /// Said to be done, and then the pressure comes back: neither said to the sequencer nor done.
    #[test]
    fn ends_are_not_said_to_be_swapped_once_the_pressure_is_back() {
        let spec = RawOperator::DEMO.validate().expect("the example operator");
        for withdrawn in [false, true] {
            let mut console = ConsoleOperator { begun: true, ..ConsoleOperator::at_keyboard() };
            let mut hands = SimOperator::new(&spec, Sides::Both, millis(500));
            let prompted_at = Instant::from_ticks(1_000_000);
            WithHands(&mut console, &mut hands).notify(prompted_at, &Event::Prompted(Prompt::SwapEnds));
            if withdrawn {
                // Asked, and not yet answered.
                WithHands(&mut console, &mut hands).notify(prompted_at, &Event::Disconnect(Disconnect::Pressurised));
                assert_eq!(console.question(), None);
                WithHands(&mut console, &mut hands).notify(prompted_at, &Event::Prompted(Prompt::SwapEnds));
            }
            assert_eq!(console.question(), Some(OperatorQuestion::Of(Prompt::SwapEnds)));
            console.handle_input(&KeyboardInput::Line(String::new()), prompted_at, &mut hands);
            if withdrawn {
                WithHands(&mut console, &mut hands).notify(prompted_at, &Event::Disconnect(Disconnect::Pressurised));
            }
            let later = prompted_at + millis(600_000);
            let done = hands.act(later).is_some();
            let said = WithHands(&mut console, &mut hands).command(later, Phase::Swap);
            assert_eq!((done, said.is_some()), (!withdrawn, !withdrawn));
        }
    }
}
