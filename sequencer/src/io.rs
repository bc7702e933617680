//! The interface between the sequencer and a rig: two traits, each a contract of two parties.

use crate::event::{Event, Phase};
use crate::input::{Command, Contacts, Sample, SensorFault};
use crate::output::Outputs;
use crate::time::{Duration, Instant};

/// A rig: transducers, contacts, solenoids, a clock and a watchdog.
///
/// **For the implementer.** Every call returns at once: a conversion that is not ready is [`nb::Error::WouldBlock`],
/// and so is a channel that is not fitted. Each conversion is handed over once, with a running number that counts
/// conversions, not calls, so that a lost one is detected. [`Hardware::now`] never goes back while the program runs; a
/// counter that wraps in use must be widened. [`Hardware::apply`] sets *every* output every time.
///
/// **For the caller.** Read, step, retain, apply, and only then call [`Hardware::feed_watchdog`]: a loop that stalls
/// anywhere must run into the watchdog, and the watchdog must end in [`Outputs::REST`].
pub trait Hardware {
    /// Why outputs could not be set.
    type Error;

    /// The time now.
    fn now(&mut self) -> Instant;

    /// The far-side transducer.
    ///
    /// # Errors
    /// `WouldBlock` while no new conversion is ready; a [`SensorFault`] when the transducer has a known fault.
    fn far(&mut self) -> nb::Result<Sample, SensorFault>;

    /// The supply-side transducer. Not fitted by default.
    ///
    /// # Errors
    /// As for [`Hardware::far`].
    fn supply(&mut self) -> nb::Result<Sample, SensorFault> {
        Err(nb::Error::WouldBlock)
    }

    /// The gas or wall thermometer. Not fitted by default.
    ///
    /// # Errors
    /// As for [`Hardware::far`].
    fn thermometer(&mut self) -> nb::Result<Sample, SensorFault> {
        Err(nb::Error::WouldBlock)
    }

    /// The wired contacts.
    fn contacts(&mut self) -> Contacts;

    /// Sets every output.
    ///
    /// # Errors
    /// When an output could not be set, or its read-back differs.
    fn apply(&mut self, outputs: Outputs) -> Result<(), Self::Error>;

    /// Whether an output's read-back has differed from its setting for longer than it may take to follow. For a fault
    /// that the sequencer handles; an output that cannot even be set is an error of [`Hardware::apply`]. False where
    /// nothing is read back.
    fn readback_mismatch(&mut self) -> bool;

    /// Keeps, over a reset, whether an emergency stop is latched: the program passes the retained value to
    /// [`crate::step::Sequencer::resume`] at its start. Called at every poll. A rig without such memory does nothing
    /// here, and its hazard is that a reset while the stop is released loses the stop.
    fn retain_stop(&mut self, stopped: bool);

    /// Feeds the watchdog: the loop is running. Does nothing where there is none, as in a simulated rig; on a real one there
    /// is, and it was started (`Parts::begin`): one that is fed and never started watches nothing.
    fn feed_watchdog(&mut self);
}

/// A hardware watchdog. It lies behind [`Hardware::feed_watchdog`], which the poll loop calls only after every output
/// was set.
///
/// **For the implementer.** On time-out it must reset the *whole* part, pins included, so that every solenoid falls to
/// rest. Once started it cannot be stopped.
///
/// **For the caller.** Start it before the first poll, with a time longer than the longest poll and shorter than the
/// rig may be left alone; feed it from nowhere else, least of all from an interrupt, which would go on while the loop
/// hangs.
pub trait Watchdog {
    /// Starts it: it resets after `timeout` without [`Watchdog::feed`]. A time that the part cannot count is reduced to
    /// its longest.
    fn start(&mut self, timeout: Duration);

    /// Restarts the time-out.
    fn feed(&mut self);

    /// Whether the last reset was by it.
    fn caused_reset(&self) -> bool;
}

/// Memory that survives a reset of the controller, though perhaps not a loss of power: memory that the start-up code
/// leaves alone, a scratch register, or better.
pub trait StopMemory {
    /// Stores whether an emergency stop is latched.
    fn keep(&mut self, stopped: bool);

    /// The value stored before the reset; false where there is none, or it is invalid.
    fn kept(&self) -> bool;
}

/// None fitted.
impl StopMemory for () {
    fn keep(&mut self, _: bool) {}

    fn kept(&self) -> bool {
        false
    }
}

/// The person at the bench, or the host program in between.
///
/// **For the implementer.** Never wait: no command is `None`. Each command is returned once.
pub trait Operator {
    /// Whether the person can be reached. Where it is false a run goes on only as far as it is safe without one, so whoever
    /// answers for a line must have heard from its other end lately; only a person at the rig itself is always there.
    fn link_up(&mut self) -> bool;

    /// The next command, if there is one.
    fn command(&mut self, now: Instant, phase: Phase) -> Option<Command>;

    /// An event was emitted.
    fn notify(&mut self, at: Instant, event: &Event);
}
