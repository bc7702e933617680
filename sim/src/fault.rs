//! Faults in time: which, when, and for how long.

use crate::bench::SimBench;
use crate::channel_fault::ChannelFault;
use crate::config::LeakSpec;
use crate::leak_path::LeakPath;
use crate::operator::Mistake;
use seathold_sequencer::event::Phase;
use seathold_sequencer::input::Side;
use seathold_sequencer::output::GasValve;
use seathold_sequencer::time::{Duration, Instant, millis};

/// Kinds of faults.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
pub enum FaultKind {
    /// The far-side transducer or its wire.
    Far(ChannelFault),
    /// The supply-side transducer or its wire.
    Supply(ChannelFault),
    /// The thermometer or its wire.
    Thermometer(ChannelFault),
    /// One far-side conversion is missed.
    MissedSample,
    /// The emergency stop is pressed.
    Stop,
    /// The guard is opened.
    Guard,
    /// Shop air at the regulator changes to this gauge pressure, Pa.
    SupplyAir(f64),
    /// The actuator's air changes to this gauge pressure, Pa.
    PilotAir(f64),
    /// The ball jams where it is.
    Jam,
    /// The supply valve stays like this.
    SupplyStuck(GasValve),
    /// The vent valve stays like this.
    VentStuck(GasValve),
    /// A place begins to leak this much, stated like the plant's own leaks.
    Leak(LeakPath, LeakSpec),
    /// The room's air changes to this temperature at once, K.
    Room(f64),
    /// The operator makes this mistake wherever it can be made.
    Hand(Mistake),
    /// The operator cannot be reached.
    LinkDown,
    /// The controller's clock jumps back by so many milliseconds.
    ClockBack(u32),
}

/// When a fault begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum When {
    /// At a time of the plant.
    At(Duration),
    /// A time after a phase was entered, on one side or whichever comes first.
    In {
        /// The phase.
        phase: Phase,
        /// The side, or either.
        side: Option<Side>,
        /// How long after.
        after: Duration,
    },
}

/// One fault.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InjectedFault {
    /// The kind.
    pub kind: FaultKind,
    /// Its begin.
    pub when: When,
    /// Its duration; permanent if `None`.
    pub lasts: Option<Duration>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum State {
    Waiting,
    On(Instant),
    Over,
}

/// Most faults of a run.
pub const FAULTS: usize = 8;

/// The faults of a run, in any order.
#[derive(Clone, Debug)]
pub struct FaultSchedule {
    faults: [Option<(InjectedFault, State)>; FAULTS],
    phase: Option<(Phase, Option<Side>, Instant)>,
}

impl Default for FaultSchedule {
    fn default() -> Self {
        Self::EMPTY
    }
}

impl FaultSchedule {
    /// No faults.
    pub const EMPTY: Self = Self { faults: [None; FAULTS], phase: None };

    /// Adds a fault; false when there is no room for it.
    #[must_use = "a fault that was not added will not happen"]
    pub fn add(&mut self, fault: InjectedFault) -> bool {
        let Some(free) = self.faults.iter_mut().find(|f| f.is_none()) else {
            return false;
        };
        *free = Some((fault, State::Waiting));
        true
    }

    /// The next fault to begin (`true`) or end (`false`) by `now`; to be called until there is none.
    fn next(&mut self, now: Instant, phase: Phase, side: Option<Side>) -> Option<(FaultKind, bool)> {
        if self.phase.is_none_or(|(p, s, _)| (p, s) != (phase, side)) {
            self.phase = Some((phase, side, now));
        }
        let entered = self.phase.map_or(now, |(.., at)| at);
        for (fault, state) in self.faults.iter_mut().flatten() {
            let due = match fault.when {
                When::At(at) => now.as_ticks() >= at.as_ticks(),
                When::In { phase: on_phase, side: on_side, after } => {
                    on_phase == phase && on_side.is_none_or(|s| Some(s) == side) && now >= entered + after
                }
            };
            match *state {
                State::Waiting if due => {
                    *state = State::On(now);
                    return Some((fault.kind, true));
                }
                State::On(since) if fault.lasts.is_some_and(|lasts| now >= since + lasts) => {
                    *state = State::Over;
                    return Some((fault.kind, false));
                }
                State::Waiting | State::On(_) | State::Over => {}
            }
        }
        None
    }
}

impl SimBench {
    /// Begins and ends the faults due; the phase and side are the sequencer's.
    pub fn apply_due_faults(&mut self, now: Instant, phase: Phase, side: Option<Side>) {
        while let Some((kind, begins)) = self.schedule.next(now, phase, side) {
            self.inject(kind, begins);
        }
    }

    /// A fault begins, or ends.
    pub fn inject(&mut self, kind: FaultKind, begins: bool) {
        let rig = &mut self.rig;
        let raw = *rig.plant().spec().raw();
        let wired = rig.wired();
        match kind {
            FaultKind::Far(fault) => rig.break_far(begins.then_some(fault)),
            FaultKind::Supply(fault) => rig.break_supply(begins.then_some(fault)),
            FaultKind::Thermometer(fault) => rig.break_thermometer(begins.then_some(fault)),
            FaultKind::MissedSample if begins => rig.miss_sample(),
            FaultKind::Stop => rig.set_contacts(begins, wired.guard_closed),
            FaultKind::Guard => rig.set_contacts(wired.stop, !begins),
            FaultKind::SupplyAir(gauge) => rig.set_supply_air(if begins { gauge } else { raw.regulator_set_pa }),
            FaultKind::PilotAir(gauge) => rig.set_pilot_air(if begins { gauge } else { raw.pilot_air_pa }),
            FaultKind::Jam => rig.jam(begins),
            FaultKind::SupplyStuck(state) => rig.stick(|s| s.supply = begins.then_some(state)),
            FaultKind::VentStuck(state) => rig.stick(|s| s.vent = begins.then_some(state)),
            FaultKind::Leak(path, leak) => rig.set_leak(path, if begins { leak } else { path.of(&raw) }),
            FaultKind::Room(kelvin) => rig.set_room(if begins { kelvin } else { raw.room_k }),
            FaultKind::Hand(mistake) => self.operator.set_slip(begins.then_some(mistake)),
            FaultKind::LinkDown => self.operator.set_link(!begins),
            FaultKind::ClockBack(ms) if begins => rig.set_clock_back(millis(ms)),
            FaultKind::MissedSample | FaultKind::ClockBack(_) => {}
        }
    }
}

impl FaultKind {
    /// Whether it requires a hand-operated valve.
    pub const fn of_lever(&self) -> bool {
        matches!(self, Self::Hand(mistake) if mistake.of_lever())
    }

    /// Whether it requires a rig with a thermometer.
    pub const fn of_thermometer(&self) -> bool {
        matches!(self, Self::Thermometer(_))
    }
}
