//! What is said over the link. Encoded by postcard (wire format 1.0): the order of variants and fields *is* the format,
//! so new ones go to the end, and anything else needs a new [`VERSION`].

use crate::event::{Disconnect, Event, Fault, Phase};
use crate::input::{Ask, Command, Known, Side};
use crate::recipe::RawRecipe;
use crate::rig::RawRig;
use crate::step::Status;
use crate::time::Instant;
use crate::units::GaugePressure;
use serde::{Deserialize, Serialize};

/// Version of everything in this file. A controller serves only hosts of its own version, and says which it has.
pub const VERSION: u8 = 1;

/// From host to controller.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum ToController {
    /// Opens a session. Repeated until welcomed.
    Hello(Hello),
    /// All records below `next` have arrived; also the sign of life, sent at least every [`super::host::ALIVE`].
    Acknowledge {
        /// As in the hello.
        session: u32,
        /// The record wanted next.
        next: u32,
        /// A later one has come instead: send again from `next`.
        again: bool,
    },
    /// Something to be done, once. Repeated until answered.
    Do {
        /// As in the hello.
        session: u32,
        /// Running number within the session.
        number: u16,
        /// What.
        order: Order,
    },
}

/// Who is there, and what it has.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hello {
    /// The host's [`VERSION`].
    pub version: u8,
    /// Chosen afresh by the host for every connection.
    pub session: u32,
    /// What it has from before.
    pub have: Option<Have>,
}

/// How far a host had come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Have {
    /// With the controller of this boot.
    pub boot: u32,
    /// Up to this record, not included.
    pub next: u32,
}

/// What a host may want done.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Order {
    /// Take this recipe. Only while ready; the controller checks it as a whole, then starts afresh, venting first.
    LoadRecipe(RawRecipe),
    /// Pass this to the sequencer at the next poll.
    Operate(Command),
    /// Say how things stand.
    ReadStatus,
    /// Give the rig with its calibration.
    ReadRig,
    /// Note the time of day, so that records can be dated.
    SetTime {
        /// Milliseconds since 1970-01-01 00:00 UTC.
        unix_ms: u64,
    },
}

/// From controller to host.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum ToHost<'a> {
    /// Answers a hello.
    Welcome(Welcome),
    /// One record.
    Record {
        /// Running number since the boot.
        number: u32,
        /// A [`Record`], encoded.
        #[serde(borrow)]
        body: &'a [u8],
    },
    /// These records are gone: memory ran out before the host had them.
    Gap {
        /// First that is gone.
        from: u32,
        /// First that is there.
        to: u32,
    },
    /// Answers an order.
    Answer {
        /// The order's number.
        number: u16,
        /// The answer.
        answer: Answer,
    },
}

/// Who the controller is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Welcome {
    /// The controller's [`VERSION`]. Where it is not the host's, nothing follows.
    pub version: u8,
    /// The session welcomed.
    pub session: u32,
    /// The session of the first hello since the controller's reset: another value, another boot.
    pub boot: u32,
    /// The oldest record kept.
    pub oldest: u32,
    /// The record to come.
    pub next: u32,
    /// The controller's clock, in microseconds.
    pub now_us: u64,
    /// What it can do.
    pub can: Capabilities,
}

/// What a controller can do beyond the least.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Capabilities {
    /// Bytes kept for records the host does not have yet.
    pub store: u32,
    /// The plant is simulated on the controller: no air, no solenoids.
    pub simulated: bool,
    /// Outputs can be worked one by one for a check of the rig.
    pub single_outputs: bool,
}

/// Something that happened, kept until the host has it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Record<'a> {
    /// A sequencer began afresh with this recipe.
    Began(RawRecipe),
    /// Polls, coded as in [`super::polls`].
    Polls(#[serde(borrow)] &'a [u8]),
    /// An event of the last poll in the record before.
    Event {
        /// When.
        at: Instant,
        /// What.
        event: Event,
    },
    /// The time of day was set.
    Dated {
        /// The controller's clock then.
        at: Instant,
        /// Milliseconds since 1970-01-01 00:00 UTC.
        unix_ms: u64,
    },
}

/// How an order went.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Answer {
    /// Done, or handed to the sequencer, whose events say what became of it.
    Done,
    /// Not now: the sequencer is not ready.
    Busy,
    /// The recipe is not valid for this rig. Checking it with the rig read from the controller gives the same errors,
    /// in words.
    NotValid {
        /// How many errors.
        errors: u8,
    },
    /// How things stand.
    Status(Snapshot),
    /// The rig.
    Rig(RawRig),
}

/// [`Known`] for the wire.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Seen {
    /// Never read, or not for too long.
    Nothing,
    /// Read, plausible and fresh.
    Pressure(GaugePressure),
    /// Sick: treat as pressurised.
    Sick,
}

impl From<Known> for Seen {
    fn from(known: Known) -> Self {
        match known {
            Known::Nothing => Self::Nothing,
            Known::Pressure(p) => Self::Pressure(p),
            Known::Sick => Self::Sick,
        }
    }
}

/// How things stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Snapshot {
    /// Where the sequence stands.
    pub phase: Phase,
    /// The side under test.
    pub side: Option<Side>,
    /// Far side.
    pub far: Seen,
    /// Supply side.
    pub supply: Seen,
    /// What the operator is asked to do.
    pub ask: Option<Ask>,
    /// The latched fault.
    pub fault: Option<Fault>,
    /// Whether a fitting may be loosened.
    pub disconnect: Disconnect,
    /// When the phase ends by itself.
    pub deadline: Option<Instant>,
    /// A recipe is loaded.
    pub has_recipe: bool,
}

impl Snapshot {
    /// From the sequencer's own.
    pub fn new(status: &Status, has_recipe: bool) -> Self {
        Self {
            phase: status.phase,
            side: status.side,
            far: status.far.into(),
            supply: status.supply.into(),
            ask: status.ask,
            fault: status.fault,
            disconnect: status.disconnect,
            deadline: status.deadline,
            has_recipe,
        }
    }
}
