//! The simulated operator: answers after a delay, turns the lever, swaps the ends, makes mistakes.
//!
//! [`SimOperator`] implements the sequencer's [`Operator`]. Its manual actions are kept as [`Act`]s, which the loop
//! passes to the plant ([`crate::rig::SimRig::apply_due_actions`]): rig and operator stay two values, as in reality.

use crate::config::{check_fields, whole};
use seathold_sequencer::event::{Disconnect, Event, Phase};
use seathold_sequencer::field::{Errors, Field, Unit};
use seathold_sequencer::input::{Command, Prompt, Sides};
use seathold_sequencer::io::Operator;
use seathold_sequencer::time::{Duration, Instant, millis};

/// Mistakes of the operator.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
pub enum Mistake {
    /// Nothing.
    #[default]
    None,
    /// Leaves the lever where it is, and confirms that it is shut.
    ForgetsToShut,
    /// Turns the lever half way when it should be shut, and confirms that it is shut.
    HalfShut,
    /// Turns the lever the wrong way.
    WrongWay,
    /// Confirms every prompt without doing anything: ends stay unswapped too.
    ConfirmsWithoutDoing,
    /// Never answers.
    NeverAnswers,
}

impl Mistake {
    /// Every mistake with its name, for files and flags.
    pub const NAMES: &[(&str, Self)] = &[
        ("none", Self::None),
        ("forgets-to-shut", Self::ForgetsToShut),
        ("half-shut", Self::HalfShut),
        ("wrong-way", Self::WrongWay),
        ("confirms-without-doing", Self::ConfirmsWithoutDoing),
        ("never-answers", Self::NeverAnswers),
    ];

    /// Whether it can be made at this prompt.
    pub fn applies(self, prompt: Prompt) -> bool {
        match self {
            Self::None => false,
            Self::ForgetsToShut | Self::HalfShut => prompt == Prompt::ShutValve,
            Self::WrongWay => matches!(prompt, Prompt::OpenValve | Prompt::ShutValve | Prompt::OpenToVent),
            Self::ConfirmsWithoutDoing | Self::NeverAnswers => true,
        }
    }

    /// Whether it takes a lever.
    pub const fn of_lever(self) -> bool {
        matches!(self, Self::ForgetsToShut | Self::HalfShut | Self::WrongWay)
    }
}

/// The operator as entered, not yet validated. Each member says its range; [`OPERATOR_FIELDS`] is the table they come from.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct RawOperator {
    /// The mistake made.
    pub mistake: Mistake,
    /// How many times the mistake is made: 0 to 1 000 000.
    pub mistakes: u32,
    /// From ready to the start command: 0 to 3 600 000 ms.
    pub start_ms: u32,
    /// From a prompt to the hand on the lever: 0 to 3 600 000 ms.
    pub reaction_ms: u32,
    /// From the lever turned to the confirmation: 0 to 3 600 000 ms.
    pub confirm_ms: u32,
    /// Taking the valve off and putting it on the other way round: 0 to 86 400 000 ms.
    pub swap_ms: u32,
    /// Acknowledges a latched fault.
    pub acknowledge: bool,
    /// From a fault to its acknowledgement: 0 to 3 600 000 ms. In files `acknowledge_delay`.
    pub acknowledge_ms: u32,
}

impl RawOperator {
    /// Quick and careful.
    pub const DEMO: Self = Self {
        mistake: Mistake::None,
        mistakes: 1,
        start_ms: 500,
        reaction_ms: 1_500,
        confirm_ms: 1_000,
        swap_ms: 20_000,
        acknowledge: false,
        acknowledge_ms: 5_000,
    };
}

impl Default for RawOperator {
    fn default() -> Self {
        Self::DEMO
    }
}

/// The operator's fields in the order they are checked and written.
pub const OPERATOR_FIELDS: &[Field<RawOperator>] = &[
    whole!("mistakes", "how many times the mistake is made", Count, 0.0, 1_000_000.0, mistakes),
    whole!("start", "from ready to the start command", Millisecond, 0.0, 3_600_000.0, start_ms),
    whole!("reaction", "from a prompt to the hand on the lever", Millisecond, 0.0, 3_600_000.0, reaction_ms),
    whole!("confirm", "from the lever turned to the confirmation", Millisecond, 0.0, 3_600_000.0, confirm_ms),
    whole!(
        "swap",
        "taking the valve off and putting it on the other way round",
        Millisecond,
        0.0,
        86_400_000.0,
        swap_ms
    ),
    Field {
        name: "acknowledge",
        about: "acknowledges a latched fault",
        unit: Unit::Flag,
        min: 0.0,
        max: 1.0,
        get: |o| f64::from(u8::from(o.acknowledge)),
        set: |o, v| o.acknowledge = v != 0.0,
    },
    whole!("acknowledge_delay", "from a fault to its acknowledgement", Millisecond, 0.0, 3_600_000.0, acknowledge_ms),
];

