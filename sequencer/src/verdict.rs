//! Verdicts, and where a leak probably is.

use crate::input::Side;
use crate::measure::LeakEstimate;
use crate::units::GaugePressure;

/// Result for a side or a valve.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Verdict {
    /// The leak and its guard band lie under the limit.
    Tight,
    /// The leak less its guard band lies over the limit, or the fall was gross.
    Leaking,
    /// Neither could be decided at the chosen risks in the time allowed.
    Undecided,
    /// The measurement cannot be used.
    Void,
}

impl Verdict {
    /// The combined verdict of two parts: a leak anywhere is a leak; otherwise the less certain one wins.
    pub const fn and(self, other: Self) -> Self {
        match (self, other) {
            (Self::Leaking, _) | (_, Self::Leaking) => Self::Leaking,
            (Self::Void, _) | (_, Self::Void) => Self::Void,
            (Self::Undecided, _) | (_, Self::Undecided) => Self::Undecided,
            (Self::Tight, Self::Tight) => Self::Tight,
        }
    }
}

/// Why a side's verdict is what it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Reason {
    /// The estimate and its guard band lie on one side of the limit.
    Measured,
    /// The maximum time was over with the limit still inside the guard band.
    MaximumTime,
    /// The trapped pressure fell by three tenths of its absolute pressure, which no cooling explains.
    GrossFall,
    /// The trapped pressure followed the supply side while venting: the valve did not hold at all.
    WentWithSupply,
    /// The trapped pressure rose: the supply valve passes, or the gas is warming.
    Rise,
    /// The supply side did not stay empty while the trapped pressure was monitored: nothing drove a leak through the
    /// seat.
    SupplyNotEmpty,
    /// The far side was not empty before filling.
    NotEmpty,
    /// The window was disturbed too often to finish.
    Disturbed,
    /// The trapped pressure left the range the fit may be used in.
    OutOfBand,
    /// The run was aborted.
    Aborted,
    /// A fault occurred in the run.
    Fault,
    /// The operator did not swap the ends in time.
    NotSwapped,
}

/// Result of one side.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SideResult {
    /// The side.
    pub side: Side,
    /// The verdict.
    pub verdict: Verdict,
    /// Why.
    pub reason: Reason,
    /// Leak, uncertainty and window; `None` where nothing was fitted.
    pub estimate: Option<LeakEstimate>,
    /// Far-side pressure when the valve was shut.
    pub isolated_at: Option<GaugePressure>,
    /// How far the trapped pressure had fallen when the side ended, in pascals.
    pub fall_pa: i32,
    /// How long after shutting that was, in milliseconds.
    pub after_ms: u32,
}

/// A place a leak may be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Suspect {
    /// The seat at end A.
    SeatA,
    /// The seat at end B.
    SeatB,
    /// The screwed and welded joint at end A.
    JointA,
    /// The joint at end B.
    JointB,
    /// Stem packing.
    Stem,
    /// Body joint.
    BodyJoint,
    /// Both seats.
    BothSeats,
    /// A fitting of the rig on the far side.
    RigFitting,
    /// The valve does not shut.
    NotClosing,
    /// The rig's supply valve passes.
    SupplyValve,
}

/// The evidence for it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Evidence {
    /// Nothing leaks.
    #[default]
    NothingLeaks,
    /// Only one side was run, or one has no verdict.
    OneSideOnly,
    /// Only the first side leaks.
    FirstSideOnly,
    /// Only the second side leaks.
    SecondSideOnly,
    /// Both sides leak, and by amounts that agree within their uncertainties.
    BothAlike,
    /// Both sides leak, by amounts that differ.
    BothUnlike,
    /// The trapped pressure followed the supply side.
    WentWithSupply,
    /// The trapped pressure rose.
    Rose,
}

/// Where a leak probably is, likeliest first, with the evidence. No suspect means that nothing leaks or the leak cannot
/// be localised.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Diagnosis {
    /// The evidence.
    pub evidence: Evidence,
    /// Where the leak may be.
    pub suspects: heapless::Vec<Suspect, 4>,
}
