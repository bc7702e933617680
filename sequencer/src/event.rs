//! What a step tells: everything an operator, a recording or a report needs to know, in the order it happened.

use crate::input::{Ask, Side};
use crate::limits;
use crate::measure::Figure;
use crate::units::GaugePressure;
use crate::verdict::{Diagnosis, SideResult, Verdict};

/// Where the sequence stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Phase {
    /// After a reset or a new recipe: at rest, looking at the far side before anything moves.
    StartUp,
    /// At rest, waiting for a start: what both sides read is checked then.
    Ready,
    /// At rest: zero offset and noise of the empty far side.
    Precheck,
    /// Opening the valve and feeding air until the far side stands in the band.
    Fill,
    /// Fed at pressure while the gas settles.
    Soak,
    /// Shutting the valve.
    Isolate,
    /// Emptying the supply side.
    Vent,
    /// Waiting for the trapped gas and the seats to settle.
    Settle,
    /// Watching the trapped pressure.
    Measure,
    /// Opening the valve into the open vent until both sides are measured empty.
    SafeVent,
    /// Waiting for the ends to be swapped.
    Swap,
    /// A fault is latched, everything is at rest.
    Fault,
    /// Safe vent ran out of time: pressure may be trapped.
    Trapped,
    /// Emergency stop: everything at rest, nothing moves until it is released and acknowledged.
    Held,
    /// One output is being worked for a check of the rig, without air.
    Work,
}

impl Phase {
    /// Every phase, in the order of a run.
    pub const ALL: [Self; 15] = [
        Self::StartUp,
        Self::Ready,
        Self::Precheck,
        Self::Fill,
        Self::Soak,
        Self::Isolate,
        Self::Vent,
        Self::Settle,
        Self::Measure,
        Self::SafeVent,
        Self::Swap,
        Self::Fault,
        Self::Trapped,
        Self::Held,
        Self::Work,
    ];
}

/// Why a run was stopped. Latched until acknowledged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Fault {
    /// The emergency stop was pressed.
    EmergencyStop,
    /// The guard was opened during a run.
    GuardOpen,
    /// Far side above the recipe's or the rig's maximum.
    OverPressure,
    /// Supply side above the recipe's or the rig's maximum.
    SupplyOverPressure,
    /// The far transducer reported itself sick, gave impossible counts, or went silent.
    FarSensor,
    /// The supply transducer did.
    SupplySensor,
    /// The far pressure changed faster than gas can.
    Slew,
    /// The clock went back, or its counter wrapped.
    Clock,
    /// The polls came too far apart.
    Stalled,
    /// The operator could not be reached while needed.
    LinkLost,
    /// Noise, spread or zero of the far side was not plausible.
    Implausible,
    /// The far transducer gave one and the same code for longer than its noise allows.
    Frozen,
    /// The far side stopped rising short of the band: no supply, the valve is not open, or the transducer does not
    /// follow.
    FillStalled,
    /// The far side did not reach the band in time: too little supply.
    FillTimeout,
    /// The far transducer did not follow the fill and the fall: what it reads proves nothing.
    NoSignOfLife,
    /// The far side left the band while fed.
    BandLost,
    /// Far and supply side read differently while they were joined: one transducer, its range or its line is wrong.
    SidesDisagree,
    /// The shut switch was not made in time.
    NotShut,
    /// The supply side did not empty in time.
    VentTimeout,
    /// A request to the operator was not answered in time.
    NoAnswer(Ask),
    /// The far side could not be emptied in time.
    Trapped,
    /// A phase outlived its time-out with nothing better to say; a defect, kept so that no phase can last for ever.
    Overrun(Phase),
    /// An output reads back otherwise than it was set: a driver that failed, a coil or its wire that broke.
    Output,
}

/// Why a start was refused: each condition that fails.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Refusal {
    /// Not at rest: a run, a fault or a vent is in progress.
    pub busy: bool,
    /// No recipe is loaded.
    pub no_recipe: bool,
    /// The emergency stop is pressed.
    pub stop_pressed: bool,
    /// The guard is open.
    pub guard_open: bool,
    /// The far transducer is not healthy.
    pub far_sensor: bool,
    /// The supply transducer is fitted and not healthy.
    pub supply_sensor: bool,
    /// The far side does not read empty.
    pub far_not_empty: bool,
    /// The supply side does not read empty, where it has a transducer.
    pub supply_not_empty: bool,
    /// An output reads back otherwise than it was set.
    pub output_mismatch: bool,
    /// The ends are said to be swapped, and the guard has not been open since that was asked.
    pub guard_not_opened: bool,
    /// The operator cannot be reached.
    pub link_down: bool,
}

