//! What goes into a step: everything the sequencer can know about the world at one moment.

use crate::output::Coil;
use crate::units::GaugePressure;

/// One conversion of an analogue channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Sample {
    /// The converter's reading, in counts. [`crate::rig::Transducer`] says what a count is worth.
    pub counts: i32,
    /// Running number of the conversion, one more each time. Repeats and holes are how lost samples are seen.
    pub number: u32,
}

/// Why a channel has no usable reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum SensorFault {
    /// Broken wire or below the live-zero failure limit.
    Open,
    /// Short circuit or above the failure limit.
    Short,
    /// Supply to the sensor out of range.
    BrownOut,
    /// The converter or bus did not answer as it should.
    Device,
}

/// A channel's reading at one poll.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Reading {
    /// Nothing new since the last poll, or the channel is not fitted.
    #[default]
    Waiting,
    /// A new conversion.
    Sample(Sample),
    /// The channel reports itself sick.
    Sick(SensorFault),
}

impl Reading {
    /// A new conversion.
    pub const fn sample(counts: i32, number: u32) -> Self {
        Self::Sample(Sample { counts, number })
    }
}

/// Contacts wired to the controller, as read at one poll.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Contacts {
    /// The emergency stop is pressed (or its circuit is broken).
    pub stop: bool,
    /// The guard is closed. Ignored where [`crate::rig::RawRig::guard_fitted`] is false.
    pub guard_closed: bool,
    /// The valve's position switch says *shut*. Ignored where no switch is fitted.
    pub valve_shut: bool,
}

impl Contacts {
    /// Stop released, guard closed, position switch not made.
    pub const CLEAR: Self = Self { stop: false, guard_closed: true, valve_shut: false };
}

/// Which sides a run covers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Sides {
    /// First side, ends swapped, second side.
    #[default]
    Both,
    /// Only the first side: end A on the supply side.
    First,
    /// Only the second side: end B on the supply side.
    Second,
}

/// One side of the test. The *first* has end A of the valve on the supply side, the *second* end B.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Side {
    /// End A on the supply side, end B on the far side.
    First,
    /// End B on the supply side, end A on the far side.
    Second,
}

/// What the operator is asked to do; each is answered by [`Command::Confirm`] with the same value, so that a late
/// answer to an earlier question cannot pass for this one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Ask {
    /// Turn the lever to open, before filling.
    OpenValve,
    /// Turn the lever to shut: the far side is full.
    ShutValve,
    /// Turn the lever to open, into the open vent.
    OpenToVent,
    /// Shut the lever once and open it again, to empty the cavity around the ball.
    WorkLever,
    /// Swap the ends of the valve on the rig.
    SwapEnds,
    /// Open the hand bleed at the far transducer and look at the gauge there: the far side reads empty, and a second,
    /// independent look is what a fitting may be loosened on.
    OpenBleed,
}

impl Ask {
    /// Whether it is asked only where the bench reads empty, and taken back when that is.
    pub const fn rests_on_empty(self) -> bool {
        matches!(self, Self::OpenBleed | Self::SwapEnds)
    }
}

/// What the operator, or the host for them, tells the sequencer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Command {
    /// Begin a run over these sides. Refused unless everything is at rest, empty and healthy.
    Start(Sides),
    /// The thing asked for has been done.
    Confirm(Ask),
    /// Give the run up: into the vent where air was let in, else at rest.
    Abort,
    /// The latched fault has been seen. Never skips the safe vent.
    Acknowledge,
    /// Energise this output for [`crate::limits::WORK_MS`], to see whether it works: for a check of the rig without air.
    /// Refused unless everything is at rest, healthy, and measured empty on both sides.
    Work(Coil),
}

/// Everything read at one poll.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Inputs {
    /// Far-side transducer.
    pub far: Reading,
    /// Supply-side transducer, where fitted.
    pub supply: Reading,
    /// Gas or wall thermometer, where fitted.
    pub thermometer: Reading,
    /// Wired contacts.
    pub contacts: Contacts,
    /// An output reads back otherwise than it was set. Always false where nothing is read back.
    pub outputs_differ: bool,
    /// Whether the operator's screen can be reached.
    pub link_up: bool,
    /// At most one command a poll.
    pub command: Option<Command>,
}

impl Inputs {
    /// Nothing new to read, contacts clear, operator reachable.
    pub const IDLE: Self = Self {
        far: Reading::Waiting,
        supply: Reading::Waiting,
        thermometer: Reading::Waiting,
        contacts: Contacts::CLEAR,
        outputs_differ: false,
        link_up: true,
        command: None,
    };
}

/// Far-side pressure with its health, as last known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Known {
    /// Never read, or not for too long.
    Nothing,
    /// Read, plausible and fresh.
    Pressure(GaugePressure),
    /// The transducer is sick: treat as pressurised, whatever it reads.
    Sick,
}