impl RawOperator {
    /// Checks every field.
    ///
    /// # Errors
    /// All errors, at once.
    pub fn validate(&self) -> Result<OperatorSpec, Errors> {
        check_fields(self, OPERATOR_FIELDS, |_, _| {}).map(|()| OperatorSpec { raw: *self })
    }
}

/// A validated operator. Only made by [`RawOperator::validate`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OperatorSpec {
    raw: RawOperator,
}

/// A manual action.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Act {
    /// Turns the lever towards this position: 0 shut, 1 open.
    Lever(f64),
    /// Takes the valve off and puts it on the other way round.
    SwapEnds,
    /// Opens the hand bleed at the far transducer, vents it, and shuts it again.
    Bleed,
    /// Opens the guard, or closes it.
    Guard {
        /// Whether to close it.
        closed: bool,
    },
}

/// Most pending actions: the longest sequence closes a guard left open by the last, opens it, acts, and closes it
/// again.
const ACTS: usize = 4;

/// From the guard opened to the action, and from there to the guard closed.
const BEHIND_GUARD: Duration = millis(200);

/// The simulated operator.
#[derive(Clone, Debug)]
pub struct SimOperator {
    raw: RawOperator,
    sides: Sides,
    /// How long the lever takes from stop to stop, so that confirming follows turning.
    turn: Duration,
    started: bool,
    ready_since: Option<Instant>,
    acts: [Option<(Instant, Act)>; ACTS],
    command: Option<(Instant, Command)>,
    mistakes_left: u32,
    /// The present mistake, which overrides `raw`.
    override_mistake: Option<Mistake>,
    /// The open prompt and its time, until it is answered.
    open: Option<(Instant, Prompt)>,
    link_up: bool,
    /// The guard has been opened by the operator.
    hand_in: bool,
}

impl SimOperator {
    /// An operator that will start a run over `sides` on a valve whose lever takes `turn`.
    pub fn new(spec: &OperatorSpec, sides: Sides, turn: Duration) -> Self {
        Self {
            raw: spec.raw,
            sides,
            turn,
            started: false,
            ready_since: None,
            acts: [None; ACTS],
            command: None,
            mistakes_left: spec.raw.mistakes,
            override_mistake: None,
            open: None,
            link_up: true,
            hand_in: false,
        }
    }

    /// The next manual action that is due, once.
    pub fn act(&mut self, now: Instant) -> Option<Act> {
        let first =
            self.acts.iter_mut().filter(|a| a.is_some_and(|(at, _)| at <= now)).min_by_key(|a| a.map(|(at, _)| at))?;
        let act = first.take().map(|(_, act)| act);
        if let Some(Act::Guard { closed }) = act {
            self.hand_in = !closed;
        }
        act
    }

    /// Opens the guard for a moment, as for swapping the ends: for a rig whose ends are swapped on the host's
    /// confirmation.
    pub fn reach_in(&mut self, now: Instant) {
        self.acts = [None; ACTS];
        self.plan(now, Act::Guard { closed: false });
        self.plan(now + BEHIND_GUARD, Act::Guard { closed: true });
    }

    /// Whether the operator can be reached.
    pub(crate) const fn set_link(&mut self, up: bool) {
        self.link_up = up;
    }

    /// From now on this mistake is made wherever it applies, at an open prompt, too; or no longer.
    pub fn set_slip(&mut self, mistake: Option<Mistake>) {
        self.override_mistake = mistake;
        if let (Some(mistake), Some((at, prompt))) = (mistake, self.open)
            && mistake.applies(prompt)
        {
            self.handle_prompt(at, prompt);
        }
    }

    fn plan(&mut self, at: Instant, act: Act) {
        if let Some(free) = self.acts.iter_mut().find(|a| a.is_none()) {
            *free = Some((at, act));
        }
    }

