//! Who answers: the simulated operator, or the person at the keyboard, whose answers move the simulated hands.

use seathold_sequencer::event::{Disconnect, Event, Phase};
use seathold_sequencer::input::{Ask, Command};
use seathold_sequencer::io::Operator;
use seathold_sequencer::time::Instant;
use seathold_sim::operator::SimOperator;

use crate::console::Typed;

/// What the person at the keyboard is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Question {
    /// To say that the run may begin.
    Begin,
    /// What the sequencer asks.
    Of(Ask),
}

/// The operator of a run. Hands that work the lever and swap the ends are the simulated operator's; they answer by
/// themselves unless a person is at the keyboard.
#[derive(Debug)]
pub struct Person {
    keyboard: bool,
    /// Given its word to begin, from the keyboard.
    begun: bool,
    /// The phase last entered.
    phase: Phase,
    waiting: Option<Ask>,
    abort: bool,
    gave_up: bool,
    acknowledge: bool,
    /// Nobody is at the keyboard any more.
    gone: bool,
}

impl Person {
    /// The simulated operator.
    pub const fn simulated() -> Self {
        Self {
            keyboard: false,
            begun: true,
            phase: Phase::StartUp,
            waiting: None,
            abort: false,
            gave_up: false,
            acknowledge: false,
            gone: false,
        }
    }

    /// The person at the keyboard. The hands should have no delays of their own.
    pub const fn at_keyboard() -> Self {
        Self {
            keyboard: true,
            begun: false,
            phase: Phase::StartUp,
            waiting: None,
            abort: false,
            gave_up: false,
            acknowledge: false,
            gone: false,
        }
    }

    /// Asks for the run to be given up.
    pub fn abort(&mut self) {
        self.abort = true;
        self.gave_up = true;
    }

    /// Whether the run has been given up.
    pub const fn gave_up(&self) -> bool {
        self.gave_up
    }

    /// What the person at the keyboard is asked for, if anything.
    pub fn asked(&self) -> Option<Question> {
        match self.waiting {
            _ if !self.keyboard => None,
            Some(ask) => Some(Question::Of(ask)),
            None => (!self.begun && self.phase == Phase::Ready).then_some(Question::Begin),
        }
    }

    /// Whether the keyboard is listened to.
    pub const fn listens(&self) -> bool {
        self.keyboard
    }

    /// What the keyboard said. An empty line is "done"; "a" gives the run up; "ack" acknowledges a fault.
    pub fn hear(&mut self, typed: &Typed, now: Instant, hands: &mut SimOperator) {
        let line = match typed {
            Typed::Line(line) => line.trim(),
            Typed::Nothing => return,
            Typed::Closed => {
                self.gone = true;
                // What nobody has begun, nobody will.
                self.gave_up |= !self.begun;
                return;
            }
        };
        match line {
            "" => match self.asked() {
                Some(Question::Of(ask)) => {
                    self.waiting = None;
                    hands.tell(now, &Event::Asked(ask));
                }
                Some(Question::Begin) => self.begun = true,
                None => {}
            },
            "a" | "abort" => self.abort(),
            "ack" => self.acknowledge = true,
            _ => {}
        }
    }
}

/// The operator of one poll: the person, with the hands that do what they say.
#[derive(Debug)]
pub struct WithHands<'a>(pub &'a mut Person, pub &'a mut SimOperator);

impl Operator for WithHands<'_> {
    fn link_up(&mut self) -> bool {
        !self.0.gone && self.1.link_up()
    }

    fn command(&mut self, now: Instant, phase: Phase) -> Option<Command> {
        let Self(person, hands) = self;
        if std::mem::take(&mut person.abort) {
            return Some(Command::Abort);
        }
        if std::mem::take(&mut person.acknowledge) {
            return Some(Command::Acknowledge);
        }
        // Not begun without the person's word; given up before it began, it must not begin after all.
        let held = phase == Phase::Ready && (!person.begun || person.gave_up);
        if held { None } else { hands.command(now, phase) }
    }

    fn tell(&mut self, at: Instant, event: &Event) {
        let Self(person, hands) = self;
        match event {
            Event::Asked(ask) if person.keyboard => person.waiting = Some(*ask),
            // Whatever was asked belongs to the phase that asked it.
            Event::Entered { phase, .. } => {
                person.phase = *phase;
                person.waiting = None;
            }
            // Taken back: nothing is to be done on what was read.
            Event::Disconnect(Disconnect::Pressurised) => {
                person.waiting = person.waiting.filter(|ask| !ask.rests_on_empty());
                // The hands may be at it already, at the keyboard's word.
                hands.tell(at, event);
                return;
            }
            _ => {}
        }
        if !person.keyboard {
            hands.tell(at, event);
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
        for taken_back in [false, true] {
            let mut person = Person { begun: true, ..Person::at_keyboard() };
            let mut hands = SimOperator::new(&spec, Sides::Both, millis(500));
            let asked_at = Instant::from_ticks(1_000_000);
            WithHands(&mut person, &mut hands).tell(asked_at, &Event::Asked(Ask::SwapEnds));
            if taken_back {
                // Asked, and not yet answered.
                WithHands(&mut person, &mut hands).tell(asked_at, &Event::Disconnect(Disconnect::Pressurised));
                assert_eq!(person.asked(), None);
                WithHands(&mut person, &mut hands).tell(asked_at, &Event::Asked(Ask::SwapEnds));
            }
            assert_eq!(person.asked(), Some(Question::Of(Ask::SwapEnds)));
            person.hear(&Typed::Line(String::new()), asked_at, &mut hands);
            if taken_back {
                WithHands(&mut person, &mut hands).tell(asked_at, &Event::Disconnect(Disconnect::Pressurised));
            }
            let later = asked_at + millis(600_000);
            let done = hands.act(later).is_some();
            let said = WithHands(&mut person, &mut hands).command(later, Phase::Swap);
            assert_eq!((done, said.is_some()), (!taken_back, !taken_back));
        }
    }
}
