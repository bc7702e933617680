//! The only place that depends on the sequencer's types that may change: the disconnect state, the prompts, the phases
//! by name, and the start of a sequencer.

use seathold_sequencer::event::{Disconnect, Phase};
use seathold_sequencer::input::{Command, Prompt};
use seathold_sequencer::recipe::Recipe;
use seathold_sequencer::rig::Rig;
use seathold_sequencer::step::Sequencer;

/// The disconnect state, as far as the judge uses it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Word {
    /// No claim.
    Pressurised,
    /// The far side reads empty and the cavity may not be: at the person's own, known risk.
    Cavity,
    /// The far side is reported as reading empty.
    Empty,
    /// Fittings may be loosened: from here on a hand may be in the ball.
    Loosen,
}

impl Word {
    /// A claim that is compared with the truth.
    pub const fn strong(self) -> bool {
        matches!(self, Self::Empty | Self::Loosen)
    }
}

/// The present claim.
pub const fn word(disconnect: Disconnect) -> Word {
    match disconnect {
        Disconnect::Pressurised => Word::Pressurised,
        Disconnect::CavityUnknown => Word::Cavity,
        Disconnect::ReadsEmpty => Word::Empty,
        Disconnect::Confirmed => Word::Loosen,
    }
}

/// What the person is to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Task {
    /// Lever open, for filling or into the vent.
    Open,
    /// Lever shut.
    Shut,
    /// Shut once and open again.
    Work,
    /// Open the bleed and look at the gauge.
    Bleed,
    /// Take the valve off and put it on the other way round.
    Swap,
}

/// The task of a prompt.
pub const fn task(prompt: Prompt) -> Task {
    match prompt {
        Prompt::OpenValve | Prompt::OpenToVent => Task::Open,
        Prompt::ShutValve => Task::Shut,
        Prompt::WorkLever => Task::Work,
        Prompt::SwapEnds => Task::Swap,
        Prompt::OpenBleed => Task::Bleed,
    }
}

/// A confirmation of another prompt.
pub const fn other(prompt: Prompt) -> Prompt {
    match prompt {
        Prompt::OpenValve => Prompt::ShutValve,
        Prompt::ShutValve => Prompt::OpenToVent,
        Prompt::OpenToVent => Prompt::WorkLever,
        Prompt::WorkLever => Prompt::SwapEnds,
        Prompt::SwapEnds => Prompt::OpenBleed,
        Prompt::OpenBleed => Prompt::SwapEnds,
    }
}

/// Whether this command implies that no hand is at the valve: all commands known to move it.
pub const fn hands_off(command: Command) -> bool {
    matches!(
        command,
        Command::Start(_) | Command::Confirm(Prompt::SwapEnds) | Command::Acknowledge | Command::TestOutput(_)
    )
}

/// A phase by name.
pub const fn phase_name(phase: Phase) -> &'static str {
    match phase {
        Phase::StartUp => "start-up",
        Phase::Ready => "ready",
        Phase::Precheck => "precheck",
        Phase::Fill => "fill",
        Phase::Soak => "soak",
        Phase::Isolate => "isolate",
        Phase::Vent => "vent",
        Phase::Settle => "settle",
        Phase::Measure => "measure",
        Phase::SafeVent => "safe-vent",
        Phase::Swap => "swap",
        Phase::Fault => "fault",
        Phase::Trapped => "trapped",
        Phase::EmergencyStopped => "held",
        Phase::OutputTest => "work",
    }
}

/// A sequencer after a reset, with what was retained of the stop.
pub fn begin(rig: Rig, recipe: Option<Recipe>, stopped: bool) -> Sequencer {
    Sequencer::resume(rig, recipe, stopped)
}

/// Whether the stop is to be kept over a reset, as of the last step.
pub fn retained(sequencer: &Sequencer) -> bool {
    sequencer.stop_latched()
}

/// Whether a recipe is accepted now.
pub const fn takes_recipe(sequencer: &Sequencer) -> bool {
    matches!(sequencer.phase(), Phase::Ready)
}
