//! The places that may leak, by name: for the description of a plant, and for faults during a run.

use crate::config::{LeakSpec, RawPlant};

/// A place that may leak.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[allow(missing_docs, reason = "self-explanatory names")]
pub enum LeakPath {
    SeatA,
    SeatB,
    Stem,
    BodyJoint,
    JointA,
    JointB,
    /// A fitting of the rig on the far side.
    Rig,
}

impl LeakPath {
    /// All of them. New ones go to the end: a fleet draws in this order, which decides the random number each gets.
    pub const ALL: [Self; 7] =
        [Self::SeatA, Self::SeatB, Self::Stem, Self::BodyJoint, Self::JointA, Self::JointB, Self::Rig];

    /// Its field of the plant, as written.
    pub const fn name(self) -> &'static str {
        match self {
            Self::SeatA => "seat_a",
            Self::SeatB => "seat_b",
            Self::Stem => "stem",
            Self::BodyJoint => "body_joint",
            Self::JointA => "joint_a",
            Self::JointB => "joint_b",
            Self::Rig => "rig_leak",
        }
    }

    /// The leak there by the plant's description.
    pub const fn of(self, raw: &RawPlant) -> LeakSpec {
        match self {
            Self::SeatA => raw.seat_a,
            Self::SeatB => raw.seat_b,
            Self::Stem => raw.stem,
            Self::BodyJoint => raw.body_joint,
            Self::JointA => raw.joint_a,
            Self::JointB => raw.joint_b,
            Self::Rig => raw.rig_leak,
        }
    }

    /// The same, mutable.
    pub const fn of_mut(self, raw: &mut RawPlant) -> &mut LeakSpec {
        match self {
            Self::SeatA => &mut raw.seat_a,
            Self::SeatB => &mut raw.seat_b,
            Self::Stem => &mut raw.stem,
            Self::BodyJoint => &mut raw.body_joint,
            Self::JointA => &mut raw.joint_a,
            Self::JointB => &mut raw.joint_b,
            Self::Rig => &mut raw.rig_leak,
        }
    }
}
