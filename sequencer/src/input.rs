//! Input of a step: everything the sequencer can know at one moment.

use crate::output::Coil;
use crate::units::GaugePressure;
use core::fmt;

/// One conversion of an analogue channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Sample {
    /// The converter's reading, in counts. [`crate::rig::Transducer`] has its scale.
    pub counts: i32,
    /// Running number of the conversion, one more each time. Lost samples show as repeats and gaps.
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
    /// The converter or bus did not respond correctly.
    Device,
}

impl fmt::Display for SensorFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Open => "wire broken, or signal below the failure limit",
            Self::Short => "short circuit, or signal above the failure limit",
            Self::BrownOut => "the sensor's supply is out of its range",
            Self::Device => "the converter did not respond correctly",
        })
    }
}

impl core::error::Error for SensorFault {}

/// A channel's reading at one poll.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Reading {
    /// Nothing new since the last poll, or the channel is not fitted.
    #[default]
    NoSample,
    /// A new conversion.
    Sample(Sample),
    /// The channel reports a sensor fault.
    SensorFault(SensorFault),
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
    /// The valve's position switch reads *shut*. Ignored where no switch is fitted.
    pub valve_shut: bool,
}

impl Contacts {
    /// Stop released, guard closed, position switch open.
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

/// What the operator is asked to do; each is confirmed by [`Command::Confirm`] with the same value, so that a late
/// confirmation of an earlier prompt is not taken for this one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Prompt {
    /// Turn the lever to open, before filling.
    OpenValve,
    /// Turn the lever to shut: the far side is at pressure.
    ShutValve,
    /// Turn the lever to open, into the open vent.
    OpenToVent,
    /// Shut the lever once and open it again, to empty the cavity around the ball.
    WorkLever,
    /// Swap the ends of the valve on the rig.
    SwapEnds,
    /// Open the hand bleed at the far transducer and look at the gauge there: the far side reads empty, and a second,
    /// independent reading is required before a fitting is loosened.
    OpenBleed,
}

impl Prompt {
    /// Whether it is issued only where the rig reads empty, and withdrawn when it no longer does.
    pub const fn rests_on_empty(self) -> bool {
        matches!(self, Self::OpenBleed | Self::SwapEnds)
    }
}

/// A command of the operator, or of the host for them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Command {
    /// Begin a run over these sides. Refused unless everything is at rest, empty and healthy.
    Start(Sides),
    /// The prompted action has been done.
    Confirm(Prompt),
    /// Abort the run: into the vent where air was let in, else at rest.
    Abort,
    /// Acknowledge the latched fault. Never skips the safe vent.
    Acknowledge,
    /// Energise this output for [`crate::limits::OUTPUT_TEST_MS`], for an output test without air. Refused unless everything
    /// is at rest, healthy, and measured empty on both sides.
    TestOutput(Coil),
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
    /// An output's read-back differs from its setting. Always false where nothing is read back.
    pub readback_mismatch: bool,
    /// Whether the operator's screen can be reached.
    pub link_up: bool,
    /// At most one command a poll.
    pub command: Option<Command>,
}

impl Inputs {
    /// Nothing new to read, contacts clear, operator reachable.
    pub const IDLE: Self = Self {
        far: Reading::NoSample,
        supply: Reading::NoSample,
        thermometer: Reading::NoSample,
        contacts: Contacts::CLEAR,
        readback_mismatch: false,
        link_up: true,
        command: None,
    };
}

/// Far-side pressure with its health, as last known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ChannelState {
    /// Never read, or not for too long.
    Unknown,
    /// Read, plausible and fresh.
    Pressure(GaugePressure),
    /// The transducer has a sensor fault: treat as pressurised, whatever it reads.
    SensorFault,
}
