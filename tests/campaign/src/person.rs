//! The operator: receives prompts, reacts after a delay, operates lever, guard, bleed and fittings by hand, and
//! confirms. Runs in true time, whatever the controller's clock does.

use crate::edge::{self, Task, Word};
use crate::plant::Plant;
use crate::setup::POLL_US;
use crate::trouble::Slip;
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Command, Prompt, Side, Sides};
use seathold_sequencer::verdict::{Reason, Verdict};

/// A manual action.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Act {
    Lever(f64),
    Guard(bool),
    Bleed(bool),
    /// Takes the valve off and puts it on the other way round, if the display allows it.
    Swap,
    /// Loosens the fittings of a finished valve, if the display allows it.
    Loosen,
    Say(Command),
    /// Confirms once there is no more outflow.
    SayQuiet(Command),
}

/// From a prompt to the action, µs.
const REACTION: u64 = 200_000;
/// Pressure still audible at the bleed, Pa.
const HISS: f64 = 300.0;
/// Retries of a person.
const TRIES: u8 = 3;

/// Waits, of a tenth of a second each, for the display to allow loosening a fitting.
const WAITS: u8 = 50;

const ACTS: usize = 8;

/// What the operator knows.
#[derive(Clone, Copy, Debug)]
pub struct Screen {
    /// The phase.
    pub phase: Phase,
    /// Whether a fitting may be loosened.
    pub word: Word,
    /// The emergency stop is pressed.
    pub stopped: bool,
    /// The link is down.
    pub gone: bool,
}

/// The sides to start with, for the valve as mounted: nobody tests the first side of a valve that is on for the second.
pub const fn sides(mounted: Side) -> Sides {
    match mounted {
        Side::First => Sides::Both,
        Side::Second => Sides::Second,
    }
}

/// The person.
#[derive(Clone, Debug)]
pub struct Person {
    acts: [Option<(u64, Act)>; ACTS],
    /// The open prompt, and whether its action has begun.
    asked: Option<Prompt>,
    begun: bool,
    /// Number of waits for loosening so far.
    waits: u8,
    acknowledges: Option<u64>,
    acknowledged: u8,
    starts: u8,
    refusals: u8,
    ready_since: Option<u64>,
    /// The run failed by a fault: it is tried once more.
    again: bool,
    /// The last command, until the next poll: a refusal refers to it.
    said: Option<Command>,
    /// A run has finished.
    proved: bool,
    /// The ends are swapped already, whatever is prompted again.
    swapped: bool,
    /// The guard is held open by these hands.
    pub guard_open: bool,
    /// Their mistake.
    pub slip: Option<Slip>,
}

impl Person {
    /// In the initial state.
    pub const NEW: Self = Self {
        acts: [None; ACTS],
        asked: None,
        begun: false,
        waits: 0,
        acknowledges: None,
        acknowledged: 0,
        starts: 0,
        refusals: 0,
        ready_since: None,
        again: false,
        said: None,
        proved: false,
        swapped: false,
        guard_open: false,
        slip: None,
    };

    /// Nothing is planned.
    pub fn idle(&self) -> bool {
        self.acts.iter().all(Option::is_none) && self.acknowledges.is_none()
    }

    fn plan(&mut self, at: u64, act: Act) {
        if let Some(free) = self.acts.iter_mut().find(|a| a.is_none()) {
            *free = Some((at, act));
        }
    }

    /// From now on this mistake is made, at an open prompt too, if its action has not begun.
    pub fn set_slip(&mut self, now: u64, slip: Option<Slip>) {
        self.slip = slip;
        if let Some(ask) = self.asked
            && !self.begun
        {
            self.answer(now, ask);
        }
    }

    /// The controller restarts: no prompt is open.
    pub const fn forget(&mut self) {
        self.acts = [None; ACTS];
        self.asked = None;
        self.ready_since = None;
        self.again = true;
    }

    /// Receives an event.
    pub fn hear(&mut self, now: u64, event: &Event, phase: Phase) {
        match event {
            Event::Prompted(ask) => self.answer(now, *ask),
            Event::Faulted(_) => {
                self.again = true;
                self.acknowledges = Some(now + 800_000);
            }
            Event::Entered { .. } => {
                self.asked = None;
                self.swapped = false;
            }
            Event::Refused(_) if self.refusals < TRIES => match self.said {
                Some(Command::Confirm(Prompt::SwapEnds)) if phase == Phase::Swap => {
                    self.refusals += 1;
                    self.tidy(now + 300_000);
                    self.plan(now + 400_000, Act::Say(Command::Confirm(Prompt::SwapEnds)));
                }
                Some(Command::Start(_)) => {
                    self.refusals += 1;
                    self.starts = self.starts.saturating_sub(1);
                    self.again = true;
                }
                _ => {}
            },
            Event::RunFinished { verdict, .. } => {
                self.proved = true;
                self.again |= *verdict == Verdict::Void;
            }
            Event::SideFinished(result) if result.reason == Reason::NotSwapped => self.again = true,
            _ => {}
        }
    }

    fn tidy(&mut self, at: u64) {
        self.plan(at, Act::Bleed(false));
        self.plan(at, Act::Guard(false));
    }

