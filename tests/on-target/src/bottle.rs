//! A rig in whole numbers: two volumes, a valve between them, three solenoids.
//!
//! Hardly any physics: pressures approach each other by an eighth a poll. It exists so that a controller with 16 KiB of
//! memory runs every phase; the plant of `seathold-sim` is for the rest.

use crate::trace::Noise;
use core::convert::Infallible;
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Command, Contacts, Prompt, Sample, SensorFault, Sides};
use seathold_sequencer::io::{Hardware, Operator};
use seathold_sequencer::output::{GasValve, Outputs, Pilot};
use seathold_sequencer::rig::Transducer;
use seathold_sequencer::time::Instant;

/// Time between polls, in microseconds.
pub const POLL_US: u64 = 10_000;

/// The shortest time between polls of an uneven clock, in microseconds; the longest is as much above [`POLL_US`].
const UNEVEN_US_MIN: u64 = 5_000;

/// Regulated air, in pascals gauge.
const AIR_PA: i32 = 600_000;

/// Polls the valve takes from open to shut.
const STROKE_POLLS: u8 = 40;

/// Faults of the valve and the rig.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Ails {
    /// Fall of the trapped pressure with end A on the supply side, in thousandths of a pascal a poll.
    pub fall_first: i32,
    /// The same with end B on the supply side.
    pub fall_second: i32,
    /// The ball never turns from open.
    pub jammed_open: bool,
    /// The ball never turns from shut.
    pub jammed_shut: bool,
}

/// The rig.
#[derive(Clone, Debug)]
pub struct Bottle {
    ails: Ails,
    transducer: Transducer,
    now: Instant,
    conversions: u32,
    noise: Noise,
    /// Where polls come at random moments, their source.
    uneven: Option<Noise>,
    outputs: Outputs,
    /// Far and supply side, in thousandths of a pascal gauge.
    far: i64,
    supply: i64,
    /// 0 is shut.
    stroke: u8,
    /// Ends have been swapped.
    pub swapped: bool,
    /// The emergency stop is pressed.
    pub stop: bool,
    /// The guard is open.
    pub guard_open: bool,
    /// The operator has opened it, to swap the ends.
    pub hand_in: bool,
    /// Retained by a controller over a reset.
    pub stop_kept: bool,
    /// The far transducer's wire is broken.
    pub wire_broken: bool,
    /// Added to the far pressure, in pascals: a disturbance.
    pub knock_pa: i32,
}

impl Bottle {
    /// Empty, at rest, the valve shut.
    pub fn new(ails: Ails, transducer: Transducer) -> Self {
        Self {
            ails,
            transducer,
            now: Instant::from_ticks(2_000_000),
            conversions: 0,
            noise: Noise::new(0x0b07_71e5),
            uneven: None,
            outputs: Outputs::REST,
            far: 0,
            supply: 0,
            stroke: if ails.jammed_open { STROKE_POLLS } else { 0 },
            swapped: false,
            stop: false,
            guard_open: false,
            hand_in: false,
            stop_kept: false,
            wire_broken: false,
            knock_pa: 0,
        }
    }

    /// The same, polled at random moments.
    pub fn polled_unevenly(self) -> Self {
        Self { uneven: Some(Noise::new(0x7157_0c1c)), ..self }
    }

    /// As they were set last.
    pub const fn outputs(&self) -> Outputs {
        self.outputs
    }

    /// Advances gas and movement by one poll.
    pub fn advance(&mut self) {
        let apart = |noise: &mut Noise| UNEVEN_US_MIN + u64::from(noise.word()) % (2 * (POLL_US - UNEVEN_US_MIN) + 1);
        let apart = self.uneven.as_mut().map_or(POLL_US, apart);
        self.now = Instant::from_ticks(self.now.as_ticks() + apart);
        self.conversions = self.conversions.wrapping_add(1);
        match self.outputs.pilot {
            _ if self.ails.jammed_open || self.ails.jammed_shut => {}
            Pilot::Fed => self.stroke = STROKE_POLLS.min(self.stroke + 1),
            Pilot::Exhausted => self.stroke = self.stroke.saturating_sub(1),
        }
        if self.outputs.supply == GasValve::Open {
            self.supply += (i64::from(AIR_PA) * 1_000 - self.supply) / 8;
        }
        if self.outputs.vent == GasValve::Open {
            self.supply -= self.supply / 8;
        }
        if self.stroke > 0 {
            let flow = (self.supply - self.far) / 16;
            self.far += flow;
            self.supply -= flow;
        } else if self.far > 0 {
            let fall = if self.swapped { self.ails.fall_second } else { self.ails.fall_first };
            self.far -= i64::from(fall) * self.far / (i64::from(AIR_PA) * 1_000);
        }
    }

