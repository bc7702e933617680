//! Who answers: the simulated operator, or the person at the keyboard, whose answers move the simulated hands.

use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Ask, Command};
use seathold_sequencer::io::Operator;
use seathold_sequencer::time::Instant;
use seathold_sim::operator::SimOperator;

use crate::console::Typed;

/// The operator of a run.
#[derive(Debug)]
pub struct Person {
    /// Works the lever and swaps the ends; answers by itself unless `keyboard`.
    pub hands: SimOperator,
    keyboard: bool,
    /// Given its word to begin, from the keyboard.
    begun: bool,
    waiting: Option<Ask>,
    abort: bool,
    acknowledge: bool,
}

impl Person {
    /// The simulated operator.
    pub const fn simulated(hands: SimOperator) -> Self {
        Self { hands, keyboard: false, begun: true, waiting: None, abort: false, acknowledge: false }
    }

    /// The person at the keyboard. `hands` should have no delays of their own.
    pub const fn at_keyboard(hands: SimOperator) -> Self {
        Self { hands, keyboard: true, begun: false, waiting: None, abort: false, acknowledge: false }
    }

    /// Asks for the run to be given up.
    pub fn abort(&mut self) {
        self.abort = true;
    }

    /// Whether an answer is waited for.
    pub fn is_asked(&self) -> bool {
        self.keyboard && (!self.begun || self.waiting.is_some())
    }

    /// Whether the keyboard is listened to.
    pub const fn listens(&self) -> bool {
        self.keyboard
    }

    /// What the keyboard said. An empty line is "done"; "a" gives the run up; "ack" acknowledges a fault.
    pub fn hear(&mut self, typed: &Typed, now: Instant) {
        let Typed::Line(line) = typed else { return };
        match line.trim() {
            "" => {
                self.begun = true;
                if let Some(ask) = self.waiting.take() {
                    self.hands.tell(now, &Event::Asked(ask));
                }
            }
            "a" | "abort" => self.abort = true,
            "ack" => self.acknowledge = true,
            _ => {}
        }
    }
}

impl Operator for Person {
    fn command(&mut self, now: Instant, phase: Phase) -> Option<Command> {
        if std::mem::take(&mut self.abort) {
            return Some(Command::Abort);
        }
        if std::mem::take(&mut self.acknowledge) {
            return Some(Command::Acknowledge);
        }
        if self.begun { self.hands.command(now, phase) } else { None }
    }

    fn tell(&mut self, at: Instant, event: &Event) {
        match event {
            Event::Asked(ask) if self.keyboard => self.waiting = Some(*ask),
            // Whatever was asked belongs to the phase that asked it.
            Event::Entered { .. } => self.waiting = None,
            _ => {}
        }
        if !self.keyboard {
            self.hands.tell(at, event);
        }
    }
}
