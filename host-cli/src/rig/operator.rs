//! Who answers a controller: the person at the keyboard, or one simulated.

use seathold_sequencer::event::{Disconnect, Event, Phase};
use seathold_sequencer::input::{Command, Prompt, Side, Sides};
use seathold_sequencer::time::Instant;
use seathold_sim::operator::RawOperator;
use seathold_sim::scenario::Scenario;
use seathold_text::end_swap::tag;

use crate::console::KeyboardInput;

/// A question to the operator at the keyboard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OperatorQuestion {
    /// Whether the run may begin.
    Begin,
    /// A prompt of the sequencer.
    Of(Prompt),
}

/// Who answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answers {
    /// The person at the keyboard.
    Keyboard,
    /// This program, with the simulated operator's reaction times: for a simulated rig somewhere else.
    Timed,
    /// The simulated operator at the rig, by itself: for the rig simulated in this program. From here it is only
    /// aborted.
    AtRig,
}

/// The operator of a run, as this program sees them. A command stays pending until the records show that it was carried out, so
/// that one lost with a connection is sent again.
#[derive(Debug)]
pub struct RunOperator {
    answers: Answers,
    /// The serial number, where the tag of the end on the supply side is to be scanned before a side.
    end_tags: Option<String>,
    sides: Sides,
    begun: bool,
    pending: bool,
    /// The controller was restarted during the run.
    restarted: bool,
    phase: Phase,
    /// When the phase began, or the prompt came, on the controller's clock.
    since: u64,
    asked: Option<Prompt>,
    done: bool,
    abort: bool,
    abort_requested: bool,
    acknowledge: bool,
    /// Sent, and not to be sent again on this connection.
    given: Option<Command>,
}

impl RunOperator {
    /// Nothing pending.
    pub const fn new(sides: Sides, answers: Answers) -> Self {
        Self {
            answers,
            end_tags: None,
            sides,
            begun: !matches!(answers, Answers::Keyboard),
            pending: false,
            restarted: false,
            phase: Phase::StartUp,
            since: 0,
            asked: None,
            done: false,
            abort: false,
            abort_requested: false,
            acknowledge: false,
            given: None,
        }
    }

    /// Begins a side only when the tag of its end has been scanned.
    pub fn with_end_tags(self, serial: String) -> Self {
        Self { end_tags: Some(serial), ..self }
    }

    /// The tag to be scanned as the answer to a question, if it is one.
    pub fn tag(&self, question: OperatorQuestion) -> Option<String> {
        let side = match (question, self.sides) {
            (OperatorQuestion::Begin, Sides::Both | Sides::First) => Side::First,
            (OperatorQuestion::Begin, Sides::Second) | (OperatorQuestion::Of(Prompt::SwapEnds), _) => Side::Second,
            (OperatorQuestion::Of(_), _) => return None,
        };
        self.end_tags.as_ref().map(|serial| tag(serial, side))
    }

    /// Requests an abort of the run.
    pub const fn abort(&mut self) {
        self.abort = true;
        self.abort_requested = true;
    }

    /// Whether an abort was requested.
    pub const fn abort_requested(&self) -> bool {
        self.abort_requested
    }

    /// Whether an abort is to be taken by the controller, and no record shows that it was.
    pub const fn abort_waits(&self) -> bool {
        self.abort && self.abortable()
    }

    /// The operator at the rig may start at any moment, so that an abort is told at once, whatever the phase.
    const fn abortable(&self) -> bool {
        matches!(self.answers, Answers::AtRig)
            || self.phase.is_live()
            || matches!(self.phase, Phase::SafeVent | Phase::Swap)
    }

    /// Whether the keyboard is read.
    pub const fn listens(&self) -> bool {
        matches!(self.answers, Answers::Keyboard)
    }

    /// The question to the operator at the keyboard, if any.
    pub fn question(&self) -> Option<OperatorQuestion> {
        match self.asked {
            _ if !self.listens() => None,
            Some(prompt) => (!self.done).then_some(OperatorQuestion::Of(prompt)),
            None => (!self.begun && self.phase == Phase::Ready).then_some(OperatorQuestion::Begin),
        }
    }

