//! Faults in time: what goes wrong, when, and for how long.

use crate::bench::SimBench;
use crate::config::Path;
use crate::faulty::ChannelFault;
use crate::operator::Mistake;
use crate::spot::Spot;
use seathold_sequencer::event::Phase;
use seathold_sequencer::input::Side;
use seathold_sequencer::output::Gate;
use seathold_sequencer::time::{Duration, Instant, millis};

/// What goes wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
pub enum Mishap {
    /// The far-side transducer or its wire.
    Far(ChannelFault),
    /// The supply-side transducer or its wire.
    Supply(ChannelFault),
    /// The thermometer or its wire.
    Thermometer(ChannelFault),
    /// One far-side conversion goes missing.
    Slip,
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
    SupplyStuck(Gate),
    /// The vent valve stays like this.
    VentStuck(Gate),
    /// A place begins to leak this much, as the plant's own leaks are stated.
    Leak(Spot, Path),
    /// The room's air changes to this temperature at once, K.
    Room(f64),
    /// The operator makes this mistake wherever it can be made.
    Hand(Mistake),
    /// The operator cannot be reached.
    LinkDown,
    /// The controller's clock jumps back by so many milliseconds.
    ClockBack(u32),
}

/// When it begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum When {
    /// At a time of the plant.
    At(Duration),
    /// So long after a phase was entered, on one side or whichever comes first.
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
pub struct Fault {
    /// What.
    pub mishap: Mishap,
    /// From when.
    pub when: When,
    /// How long; for good if `None`.
    pub lasts: Option<Duration>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum State {
    Waiting,
    On(Instant),
    Over,
}

/// How many faults a run may have.
pub const FAULTS: usize = 8;

/// The faults of a run, in any order.
#[derive(Clone, Debug)]
pub struct Schedule {
    faults: [Option<(Fault, State)>; FAULTS],
    phase: Option<(Phase, Option<Side>, Instant)>,
}

impl Default for Schedule {
    fn default() -> Self {
        Self::EMPTY
    }
}

impl Schedule {
    /// Nothing goes wrong.
    pub const EMPTY: Self = Self { faults: [None; FAULTS], phase: None };

    /// Adds a fault; false when there is no room for it.
    #[must_use = "a fault that was not added will not happen"]
    pub fn add(&mut self, fault: Fault) -> bool {
        let Some(free) = self.faults.iter_mut().find(|f| f.is_none()) else {
            return false;
        };
        *free = Some((fault, State::Waiting));
        true
    }

    /// The next thing to begin (`true`) or end (`false`) by `now`; to be called until there is none.
    fn next(&mut self, now: Instant, phase: Phase, side: Option<Side>) -> Option<(Mishap, bool)> {
        if self.phase.is_none_or(|(p, s, _)| (p, s) != (phase, side)) {
            self.phase = Some((phase, side, now));
        }
        let entered = self.phase.map_or(now, |(.., at)| at);
        for (fault, state) in self.faults.iter_mut().flatten() {
            let due = match fault.when {
                When::At(at) => now.as_ticks() >= at.as_ticks(),
                When::In { phase: wanted, side: on, after } => {
                    wanted == phase && on.is_none_or(|s| Some(s) == side) && now >= entered + after
                }
            };
            match *state {
                State::Waiting if due => {
                    *state = State::On(now);
                    return Some((fault.mishap, true));
                }
                State::On(since) if fault.lasts.is_some_and(|lasts| now >= since + lasts) => {
                    *state = State::Over;
                    return Some((fault.mishap, false));
                }
                State::Waiting | State::On(_) | State::Over => {}
            }
        }
        None
    }
}

impl SimBench {
    /// Begins and ends what is due; the phase and side are the sequencer's.
    pub fn suffer(&mut self, now: Instant, phase: Phase, side: Option<Side>) {
        while let Some((mishap, begins)) = self.schedule.next(now, phase, side) {
            self.happen(mishap, begins);
        }
    }

    /// Something goes wrong, or is put right.
    pub fn happen(&mut self, mishap: Mishap, begins: bool) {
        let rig = &mut self.rig;
        let raw = *rig.plant().spec().raw();
        let wired = rig.wired();
        match mishap {
            Mishap::Far(fault) => rig.break_far(begins.then_some(fault)),
            Mishap::Supply(fault) => rig.break_supply(begins.then_some(fault)),
            Mishap::Thermometer(fault) => rig.break_thermometer(begins.then_some(fault)),
            Mishap::Slip if begins => rig.slip(),
            Mishap::Stop => rig.set_contacts(begins, wired.guard_closed),
            Mishap::Guard => rig.set_contacts(wired.stop, !begins),
            Mishap::SupplyAir(gauge) => rig.set_supply_air(if begins { gauge } else { raw.set_pa }),
            Mishap::PilotAir(gauge) => rig.set_pilot_air(if begins { gauge } else { raw.air_pa }),
            Mishap::Jam => rig.jam(begins),
            Mishap::SupplyStuck(gate) => rig.stick(|s| s.supply = begins.then_some(gate)),
            Mishap::VentStuck(gate) => rig.stick(|s| s.vent = begins.then_some(gate)),
            Mishap::Leak(spot, path) => rig.set_leak(spot, if begins { path } else { spot.of(&raw) }),
            Mishap::Room(kelvin) => rig.set_room(if begins { kelvin } else { raw.room_k }),
            Mishap::Hand(mistake) => self.operator.set_slip(begins.then_some(mistake)),
            Mishap::LinkDown => self.operator.set_link(!begins),
            Mishap::ClockBack(ms) if begins => rig.set_clock_back(millis(ms)),
            Mishap::Slip | Mishap::ClockBack(_) => {}
        }
    }
}

impl Mishap {
    /// Whether it can only happen to a valve that is worked by hand.
    pub const fn of_lever(&self) -> bool {
        matches!(self, Self::Hand(mistake) if mistake.of_lever())
    }

    /// Whether it can only happen on a rig that has a thermometer.
    pub const fn of_thermometer(&self) -> bool {
        matches!(self, Self::Thermometer(_))
    }
}
