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
    /// The end of input has come.
    gone: bool,
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
            gone: false,
            given: None,
        }
    }

    /// Begins a side only when the tag of its end has been scanned.
    pub fn with_end_tags(self, serial: String) -> Self {
        Self { end_tags: Some(serial), ..self }
    }

    /// The end that is on the supply side when the run begins.
    pub const fn first_end(&self) -> &'static str {
        match self.sides {
            Sides::Both | Sides::First => "A",
            Sides::Second => "B",
        }
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

    /// Whether somebody may still type an answer.
    pub const fn is_there(&self) -> bool {
        self.listens() && !self.gone
    }

    /// The question to the operator at the keyboard, if any.
    pub fn question(&self) -> Option<OperatorQuestion> {
        match self.asked {
            _ if !self.listens() => None,
            Some(prompt) => (!self.done).then_some(OperatorQuestion::Of(prompt)),
            None => (!self.begun && self.phase == Phase::Ready).then_some(OperatorQuestion::Begin),
        }
    }

    /// Handles keyboard input: an empty line is "done", or the tag where one is asked for; "a" aborts the run, and so does what was probably
    /// meant for it; "ack" acknowledges a fault. The end of input aborts it too: a run whose prompts nobody answers would not end. Returns what
    /// is to be said of it.
    pub fn handle_input(&mut self, input: &KeyboardInput) -> Option<String> {
        let line = match input {
            KeyboardInput::Nothing => return None,
            KeyboardInput::Closed => {
                self.gone = true;
                if !self.abort_requested {
                    self.abort();
                }
                return None;
            }
            KeyboardInput::Line(line) => line.trim(),
        };
        let is_tag =
            self.question().and_then(|question| self.tag(question)).is_some_and(|tag| tag.eq_ignore_ascii_case(line));
        match KeyWord::of(line) {
            Some(KeyWord::Abort) if !is_tag => self.abort(),
            Some(KeyWord::Acknowledge) if !is_tag => {
                self.acknowledge = true;
                // Typed again it is sent again: while the stop is pressed the controller takes none.
                if self.given == Some(Command::Acknowledge) {
                    self.given = None;
                }
                return Some("acknowledging; if nothing happens, remove the cause and type it again".into());
            }
            _ => {
                // Whoever meant to abort, and typed more than that, is to see that it was not taken.
                let Some(question) = self.question() else {
                    let waits = matches!(self.phase, Phase::EmergencyStopped | Phase::Trapped | Phase::Fault);
                    let how = if waits { "ack and Enter acknowledges" } else { "a and Enter aborts" };
                    return (!line.is_empty()).then(|| format!("{} is not asked for: {how}", quoted(line)));
                };
                match self.tag(question) {
                    Some(tag) if tag.eq_ignore_ascii_case(line) => {}
                    Some(tag) => {
                        let scanned = if line.is_empty() { "Enter alone".into() } else { quoted(line) };
                        return Some(format!("{scanned} is not the end asked for: {tag} has to be on the supply side"));
                    }
                    None if line.is_empty() => {}
                    None => {
                        return Some(format!(
                            "{} is no answer here: Enter alone says that it is done, a aborts",
                            quoted(line)
                        ));
                    }
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
                // Of a fault that was not there yet nobody has acknowledged anything.
                if matches!(phase, Phase::EmergencyStopped | Phase::Trapped | Phase::Fault) {
                    self.acknowledge = false;
                }
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

    /// A new connection: an acknowledgement or an answer from before is not to go out by itself. What the controller has not taken is asked
    /// anew: who knows what was done at the rig meanwhile.
    pub const fn reconnected(&mut self) {
        self.acknowledge = false;
        if self.listens() {
            self.done = false;
            self.begun = self.pending;
        }
        self.again();
    }

    /// What was sent may be lost.
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

/// What is taken at any time, whatever is asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeyWord {
    /// The run is to be aborted.
    Abort,
    /// A fault is to be acknowledged.
    Acknowledge,
}

impl KeyWord {
    /// The word of a line. An abort is taken where it may be meant: capitals, a key struck twice or with its neighbour. Nothing is lost by
    /// one too many.
    pub fn of(line: &str) -> Option<Self> {
        let word = line.trim().to_lowercase();
        match word.as_str() {
            "ack" => Some(Self::Acknowledge),
            "abort" | "q" | "quit" | "stop" => Some(Self::Abort),
            _ if word.chars().count() <= 3 && word.contains('a') => Some(Self::Abort),
            _ if !word.is_empty() && word.chars().all(|c| c == 'a') => Some(Self::Abort),
            _ => None,
        }
    }
}

fn quoted(line: &str) -> String {
    format!("\"{}\"", line.escape_debug())
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

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: u64) -> Instant {
        Instant::from_ticks(s * 1_000_000)
    }

    fn entered(operator: &mut RunOperator, phase: Phase) {
        operator.tell(at(1), &Event::Entered { phase, side: None });
    }

    fn ack(operator: &mut RunOperator) -> Option<Command> {
        operator.handle_input(&KeyboardInput::Line("ack".into()));
        operator.next(at(2))
    }

    /// While the stop is pressed the controller takes no acknowledgement: typed again, it goes out again.
    #[test]
    fn an_acknowledgement_that_came_too_early_can_be_typed_again() {
        let mut operator = RunOperator::new(Sides::Both, Answers::Keyboard);
        entered(&mut operator, Phase::EmergencyStopped);
        assert_eq!(ack(&mut operator), Some(Command::Acknowledge));
        assert_eq!(operator.next(at(3)), None, "once for each that is typed");
        assert_eq!(ack(&mut operator), Some(Command::Acknowledge));
    }

    /// Gloves strike twice, beside the key, or with the capitals locked.
    #[test]
    fn an_abort_is_taken_where_it_may_be_meant() {
        for line in ["a", "A", "aa", "xa", "as", "aaaaaaa", "Abort", "q", "STOP", " a "] {
            let mut operator = RunOperator::new(Sides::Both, Answers::Keyboard);
            entered(&mut operator, Phase::Soak);
            assert_eq!(operator.handle_input(&KeyboardInput::Line(line.into())), None, "{line}");
            assert!(operator.abort_requested(), "{line}");
        }
        for line in ["", "x", "HM-001", "HM-001/A", "yes", "ack", "ACK"] {
            let mut operator = RunOperator::new(Sides::Both, Answers::Keyboard);
            entered(&mut operator, Phase::Soak);
            operator.handle_input(&KeyboardInput::Line(line.into()));
            assert!(!operator.abort_requested(), "{line}");
        }
        // A tag that looks like one is the tag that was asked for.
        let mut operator = RunOperator::new(Sides::Both, Answers::Keyboard).with_end_tags("A".into());
        entered(&mut operator, Phase::Ready);
        operator.handle_input(&KeyboardInput::Line("a/a".into()));
        assert!(!operator.abort_requested() && operator.question().is_none());
    }

    /// What was answered before the line was away, and not taken, is asked again.
    #[test]
    fn a_question_is_asked_anew_after_the_line_was_away() {
        let mut operator = RunOperator::new(Sides::Both, Answers::Keyboard);
        entered(&mut operator, Phase::Swap);
        operator.tell(at(1), &Event::Prompted(Prompt::SwapEnds));
        operator.handle_input(&KeyboardInput::Line(String::new()));
        assert_eq!(operator.question(), None);
        operator.reconnected();
        assert_eq!(operator.question(), Some(OperatorQuestion::Of(Prompt::SwapEnds)));
        assert_eq!(operator.next(at(3)), None);
    }

    /// Nobody has acknowledged a fault that was not there yet, nor one that the line was away from.
    #[test]
    fn an_acknowledgement_is_of_the_fault_that_was_there() {
        for phase in [Phase::Fault, Phase::Trapped, Phase::EmergencyStopped] {
            let mut operator = RunOperator::new(Sides::Both, Answers::Keyboard);
            entered(&mut operator, Phase::Soak);
            operator.handle_input(&KeyboardInput::Line("ack".into()));
            entered(&mut operator, phase);
            assert_eq!(operator.next(at(3)), None, "{phase:?}");
            assert_eq!(ack(&mut operator), Some(Command::Acknowledge), "{phase:?}");
            operator.reconnected();
            assert_eq!(operator.next(at(3)), None, "{phase:?}");
        }
    }
}