impl Refusal {
    /// Whether any condition fails.
    pub const fn any(self) -> bool {
        self.busy
            || self.no_recipe
            || self.stop_pressed
            || self.guard_open
            || self.far_sensor
            || self.supply_sensor
            || self.far_not_empty
            || self.supply_not_empty
            || self.output_mismatch
            || self.guard_not_opened
            || self.link_down
    }
}

/// What spoiled a window of samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Disturbance {
    /// A sample did not arrive, or its number shows a hole.
    Missing,
    /// A sample came twice.
    Repeated,
    /// The transducer reported itself sick or gave impossible counts for a moment.
    Implausible,
    /// Two samples differ by more than noise can explain.
    Jump,
    /// A step or knock, too small to show between two samples, shows between their means.
    Knock,
    /// The window bends in a way that no curve in use explains: the gas is still settling, or something warms or cools
    /// it.
    Bend,
    /// The thermometer that the rig has is silent or sick: a pressure without its temperature is half a reading.
    Thermometer,
    /// The far transducer, whose last digits move by themselves, gave one code for too long.
    Frozen,
}

/// What is known of the pressure behind a fitting, in rising order. Never more than one transducer can tell: the last
/// word is a gauge and a person.
///
/// [`ReadsEmpty`](Self::ReadsEmpty) rests on all of: both sides measured within the safe limit of zero for the whole
/// dwell while the ball stood open into the vent, the further stroke made (and seen, where a switch is fitted), the
/// prompts answered (by hand valves), a far transducer that has risen and come down with the pressure since air was last
/// let in, everything at rest for a stroke and half as long again, and outputs that read back right. It is taken back at
/// the first reading that contradicts it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Disconnect {
    /// Treat as pressurised: touch no fitting.
    #[default]
    Pressurised,
    /// The far side reads empty, but no further stroke is known to have been made (switched off, held up by the guard, or
    /// in doubt): the ball's cavity may hold pressure.
    CavityUnknown,
    /// The far side reads empty: open the bleed, look at the gauge.
    // What it was called in the first recordings, which stay readable.
    #[cfg_attr(feature = "serde", serde(alias = "safe"))]
    ReadsEmpty,
    /// The far side reads empty, and a person has opened the bleed and looked: a fitting may be loosened.
    Confirmed,
}

impl Disconnect {
    /// Whether both sides read empty, whatever the cavity holds.
    pub const fn reads_empty(self) -> bool {
        !matches!(self, Self::Pressurised)
    }

    /// Whether that is known of the ball's cavity as well.
    pub const fn cavity_too(self) -> bool {
        matches!(self, Self::ReadsEmpty | Self::Confirmed)
    }
}

/// One thing that happened.
#[derive(Clone, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Event {
    /// A phase began.
    Entered {
        /// The phase.
        phase: Phase,
        /// The side under test, where one is.
        side: Option<Side>,
    },
    /// The operator is asked to do something.
    Asked(Ask),
    /// A start was refused.
    Refused(Refusal),
    /// Zero offset taken from the empty far side.
    Zeroed {
        /// Mean reading against the transducer's calibrated zero.
        offset: GaugePressure,
        /// Peak-to-peak reading, in pascals.
        spread_pa: u32,
    },
    /// The valve has been shut (or said to be) at this far-side pressure.
    Isolated {
        /// Far-side pressure.
        at: GaugePressure,
    },
    /// The window was spoiled and begins anew.
    Restarted(Disturbance),
    /// A look at the growing window: the figure so far. Not a verdict.
    Looked(Figure),
    /// One side's result, given only once both sides have been measured empty after it, or at rest where no air was let in.
    Judged(SideResult),
    /// The run's result.
    Proved {
        /// Over all sides run.
        verdict: Verdict,
        /// Where a leak probably is.
        diagnosis: Diagnosis,
    },
    /// A fault was latched.
    Faulted(Fault),
    /// The run was given up by the operator.
    Aborted,
    /// The latched fault was acknowledged.
    Acknowledged,
    /// A resting state still waits for a person.
    Reminder(Phase),
    /// What is known of the pressure behind a fitting has changed.
    Disconnect(Disconnect),
}

/// The events of one step.
pub type Events = heapless::Vec<Event, { limits::EVENTS_MAX }>;