    /// Loses power: everything goes to rest, and the clock starts again.
    pub fn power_cut(&mut self, polls: u32) {
        self.outputs = Outputs::REST;
        for _ in 0..polls {
            self.advance();
        }
        self.now = Instant::from_ticks(0);
        self.conversions = 0;
    }

    fn sample(&mut self, milli_pa: i64) -> Sample {
        // Truncation of a whole number of pascals, so that the target's rounding rules do not matter.
        let pascals = (milli_pa / 1_000) as i32;
        let counts = self.transducer.counts(f64::from(pascals)) + self.noise.within(2);
        Sample { counts, number: self.conversions }
    }
}

impl Hardware for Bottle {
    type Error = Infallible;

    fn now(&mut self) -> Instant {
        self.now
    }

    fn far(&mut self) -> nb::Result<Sample, SensorFault> {
        if self.wire_broken {
            return Err(nb::Error::Other(SensorFault::Open));
        }
        Ok(self.sample(self.far + i64::from(self.knock_pa) * 1_000))
    }

    fn supply(&mut self) -> nb::Result<Sample, SensorFault> {
        Ok(self.sample(self.supply))
    }

    fn contacts(&mut self) -> Contacts {
        Contacts { stop: self.stop, guard_closed: !self.guard_open && !self.hand_in, valve_shut: self.stroke == 0 }
    }

    fn apply(&mut self, outputs: Outputs) -> Result<(), Self::Error> {
        self.outputs = outputs;
        Ok(())
    }

    fn readback_mismatch(&mut self) -> bool {
        false
    }

    fn retain_stop(&mut self, stopped: bool) {
        self.stop_kept = stopped;
    }

    fn feed_watchdog(&mut self) {}
}

/// An operator who follows each prompt after a second, and presses start once.
#[derive(Clone, Debug)]
pub struct Person {
    sides: Sides,
    asked: Option<Prompt>,
    wait: u16,
    /// Start has been pressed.
    pub started: bool,
    /// Abort is pressed at the next poll.
    pub abort: bool,
    /// Ends were swapped, and the rig does not know yet.
    pub swapped: bool,
}

const SECOND: u16 = (1_000_000 / POLL_US) as u16;

impl Person {
    /// An operator about to start a run over these sides.
    pub fn new(sides: Sides) -> Self {
        Self { sides, asked: None, wait: SECOND, started: false, abort: false, swapped: false }
    }

    /// Has the guard open: the ends are swapped in the first half of the second before the confirmation.
    pub fn reaches_in(&self) -> bool {
        self.asked == Some(Prompt::SwapEnds) && self.wait > SECOND / 2
    }

    /// True once a second after each time it is due.
    fn waited(&mut self) -> bool {
        self.wait = self.wait.saturating_sub(1);
        if self.wait == 0 {
            self.wait = SECOND;
            return true;
        }
        false
    }
}

impl Operator for Person {
    fn link_up(&mut self) -> bool {
        true
    }

    fn command(&mut self, _: Instant, phase: Phase) -> Option<Command> {
        if core::mem::take(&mut self.abort) {
            return Some(Command::Abort);
        }
        if let Some(ask) = self.asked
            && self.waited()
        {
            self.asked = None;
            self.swapped |= ask == Prompt::SwapEnds;
            return Some(Command::Confirm(ask));
        }
        match phase {
            Phase::Ready if !self.started && self.waited() => {
                self.started = true;
                Some(Command::Start(self.sides))
            }
            Phase::Fault | Phase::Trapped | Phase::EmergencyStopped if self.waited() => Some(Command::Acknowledge),
            _ => None,
        }
    }

    fn notify(&mut self, _: Instant, event: &Event) {
        if let Event::Prompted(ask) = event {
            self.asked = Some(*ask);
            self.wait = SECOND;
        }
    }
}
