//! Events of a step: everything an operator, a recording or a report needs to know, in order.

use crate::input::{Prompt, Side};
use crate::limits;
use crate::measure::LeakEstimate;
use crate::units::GaugePressure;
use crate::verdict::{Diagnosis, SideResult, Verdict};

/// The phase of the sequence.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Phase {
    /// After a reset or a new recipe: at rest, reading the far side before anything moves.
    StartUp,
    /// At rest, waiting for a start: both sides' readings are checked then.
    Ready,
    /// At rest: zero offset and noise of the empty far side.
    Precheck,
    /// Opening the valve and feeding air until the far side is in the band.
    Fill,
    /// Fed at pressure while the gas settles.
    Soak,
    /// Shutting the valve.
    Isolate,
    /// Emptying the supply side.
    Vent,
    /// Waiting for the trapped gas and the seats to settle.
    Settle,
    /// Recording the trapped pressure.
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
    EmergencyStopped,
    /// Output test: one output is driven, without air.
    OutputTest,
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
        Self::EmergencyStopped,
        Self::OutputTest,
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
    /// The far transducer reported a fault, gave implausible counts, or went silent.
    FarSensor,
    /// Likewise the supply transducer.
    SupplySensor,
    /// The far pressure changed faster than gas can.
    Slew,
    /// The clock went back, or its counter wrapped.
    Clock,
    /// The polls came too far apart.
    Stalled,
    /// The operator could not be reached while needed.
    LinkLost,
    /// Noise, peak-to-peak or zero of the far side was not plausible.
    Implausible,
    /// The far transducer gave one and the same code for longer than its noise allows.
    Frozen,
    /// The far side stopped rising short of the band: no supply, the valve is not open, or the transducer does not
    /// follow.
    FillStalled,
    /// The far side did not reach the band in time: too little supply.
    FillTimeout,
    /// The far transducer did not follow the fill and the fall: its readings prove nothing.
    NoSignOfLife,
    /// The far side left the band while fed.
    BandLost,
    /// Far and supply side read differently while they were joined: a transducer, its range or its line is wrong.
    SidesDisagree,
    /// The shut switch did not close in time.
    NotShut,
    /// The supply side did not empty in time.
    VentTimeout,
    /// A prompt was not answered in time.
    NoAnswer(Prompt),
    /// The far side could not be emptied in time.
    Trapped,
    /// A phase exceeded its time-out without a more specific fault; a defect, kept so that no phase can last for ever.
    Overrun(Phase),
    /// An output's read-back differs from its setting: a failed driver, a broken coil or wire.
    Output,
}

/// Why a start was refused: each condition that fails.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct StartRefusal {
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
    /// An output's read-back differs from its setting.
    pub readback_mismatch: bool,
    /// The swap was confirmed, but the guard has not been open since the prompt.
    pub guard_not_opened: bool,
    /// The operator cannot be reached.
    pub link_down: bool,
}

impl StartRefusal {
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
            || self.readback_mismatch
            || self.guard_not_opened
            || self.link_down
    }
}

/// What disturbed a window of samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Disturbance {
    /// A sample did not arrive, or its number shows a gap.
    Missing,
    /// A sample was repeated.
    Repeated,
    /// The transducer reported a fault or gave implausible counts for a moment.
    Implausible,
    /// Two samples differ by more than noise can explain.
    Jump,
    /// A step too small to show between two samples shows between their means.
    Step,
    /// The window has a curvature that no curve in use explains: the gas is still settling, or something warms or cools
    /// it.
    Curvature,
    /// The rig's thermometer is silent or faulty: a pressure without its temperature is half a reading.
    Thermometer,
    /// The far transducer, whose last digits move by themselves, gave one code for too long.
    Frozen,
}

/// Knowledge of the pressure behind a fitting, in rising order. Never more than one transducer can prove: the final
/// check is a gauge and a person.
///
/// [`ReadsEmpty`](Self::ReadsEmpty) rests on all of: both sides measured within the safe limit of zero for the whole
/// dwell while the ball was open into the vent, the further stroke made (and confirmed by the switch, where one is
/// fitted), the prompts answered (by hand valves), a far transducer that has risen and come down with the pressure
/// since air was last let in, everything at rest for a stroke and half as long again, and outputs that read back as
/// set. It is withdrawn at the first reading that contradicts it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Disconnect {
    /// Treat as pressurised: touch no fitting.
    #[default]
    Pressurised,
    /// The far side reads empty, but no further stroke is known to have been made (switched off, blocked by the guard,
    /// or uncertain): the ball's cavity may hold pressure.
    CavityUnknown,
    /// The far side reads empty: open the bleed, look at the gauge.
    ReadsEmpty,
    /// The far side reads empty, and a person has opened the bleed and checked the gauge: a fitting may be loosened.
    Confirmed,
}

impl Disconnect {
    /// Whether both sides read empty, whatever the cavity holds.
    pub const fn reads_empty(self) -> bool {
        !matches!(self, Self::Pressurised)
    }

    /// Whether that includes the ball's cavity.
    pub const fn includes_cavity(self) -> bool {
        matches!(self, Self::ReadsEmpty | Self::Confirmed)
    }
}

/// One event.
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
    /// The operator is prompted.
    Prompted(Prompt),
    /// A start was refused.
    Refused(StartRefusal),
    /// Zero offset taken from the empty far side.
    Zeroed {
        /// Mean reading against the transducer's calibrated zero.
        offset: GaugePressure,
        /// Peak-to-peak reading, in pascals.
        peak_to_peak_pa: u32,
    },
    /// The valve has been shut (or confirmed shut) at this far-side pressure.
    Isolated {
        /// Far-side pressure.
        at: GaugePressure,
    },
    /// The window was disturbed and restarts.
    Restarted(Disturbance),
    /// A look at the growing window: the estimate so far. Not a verdict.
    InterimEstimate(LeakEstimate),
    /// One side's result, given only once both sides have been measured empty after it, or at rest where no air was let
    /// in.
    SideFinished(SideResult),
    /// The run's result.
    RunFinished {
        /// Over all sides run.
        verdict: Verdict,
        /// Where a leak probably is.
        diagnosis: Diagnosis,
    },
    /// A fault was latched.
    Faulted(Fault),
    /// The run was aborted by the operator.
    Aborted,
    /// The latched fault was acknowledged.
    Acknowledged,
    /// A resting state still waits for a person.
    Reminder(Phase),
    /// The disconnect state has changed.
    Disconnect(Disconnect),
}

/// The events of one step.
pub type Events = heapless::Vec<Event, { limits::EVENTS_MAX }>;
