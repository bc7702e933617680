//! The messages of the link. Encoded by postcard (wire format 1.0): the order of variants and fields *is* the format,
//! so new ones go to the end, and anything else needs a new [`VERSION`].

use crate::event::{Disconnect, Event, Fault, Phase};
#[cfg(feature = "rig-memory")]
use crate::input::Inputs;
use crate::input::{ChannelState, Command, Prompt, Side};
#[cfg(feature = "rig-memory")]
use crate::output::Outputs;
use crate::recipe::RawRecipe;
use crate::rig::RawRig;
#[cfg(feature = "rig-memory")]
use crate::rig_image::{Adapter, RIG_NAME_MAX, RigCheck};
use crate::step::Status;
use crate::time::Instant;
use crate::units::GaugePressure;
use serde::{Deserialize, Serialize};

/// Version of everything in this file. A controller serves only hosts of its own version, and reports its own.
pub const VERSION: u8 = 2;

/// From host to controller.
#[allow(clippy::large_enum_variant, reason = "there is one at a time, and no heap")]
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum ToController {
    /// Opens a session. Repeated until welcomed.
    Hello(Hello),
    /// All records below `next` have arrived; also the keep-alive, sent at least every [`super::host::KEEPALIVE`].
    Acknowledge {
        /// As in the hello.
        session: u32,
        /// The next record expected.
        next: u32,
        /// A later one has come instead: retransmit from `next`.
        retransmit: bool,
    },
    /// A request, carried out once. Repeated until answered.
    Request {
        /// As in the hello.
        session: u32,
        /// Running number within the session.
        number: u16,
        /// What.
        request: Request,
        /// The count of the last message that has come from the controller under its key; else 0. The last field, as in the
        /// hello.
        #[cfg_attr(not(feature = "link-key"), serde(skip_deserializing))]
        heard: u32,
    },
}

/// Identifies the host, and the records it has.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hello {
    /// The host's [`VERSION`].
    pub version: u8,
    /// Chosen at random by the host for every connection.
    pub session: u32,
    /// The records it has already.
    pub resume: Option<ResumePoint>,
    /// Drawn at random by a host with a key, as its part of what makes the session's tags its own; else 0. The last field, so
    /// that a controller without keys need not read it.
    #[cfg_attr(not(feature = "link-key"), serde(skip_deserializing))]
    pub nonce: u64,
}

/// Position a host has reached in the records.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ResumePoint {
    /// Boot of the controller.
    pub boot: u32,
    /// Up to this record, exclusive.
    pub next: u32,
}

/// A request of the host.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Request {
    /// Take this recipe. Only while ready; the controller validates it as a whole, then restarts, venting first.
    LoadRecipe(RawRecipe),
    /// Pass this to the sequencer at the next poll.
    Operate(Command),
    /// Report the status.
    ReadStatus,
    /// Report the rig with its calibration.
    ReadRig,
    /// Set the time of day, so that records can be dated.
    SetTime {
        /// Milliseconds since 1970-01-01 00:00 UTC.
        unix_ms: u64,
    },
    /// Report what the last poll read and set, as it was read.
    #[cfg(feature = "rig-memory")]
    ReadPoll,
    /// Report which rig is in force.
    #[cfg(feature = "rig-memory")]
    ReadRigMemory,
    /// Report the rig that is compiled in, which bounds what may be loaded.
    #[cfg(feature = "rig-memory")]
    ReadCompiledRig,
    /// Report an adapter of the rig in force.
    #[cfg(feature = "rig-memory")]
    ReadAdapter {
        /// Which, from 0.
        number: u8,
    },
    /// Take this as a rig to be stored, without adapters as yet. Nothing changes.
    #[cfg(feature = "rig-memory")]
    StageRig {
        /// Its name.
        name: heapless::String<RIG_NAME_MAX>,
        /// As [`RigImage::calibrated_until_unix_ms`](crate::rig_image::RigImage::calibrated_until_unix_ms).
        calibrated_until_unix_ms: u64,
        /// The rig.
        rig: RawRig,
    },
    /// Add an adapter to it.
    #[cfg(feature = "rig-memory")]
    StageAdapter(Adapter),
    /// Store the staged rig, and work by it from now on: only while ready, with the far side measured empty.
    #[cfg(feature = "rig-memory")]
    StoreRig {
        /// The [check sum](crate::rig_image::RigImage::check_sum) of what is meant.
        check_sum: u32,
        /// Milliseconds since 1970-01-01 00:00 UTC.
        unix_ms: u64,
    },
    /// The rig of this generation has been checked, or its check is waived: air may be let in.
    #[cfg(feature = "rig-memory")]
    SetRigCheck {
        /// As in [`RigMemory::generation`].
        generation: u32,
        /// How.
        check: RigCheck,
    },
    /// Work with this adapter, or without any: only while ready, as for a recipe.
    #[cfg(feature = "rig-memory")]
    FitAdapter {
        /// As in [`RigMemory::generation`].
        generation: u32,
        /// Which, from 0.
        number: Option<u8>,
    },
}

