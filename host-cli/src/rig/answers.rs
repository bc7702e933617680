//! Who answers a controller: the person at the keyboard, or, for a simulated rig, a person with the simulated
//! operator's pace.

use seathold_sequencer::event::{Disconnect, Event, Phase};
use seathold_sequencer::input::{Ask, Command, Sides};
use seathold_sequencer::time::Instant;
use seathold_sim::operator::RawOperator;
use seathold_sim::scenario::Scenario;

use super::person::Question;
use crate::console::Typed;

/// The operator of a run on a controller. What is wanted stays wanted until the records show that it was done, so that
/// an order lost with a connection is given again.
#[derive(Debug)]
pub struct Answers {
    keyboard: bool,
    sides: Sides,
    begun: bool,
    under_way: bool,
    /// The controller began anew in the middle.
    restarted: bool,
    phase: Phase,
    /// When the phase began, or the ask was made, on the controller's clock.
    since: u64,
    asked: Option<Ask>,
    done: bool,
    abort: bool,
    gave_up: bool,
    acknowledge: bool,
    /// Given, and not to be given again on this connection.
    given: Option<Command>,
}

impl Answers {
    /// Nobody has said anything.
    pub const fn new(sides: Sides, keyboard: bool) -> Self {
        Self {
            keyboard,
            sides,
            begun: !keyboard,
            under_way: false,
            restarted: false,
            phase: Phase::StartUp,
            since: 0,
            asked: None,
            done: false,
            abort: false,
            gave_up: false,
            acknowledge: false,
            given: None,
        }
    }

    /// Asks for the run to be given up.
    pub const fn abort(&mut self) {
        self.abort = true;
        self.gave_up = true;
    }

    /// Whether the run has been given up.
    pub const fn gave_up(&self) -> bool {
        self.gave_up
    }

    /// Whether the keyboard is listened to.
    pub const fn listens(&self) -> bool {
        self.keyboard
    }

    /// What the person at the keyboard is asked for, if anything.
    pub fn question(&self) -> Option<Question> {
        match self.asked {
            _ if !self.keyboard => None,
            Some(ask) => (!self.done).then_some(Question::Of(ask)),
            None => (!self.begun && self.phase == Phase::Ready).then_some(Question::Begin),
        }
    }

    /// What the keyboard said: an empty line is "done", "a" gives the run up, "ack" acknowledges a fault. Nobody at the
    /// keyboard any more gives it up too: a run whose questions nobody answers has no end of its own.
    pub fn hear(&mut self, typed: &Typed) {
        match typed {
            Typed::Nothing => {}
            Typed::Closed if self.gave_up => {}
            Typed::Closed => self.abort(),
            Typed::Line(line) => match line.trim() {
                "" => match self.question() {
                    Some(Question::Of(_)) => self.done = true,
                    Some(Question::Begin) => self.begun = true,
                    None => {}
                },
                "a" | "abort" => self.abort(),
                "ack" => self.acknowledge = true,
                _ => {}
            },
        }
    }

    /// Something happened on the controller.
    pub fn tell(&mut self, at: Instant, event: &Event) {
        match event {
            Event::Entered { phase, .. } => {
                self.under_way |= *phase == Phase::Precheck;
                (self.phase, self.since) = (*phase, at.as_ticks());
                (self.asked, self.done, self.given) = (None, false, None);
            }
            Event::Asked(ask) => {
                (self.asked, self.since, self.done, self.given) = (Some(*ask), at.as_ticks(), false, None);
            }
            // Taken back: the bleed is not to be opened on what was read.
            Event::Disconnect(Disconnect::Pressurised) if self.asked.is_some_and(Ask::rests_on_empty) => {
                self.asked = None
            }
            // Said to be done, and not believed: to be done, and said again.
            Event::Refused(_) if self.asked.is_some() => {
                (self.since, self.done, self.given) = (at.as_ticks(), false, None);
            }
            Event::Aborted => self.abort = false,
            Event::Acknowledged => self.acknowledge = false,
            _ => {}
        }
    }

    /// What the controller says of itself, where its records have a gap.
    pub fn stand(&mut self, phase: Phase, ask: Option<Ask>, at: Instant) {
        if phase != self.phase {
            self.tell(at, &Event::Entered { phase, side: None });
        }
        if ask != self.asked
            && let Some(ask) = ask
        {
            self.tell(at, &Event::Asked(ask));
        }
    }

    /// A new connection: what had been given may be lost.
    pub const fn again(&mut self) {
        self.given = None;
    }

    /// The controller began anew: nothing is started any more, as it has no recipe for it.
    pub const fn restarted(&mut self) {
        self.restarted = true;
    }

    /// The next command, if there is one.
    pub fn next(&mut self, now: Instant) -> Option<Command> {
        let waited = now.as_ticks().saturating_sub(self.since);
        let confirm = self.asked.filter(|ask| self.done || (!self.keyboard && waited >= pace(*ask)));
        let want = if self.abort && (self.phase.is_live() || matches!(self.phase, Phase::SafeVent | Phase::Swap)) {
            Some(Command::Abort)
        } else if self.acknowledge {
            Some(Command::Acknowledge)
        } else if let Some(ask) = confirm {
            Some(Command::Confirm(ask))
        } else if self.phase == Phase::Ready {
            let due = self.begun && (self.keyboard || waited >= us(RawOperator::DEMO.start_ms));
            (due && !self.under_way && !self.restarted && !self.gave_up).then_some(Command::Start(self.sides))
        } else {
            None
        };
        let want = want.filter(|want| self.given != Some(*want))?;
        self.given = Some(want);
        Some(want)
    }
}

const fn us(ms: u32) -> u64 {
    ms as u64 * 1_000
}

/// How long the simulated operator takes for it, in microseconds.
const fn pace(ask: Ask) -> u64 {
    let RawOperator { reaction_ms, confirm_ms, swap_ms, .. } = RawOperator::DEMO;
    match ask {
        Ask::SwapEnds => us(swap_ms),
        // Worked twice.
        Ask::WorkLever => us(reaction_ms + 2 * Scenario::TIGHT.plant.lever_ms + confirm_ms),
        Ask::OpenBleed => us(2 * reaction_ms + confirm_ms),
        Ask::OpenValve | Ask::ShutValve | Ask::OpenToVent => {
            us(reaction_ms + Scenario::TIGHT.plant.lever_ms + confirm_ms)
        }
    }
}