    /// Handles keyboard input: an empty line is "done", or the tag where one is asked for; "a" aborts the run, "ack"
    /// acknowledges a fault. The end of input aborts it too: a run whose prompts nobody answers would not end. Returns what
    /// is to be said of it.
    pub fn handle_input(&mut self, input: &KeyboardInput) -> Option<String> {
        let line = match input {
            KeyboardInput::Nothing => return None,
            KeyboardInput::Closed if self.abort_requested => return None,
            KeyboardInput::Closed => {
                self.abort();
                return None;
            }
            KeyboardInput::Line(line) => line.trim(),
        };
        match line {
            "a" | "abort" => self.abort(),
            "ack" => self.acknowledge = true,
            line => {
                let question = self.question()?;
                match self.tag(question) {
                    Some(tag) if tag.eq_ignore_ascii_case(line) => {}
                    Some(tag) => {
                        let scanned =
                            if line.is_empty() { "Enter alone".into() } else { format!("\"{}\"", line.escape_debug()) };
                        return Some(format!("{scanned} is not the end asked for: {tag} has to be on the supply side"));
                    }
                    None if line.is_empty() => {}
                    None => return None,
                }
                match question {
                    OperatorQuestion::Of(_) => self.done = true,
                    OperatorQuestion::Begin => self.begun = true,
                }
            }
        }
        None
    }

    /// Handles an event of the controller.
    pub fn tell(&mut self, at: Instant, event: &Event) {
        match event {
            Event::Entered { phase, .. } => {
                self.pending |= *phase == Phase::Precheck;
                (self.phase, self.since) = (*phase, at.as_ticks());
                (self.asked, self.done, self.given) = (None, false, None);
            }
            Event::Prompted(prompt) => {
                (self.asked, self.since, self.done, self.given) = (Some(*prompt), at.as_ticks(), false, None);
            }
            // Withdrawn: the bleed must not be opened on that reading.
            Event::Disconnect(Disconnect::Pressurised) if self.asked.is_some_and(Prompt::rests_on_empty) => {
                self.asked = None
            }
            // Confirmed, and refused: to be done and confirmed again.
            Event::Refused(_) if self.asked.is_some() => {
                (self.since, self.done, self.given) = (at.as_ticks(), false, None);
            }
            Event::Aborted => self.abort = false,
            Event::Acknowledged => self.acknowledge = false,
            _ => {}
        }
    }

    /// The controller's own state, where its records have a gap.
    pub fn stand(&mut self, phase: Phase, prompt: Option<Prompt>, at: Instant) {
        if phase != self.phase {
            self.tell(at, &Event::Entered { phase, side: None });
        }
        if prompt != self.asked
            && let Some(prompt) = prompt
        {
            self.tell(at, &Event::Prompted(prompt));
        }
    }

    /// A new connection: what was sent may be lost.
    pub const fn again(&mut self) {
        self.given = None;
    }

    /// The controller was restarted: nothing is started any more, as it has no recipe.
    pub const fn restarted(&mut self) {
        self.restarted = true;
    }

    /// The next command, if there is one.
    pub fn next(&mut self, now: Instant) -> Option<Command> {
        let waited = now.as_ticks().saturating_sub(self.since);
        // Whether what takes this long, in microseconds, is done by now.
        let due = |takes: u64| match self.answers {
            Answers::Keyboard => true,
            Answers::Timed => waited >= takes,
            Answers::AtRig => false,
        };
        let confirm = self.asked.filter(|prompt| if self.listens() { self.done } else { due(pace(*prompt)) });
        let want = if self.abort_waits() {
            Some(Command::Abort)
        } else if self.acknowledge {
            Some(Command::Acknowledge)
        } else if let Some(prompt) = confirm {
            Some(Command::Confirm(prompt))
        } else if self.phase == Phase::Ready {
            let starts = self.begun && due(us(RawOperator::DEMO.start_ms));
            (starts && !self.pending && !self.restarted && !self.abort_requested).then_some(Command::Start(self.sides))
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
const fn pace(prompt: Prompt) -> u64 {
    let RawOperator { reaction_ms, confirm_ms, swap_ms, .. } = RawOperator::DEMO;
    match prompt {
        Prompt::SwapEnds => us(swap_ms),
        // Two strokes.
        Prompt::WorkLever => us(reaction_ms + 2 * Scenario::TIGHT.plant.lever_ms + confirm_ms),
        Prompt::OpenBleed => us(2 * reaction_ms + confirm_ms),
        Prompt::OpenValve | Prompt::ShutValve | Prompt::OpenToVent => {
            us(reaction_ms + Scenario::TIGHT.plant.lever_ms + confirm_ms)
        }
    }
}