/// From controller to host.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum ToHost<'a> {
    /// Response to a hello.
    Welcome(Welcome),
    /// One record.
    Record {
        /// Running number since the boot.
        number: u32,
        /// A [`Record`], encoded.
        #[serde(borrow)]
        body: &'a [u8],
    },
    /// These records are lost: memory ran out before the host had them.
    Gap {
        /// First that is lost.
        from: u32,
        /// First that is kept.
        to: u32,
    },
    /// Response to a request.
    Response {
        /// The request's number.
        number: u16,
        /// The response.
        response: Response,
    },
    /// How often the start button has been pressed since the reset, modulo 256.
    #[cfg(feature = "start-button")]
    Presses(u8),
}

/// Identifies the controller.
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
    /// The next record.
    pub next: u32,
    /// The controller's clock, in microseconds.
    pub now_us: u64,
    /// Its capabilities.
    pub capabilities: Capabilities,
    /// Never the same twice, as a controller's part of what makes the session's tags its own; 0 without a key.
    pub challenge: u64,
}

/// What a controller supports beyond the minimum.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Capabilities {
    /// Bytes kept for records the host does not have yet.
    pub record_bytes: u32,
    /// The plant is simulated on the controller: no air, no solenoids.
    pub simulated: bool,
    /// Output tests are supported.
    pub single_outputs: bool,
    /// Commands are taken only from a host that has the key.
    pub key: bool,
    /// A rig with adapters can be loaded over the line, and is kept.
    pub rig_memory: bool,
}

/// A record, kept until the host has it. Its event may be borrowed, by whoever writes one.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Record<'a, E = Event> {
    /// A new sequencer started with this recipe.
    RecipeLoaded(RawRecipe),
    /// Polls, coded as in [`super::polls`].
    Polls(#[serde(borrow)] &'a [u8]),
    /// An event of the last poll in the record before.
    Event {
        /// Time.
        at: Instant,
        /// What.
        event: E,
    },
    /// The time of day was set.
    TimeSet {
        /// The controller's clock then.
        at: Instant,
        /// Milliseconds since 1970-01-01 00:00 UTC.
        unix_ms: u64,
    },
    /// A rig was stored, or its check was set, or an adapter was fitted: this is in force from now on.
    #[cfg(feature = "rig-memory")]
    RigChanged {
        /// The controller's clock then.
        at: Instant,
        /// What is in force.
        memory: RigMemory,
    },
}

