//! Verdicts, and where a leak probably is.

use crate::input::Side;
use crate::measure::Figure;
use crate::units::GaugePressure;

/// What is said of a side or a valve.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Verdict {
    /// The leak and its guard band lie under the limit.
    Tight,
    /// The leak less its guard band lies over the limit, or the fall was gross.
    Leaking,
    /// Neither could be said at the chosen risks in the time allowed.
    Undecided,
    /// The measurement cannot be used.
    Void,
}

impl Verdict {
    /// The verdict on a whole made of two parts: a leak anywhere is a leak; otherwise the less certain wins.
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
pub enum Ground {
    /// The figure and its guard band fell on one side of the limit.
    Measured,
    /// The maximum time was over with the limit still inside the guard band.
    MaximumTime,
    /// The trapped pressure fell by three tenths of its absolute pressure, which no cooling explains.
    GrossFall,
    /// The trapped pressure went with the supply side while venting: the valve did not hold at all.
    WentWithSupply,
    /// The trapped pressure rose: the supply valve passes, or the gas is warming.
    Rise,
    /// The supply side did not stay empty while the trapped pressure was watched: nothing drove a leak through the seat.
    SupplyNotEmpty,
    /// The far side was not empty before filling.
    NotEmpty,
    /// The window was spoiled too often to finish.
    Disturbed,
    /// The trapped pressure left the range the fit may be used in.
    OutOfBand,
    /// The run was given up.
    Aborted,
    /// A fault touched the run.
    Fault,
    /// The operator did not swap the ends in time.
    NotSwapped,
}

/// What was found on one side.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SideResult {
    /// The side.
    pub side: Side,
    /// The verdict.
    pub verdict: Verdict,
    /// Why.
    pub ground: Ground,
    /// Leak, uncertainty and window; `None` where nothing was fitted.
    pub figure: Option<Figure>,
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
    NotShutting,
    /// The rig's supply valve lets air by.
    SupplyValve,
}

/// What was seen that points there.
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
    /// Both sides leak, and by figures that agree within their uncertainties.
    BothAlike,
    /// Both sides leak, by figures that differ.
    BothUnlike,
    /// The trapped pressure went with the supply side.
    WentWithSupply,
    /// The trapped pressure rose.
    Rose,
}

/// Where a leak probably is, likeliest first, and what was seen. No suspect means nothing leaks or nothing can be told.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Diagnosis {
    /// What was seen.
    pub evidence: Evidence,
    /// Where the leak may be.
    pub suspects: heapless::Vec<Suspect, 4>,
}