    fn answer(&mut self, at: u64, ask: Prompt) {
        // A new prompt cancels the pending actions of the last.
        self.acts = [None; ACTS];
        self.asked = Some(ask);
        self.begun = false;
        self.waits = 0;
        let task = edge::task(ask);
        let hand = at + REACTION;
        let say = Act::Say(Command::Confirm(ask));
        match (task, self.slip) {
            (_, Some(Slip::Silent)) => {}
            (_, Some(Slip::NotDone)) | (Task::Shut, Some(Slip::Forgets)) => self.plan(hand + 100_000, say),
            (_, Some(Slip::OtherAnswer)) => {
                self.plan(hand + 100_000, Act::Say(Command::Confirm(edge::other(ask))));
            }
            (Task::Open | Task::Shut, slip) => {
                let to = match (task, slip) {
                    (Task::Shut, Some(Slip::Half)) => 0.5,
                    (Task::Open, Some(Slip::WrongWay)) => 0.0,
                    (Task::Shut, Some(Slip::WrongWay)) | (Task::Open, _) => 1.0,
                    _ => 0.0,
                };
                self.plan(hand, Act::Lever(to));
                self.plan(hand + 200_000, say);
            }
            (Task::Work, _) => {
                self.plan(hand, Act::Lever(0.0));
                self.plan(hand + 200_000, Act::Lever(1.0));
                self.plan(hand + 400_000, say);
            }
            (Task::Bleed, _) => {
                self.plan(hand, Act::Guard(true));
                self.plan(hand + 100_000, Act::Bleed(true));
                self.plan(hand + 300_000, Act::SayQuiet(Command::Confirm(ask)));
            }
            (Task::Swap, _) => {
                self.plan(hand, Act::Guard(true));
                self.plan(hand + 100_000, Act::Bleed(true));
                if !self.swapped {
                    self.plan(hand + 300_000, Act::Swap);
                }
                self.tidy(hand + 600_000);
                self.plan(hand + 700_000, say);
            }
        }
    }

    /// Actions due by now, and the command: at most one a poll.
    pub fn live(&mut self, now: u64, screen: &Screen, plant: &mut Plant) -> Option<Command> {
        self.said = self.act(now, screen, plant);
        self.said
    }

    fn act(&mut self, now: u64, screen: &Screen, plant: &mut Plant) -> Option<Command> {
        self.watch(now, screen, plant.mounted());
        if screen.gone {
            // With the link down the operator waits.
            self.wait(POLL_US);
            return None;
        }
        if self.acknowledges.is_some_and(|at| at <= now) {
            self.acknowledges = None;
            self.acknowledged += 1;
            // Hands away first.
            self.guard_open = false;
            plant.bleed = false;
            plant.stir();
            return Some(Command::Acknowledge);
        }
        while let Some(i) = self.due(now) {
            let (_, act) = self.acts[i].take()?;
            self.begun = true;
            match act {
                Act::Lever(to) => plant.turn(to),
                Act::Guard(open) => self.guard_open = open,
                Act::Bleed(open) => {
                    plant.bleed = open;
                    plant.stir();
                }
                Act::Swap | Act::Loosen if !matches!(screen.word, Word::Loosen | Word::Cavity) => {
                    if self.waits >= WAITS {
                        // It never will be: stop.
                        self.acts = [None; ACTS];
                        self.tidy(now + 100_000);
                        return None;
                    }
                    // Not yet: it and all that follows are delayed.
                    self.waits += 1;
                    self.acts[i] = Some((now, act));
                    self.wait(100_000);
                    return None;
                }
                Act::Swap => {
                    plant.swap();
                    self.swapped = true;
                }
                Act::Loosen => plant.loosen(),
                Act::SayQuiet(_) if plant.truth(None).far > HISS => {
                    self.acts[i] = Some((now + 50_000, act));
                }
                Act::Say(command) | Act::SayQuiet(command) => {
                    self.asked = None;
                    return Some(command);
                }
            }
        }
        None
    }

    /// Delays all planned actions.
    pub fn wait(&mut self, us: u64) {
        for (at, _) in self.acts.iter_mut().flatten() {
            *at += us;
        }
        if let Some(at) = &mut self.acknowledges {
            *at += us;
        }
    }

    fn due(&self, now: u64) -> Option<usize> {
        let due =
            self.acts.iter().enumerate().filter_map(|(i, a)| a.filter(|(at, _)| *at <= now).map(|(at, _)| (at, i)));
        due.min().map(|(_, i)| i)
    }

    /// Reacts to the displayed state.
    fn watch(&mut self, now: u64, screen: &Screen, mounted: Side) {
        let Screen { phase, word, stopped, .. } = *screen;
        let latched = matches!(phase, Phase::EmergencyStopped | Phase::Trapped | Phase::Fault);
        if latched && self.acknowledges.is_none() && self.acknowledged < TRIES {
            self.acknowledges = Some(now + 1_000_000);
        }
        if stopped || (self.acknowledged >= TRIES) {
            // Nobody acknowledges with the stop still pressed.
            self.acknowledges = None;
        }
        if phase != Phase::Ready || !self.idle() || self.asked.is_some() {
            self.ready_since = None;
            return;
        }
        let since = *self.ready_since.get_or_insert(now);
        let wants = self.starts == 0 || (self.again && self.starts < 2);
        if wants && now >= since + REACTION {
            self.starts += 1;
            self.again = false;
            self.proved = false;
            self.tidy(now);
            self.plan(now + 100_000, Act::Say(Command::Start(sides(mounted))));
        } else if !wants && self.proved && word == Word::Loosen {
            // The valve comes off.
            self.proved = false;
            self.plan(now + REACTION, Act::Guard(true));
            self.plan(now + REACTION + 100_000, Act::Bleed(true));
            self.plan(now + REACTION + 200_000, Act::Loosen);
            self.tidy(now + REACTION + 400_000);
        }
    }
}