    fn handle_prompt(&mut self, at: Instant, prompt: Prompt) {
        // A new prompt cancels the pending actions of the last.
        self.acts = [None; ACTS];
        if self.hand_in {
            self.plan(at, Act::Guard { closed: true });
        }
        self.open = Some((at, prompt));
        let hand = at + millis(self.raw.reaction_ms);
        let turned = hand + self.turn;
        let confirm = millis(self.raw.confirm_ms);
        let mistake = self.mistake(prompt);
        if mistake == Mistake::NeverAnswers {
            self.command = None;
            return;
        }
        let mut done = turned;
        match (prompt, mistake) {
            (_, Mistake::ConfirmsWithoutDoing) | (Prompt::ShutValve, Mistake::ForgetsToShut) => done = hand,
            (Prompt::ShutValve, Mistake::HalfShut) => self.plan(hand, Act::Lever(0.5)),
            (Prompt::OpenValve | Prompt::OpenToVent, Mistake::WrongWay) => self.plan(hand, Act::Lever(0.0)),
            (Prompt::ShutValve, Mistake::WrongWay) => self.plan(hand, Act::Lever(1.0)),
            (Prompt::OpenValve | Prompt::OpenToVent, _) => self.plan(hand, Act::Lever(1.0)),
            (Prompt::ShutValve, _) => self.plan(hand, Act::Lever(0.0)),
            (Prompt::WorkLever, _) => {
                self.plan(hand, Act::Lever(0.0));
                // A short wait between the two, so that the first turn is over.
                let back = turned + millis(300);
                self.plan(back, Act::Lever(1.0));
                done = back + self.turn;
            }
            (Prompt::SwapEnds | Prompt::OpenBleed, _) => {
                let (act, takes) = match prompt {
                    Prompt::SwapEnds => (Act::SwapEnds, self.raw.swap_ms.max(self.raw.reaction_ms)),
                    _ => (Act::Bleed, self.raw.reaction_ms),
                };
                // Valve and bleed are behind the guard.
                self.plan(hand, Act::Guard { closed: false });
                done = at + millis(takes) + BEHIND_GUARD;
                self.plan(done, act);
                done += BEHIND_GUARD;
                self.plan(done, Act::Guard { closed: true });
            }
        }
        self.command = Some((done + confirm, Command::Confirm(prompt)));
    }

    /// The mistake made at this prompt, if it applies there and there are any left.
    fn mistake(&mut self, prompt: Prompt) -> Mistake {
        if let Some(slip) = self.override_mistake.filter(|slip| slip.applies(prompt)) {
            return slip;
        }
        if self.raw.mistake.applies(prompt) && self.mistakes_left > 0 {
            self.mistakes_left -= 1;
            self.raw.mistake
        } else {
            Mistake::None
        }
    }
}

impl Operator for SimOperator {
    fn link_up(&mut self) -> bool {
        self.link_up
    }

    fn command(&mut self, now: Instant, phase: Phase) -> Option<Command> {
        // Nobody says that it is done with a hand still behind the guard.
        if let Some((at, command)) = self.command
            && at <= now
            && !self.hand_in
        {
            self.command = None;
            self.open = None;
            return Some(command);
        }
        if self.started || phase != Phase::Ready {
            self.ready_since = None;
            return None;
        }
        let since = *self.ready_since.get_or_insert(now);
        if now >= since + millis(self.raw.start_ms) {
            self.started = true;
            return Some(Command::Start(self.sides));
        }
        None
    }

    fn notify(&mut self, at: Instant, event: &Event) {
        match event {
            Event::Prompted(prompt) => self.handle_prompt(at, *prompt),
            // A false confirmation was detected: now it is done.
            Event::Refused(refusal) if refusal.guard_not_opened => self.handle_prompt(at, Prompt::SwapEnds),
            // Withdrawn: no actions that rest on it, and no confirmation.
            Event::Disconnect(Disconnect::Pressurised)
                if self.open.is_some_and(|(_, prompt)| prompt.rests_on_empty()) =>
            {
                (self.open, self.command, self.acts) = (None, None, [None; ACTS]);
                if self.hand_in {
                    self.plan(at, Act::Guard { closed: true });
                }
            }
            Event::Faulted(_) if self.raw.acknowledge => {
                self.command = Some((at + millis(self.raw.acknowledge_ms), Command::Acknowledge));
            }
            _ => {}
        }
    }
}
