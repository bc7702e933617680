//! Who answers: the simulated operator, or the person at the keyboard, whose answers move the simulated hands.

use seathold_sequencer::event::{Event, Phase};
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

/// The operator of a run.
#[derive(Debug)]
pub struct Person {
    /// Works the lever and swaps the ends; answers by itself unless `keyboard`.
    pub hands: SimOperator,
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
    pub const fn simulated(hands: SimOperator) -> Self {
        Self { hands, keyboard: false, begun: true, phase: Phase::SafeVent, waiting: None, abort: false, gave_up: false, acknowledge: false, gone: false }
    }

    /// The person at the keyboard. `hands` should have no delays of their own.
    pub const fn at_keyboard(hands: SimOperator) -> Self {
        Self { hands, keyboard: true, begun: false, phase: Phase::SafeVent, waiting: None, abort: false, gave_up: false, acknowledge: false, gone: false }
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
    pub fn hear(&mut self, typed: &Typed, now: Instant) {
        let line = match typed {
            Typed::Line(line) => line.trim(),
            Typed::Nothing => return,
            Typed::Closed => {
                self.gone = true;
                return;
            }
        };
        match line {
            "" => match self.asked() {
                Some(Question::Of(ask)) => {
                    self.waiting = None;
                    self.hands.tell(now, &Event::Asked(ask));
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

impl Operator for Person {
    fn link_up(&mut self) -> bool {
        !self.gone
    }

    fn command(&mut self, now: Instant, phase: Phase) -> Option<Command> {
        if std::mem::take(&mut self.abort) {
            return Some(Command::Abort);
        }
        if std::mem::take(&mut self.acknowledge) {
            return Some(Command::Acknowledge);
        }
        // Given up before it began: it must not begin after all.
        let may_begin = self.begun && !(self.gave_up && phase == Phase::Ready);
        if may_begin { self.hands.command(now, phase) } else { None }
    }

    fn tell(&mut self, at: Instant, event: &Event) {
        match event {
            Event::Asked(ask) if self.keyboard => self.waiting = Some(*ask),
            // Whatever was asked belongs to the phase that asked it.
            Event::Entered { phase, .. } => {
                self.phase = *phase;
                self.waiting = None;
            }
            _ => {}
        }
        if !self.keyboard {
            self.hands.tell(at, event);
        }
    }
}
