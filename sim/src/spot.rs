//! The places that may leak, by name: what a plant is described with, and what a fault changes in the middle of a run.

use crate::config::{Path, RawPlant};

/// A place that may leak.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[allow(missing_docs, reason = "the names say it")]
pub enum Spot {
    SeatA,
    SeatB,
    Stem,
    BodyJoint,
    JointA,
    JointB,
    /// A fitting of the rig on the far side.
    Rig,
}

impl Spot {
    /// All of them.
    pub const ALL: [Self; 7] =
        [Self::SeatA, Self::SeatB, Self::Stem, Self::BodyJoint, Self::JointA, Self::JointB, Self::Rig];

    /// What leaks there as the plant was described.
    pub const fn of(self, raw: &RawPlant) -> Path {
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
}