/// Response to a request.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Response {
    /// Done, or passed to the sequencer, whose events show the result.
    Done,
    /// Not now: the sequencer is not ready.
    Busy,
    /// The recipe is not valid for this rig. Checking it with the rig read from the controller gives the same errors,
    /// in words.
    NotValid {
        /// How many errors.
        errors: u8,
    },
    /// The status.
    Status(Snapshot),
    /// The rig.
    Rig(RawRig),
    /// Not without the key: a host that has not proved to have it may look, and abort.
    NotAllowed,
    /// Under a key: when the host asked it had not heard for some seconds what was sent to it, or somebody has held its
    /// question back. To be asked again.
    Stale,
    /// What the last poll read and set.
    #[cfg(feature = "rig-memory")]
    Poll {
        /// When.
        at: Instant,
        /// Read.
        inputs: Inputs,
        /// Set.
        outputs: Outputs,
    },
    /// Which rig is in force.
    #[cfg(feature = "rig-memory")]
    RigMemory(RigMemory),
    /// An adapter; none where there is none of this number.
    #[cfg(feature = "rig-memory")]
    Adapter(Option<Adapter>),
    /// No run is begun, since this is missing of the rig.
    #[cfg(feature = "rig-memory")]
    Lacking(RigLack),
    /// The memory failed, or what is in it now is not known for certain: the rig in force is as before.
    #[cfg(feature = "rig-memory")]
    NotStored,
}

/// What a controller has in its memory, and works by.
#[cfg(feature = "rig-memory")]
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RigMemory {
    /// How many times a rig was stored; 0 where none is, or it could not be read: what is compiled in is in force.
    pub generation: u32,
    /// The name of the rig in force, empty where it is the one compiled in.
    pub name: heapless::String<RIG_NAME_MAX>,
    /// When it was loaded, in milliseconds since 1970-01-01 00:00 UTC, as the host had it.
    pub loaded_unix_ms: u64,
    /// Whether it has been checked since.
    pub check: RigCheck,
    /// Until when all its calibrations are valid, in the same milliseconds; 0 where it was loaded with none.
    pub calibrated_until_unix_ms: u64,
    /// How many adapters it has.
    pub adapters: u8,
    /// Which of them is fitted, from 0.
    pub fitted: Option<u8>,
    /// What is missing before a run, if anything.
    pub lacking: Option<RigLack>,
}

/// What is missing of a rig before a run.
#[cfg(feature = "rig-memory")]
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum RigLack {
    /// None was loaded.
    Rig,
    /// It has not been checked since it was loaded.
    Check,
    /// It has adapters, and none was chosen.
    Adapter,
}

/// [`ChannelState`] for the wire.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum ChannelStatus {
    /// Never read, or not for too long.
    Nothing,
    /// Read, plausible and fresh.
    Pressure(GaugePressure),
    /// Sensor fault: treat as pressurised.
    Sick,
}

impl From<ChannelState> for ChannelStatus {
    fn from(state: ChannelState) -> Self {
        match state {
            ChannelState::Unknown => Self::Nothing,
            ChannelState::Pressure(p) => Self::Pressure(p),
            ChannelState::SensorFault => Self::Sick,
        }
    }
}

/// Status of the sequencer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Snapshot {
    /// The present phase.
    pub phase: Phase,
    /// The side under test.
    pub side: Option<Side>,
    /// Far side.
    pub far: ChannelStatus,
    /// Supply side.
    pub supply: ChannelStatus,
    /// The open prompt.
    pub prompt: Option<Prompt>,
    /// The latched fault.
    pub fault: Option<Fault>,
    /// Whether a fitting may be loosened.
    pub disconnect: Disconnect,
    /// Time-out of the phase.
    pub deadline: Option<Instant>,
    /// A recipe is loaded.
    pub has_recipe: bool,
}

impl Snapshot {
    /// From the sequencer's status.
    pub fn new(status: &Status, has_recipe: bool) -> Self {
        Self {
            phase: status.phase,
            side: status.side,
            far: status.far.into(),
            supply: status.supply.into(),
            prompt: status.prompt,
            fault: status.fault,
            disconnect: status.disconnect,
            deadline: status.deadline,
            has_recipe,
        }
    }
}
