//! The only place that knows the words of the sequencer that may change: what is said about loosening, what is asked, the
//! phases by name, and how a sequencer is begun.

use seathold_sequencer::event::{Disconnect, Phase};
use seathold_sequencer::input::{Ask, Command};
use seathold_sequencer::recipe::Recipe;
use seathold_sequencer::rig::Rig;
use seathold_sequencer::step::Sequencer;

/// What is said about loosening a fitting, as far as the judge cares.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Word {
    /// Nothing that a person could rely on.
    Pressurised,
    /// The far side reads empty and the cavity may not be: hands go on at their own risk, and know it.
    Cavity,
    /// The far side is said to read empty.
    Empty,
    /// Fittings may be loosened: from here on a hand may be in the ball.
    Loosen,
}

impl Word {
    /// A claim that is held against the truth.
    pub const fn strong(self) -> bool {
        matches!(self, Self::Empty | Self::Loosen)
    }
}

/// The word of now.
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

/// What a question means.
pub const fn task(ask: Ask) -> Task {
    match ask {
        Ask::OpenValve | Ask::OpenToVent => Task::Open,
        Ask::ShutValve => Task::Shut,
        Ask::WorkLever => Task::Work,
        Ask::SwapEnds => Task::Swap,
        Ask::OpenBleed => Task::Bleed,
    }
}

/// An answer that was not asked for.
pub const fn other(ask: Ask) -> Ask {
    match ask {
        Ask::OpenValve => Ask::ShutValve,
        Ask::ShutValve => Ask::OpenToVent,
        Ask::OpenToVent => Ask::WorkLever,
        Ask::WorkLever => Ask::SwapEnds,
        Ask::SwapEnds => Ask::OpenBleed,
        Ask::OpenBleed => Ask::SwapEnds,
    }
}

/// Whether this command says that no hand is at the valve: all that a person knows to move it.
pub const fn hands_off(command: Command) -> bool {
    matches!(command, Command::Start(_) | Command::Confirm(Ask::SwapEnds) | Command::Acknowledge | Command::Work(_))
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
        Phase::Held => "held",
        Phase::Work => "work",
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

/// Whether a recipe is taken now.
pub const fn takes_recipe(sequencer: &Sequencer) -> bool {
    matches!(sequencer.phase(), Phase::Ready)
}
