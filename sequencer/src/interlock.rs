//! The final check of the outputs, whatever a phase commanded. Separate from the phases on purpose: a mistake there
//! must not reach a solenoid.

use crate::output::{GasValve, Outputs, Pilot};
use crate::time::{Duration, Instant};

/// Inputs of the interlock at one poll.
#[derive(Clone, Copy, Debug)]
pub(crate) struct InterlockInputs {
    pub(crate) now: Instant,
    /// The emergency stop is pressed.
    pub(crate) stop: bool,
    /// A guard is fitted and not closed.
    pub(crate) guard_open: bool,
    /// The far pressure is known, and neither side above its maximum.
    pub(crate) may_feed: bool,
    /// Either side is above its maximum.
    pub(crate) over: bool,
    /// The far side reads full: nobody's hand is in a full, connected valve.
    pub(crate) far_full: bool,
    pub(crate) changeover: Duration,
}

/// Its state: the outputs it allowed last, and when each side of the gas path was shut, by the low half of the clock:
/// once in 71 minutes it may wait for a changeover that is long over.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Interlock {
    last: Outputs,
    supply_shut: Option<u32>,
    vent_shut: Option<u32>,
}

impl Interlock {
    /// At rest for long enough that nothing is moving.
    pub(crate) const NEW: Self = Self { last: Outputs::REST, supply_shut: None, vent_shut: None };

    /// The outputs it allowed last.
    pub(crate) const fn last(&self) -> Outputs {
        self.last
    }

    /// The outputs allowed.
    ///
    /// - Emergency stop: everything at rest at once, as when power is lost. Supply and vent may then both be open in
    ///   passing, for as long as their springs take: into the silencer, as at a power cut.
    /// - Supply and vent never open together: the supply is shut.
    /// - Supply only while the far pressure is known, and neither side above its maximum.
    /// - Either opens only when the other has been shut for the changeover; but above the maximum the vent does not
    ///   wait.
    /// - With the guard open the pilot stays as it is, but for opening the valve into the vent under a far side that
    ///   reads full.
    pub(crate) fn allow(&mut self, commanded: Outputs, c: &InterlockInputs) -> Outputs {
        let now = c.now.as_ticks() as u32;
        let mut allowed = if c.stop { Outputs::REST } else { self.restrain(commanded, c) };
        if !c.stop {
            let waits =
                |shut: Option<u32>| shut.is_some_and(|at| u64::from(now.wrapping_sub(at)) < c.changeover.as_ticks());
            let supply_moving = self.last.supply == GasValve::Open || waits(self.supply_shut);
            let vent_moving = self.last.vent == GasValve::Open || waits(self.vent_shut);
            if allowed.vent == GasValve::Open && self.last.vent == GasValve::Shut && supply_moving && !c.over {
                allowed.vent = GasValve::Shut;
            }
            if allowed.supply == GasValve::Open && self.last.supply == GasValve::Shut && vent_moving {
                allowed.supply = GasValve::Shut;
            }
        }
        let shut = |was: GasValve, is: GasValve, at| {
            if was == GasValve::Open && is == GasValve::Shut { Some(now) } else { at }
        };
        self.supply_shut = shut(self.last.supply, allowed.supply, self.supply_shut);
        self.vent_shut = shut(self.last.vent, allowed.vent, self.vent_shut);
        self.last = allowed;
        allowed
    }

    fn restrain(&self, commanded: Outputs, c: &InterlockInputs) -> Outputs {
        let mut allowed = commanded;
        if allowed.supply_to_vent() {
            allowed.supply = GasValve::Shut;
        }
        if allowed.supply == GasValve::Open && !c.may_feed {
            allowed.supply = GasValve::Shut;
            allowed.vent = GasValve::Open;
        }
        let lets_out = allowed.pilot == Pilot::Fed && c.far_full;
        if c.guard_open && allowed.pilot != self.last.pilot && !lets_out {
            allowed.pilot = self.last.pilot;
        }
        allowed
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::millis;

    const GAS_VALVES: [GasValve; 2] = [GasValve::Shut, GasValve::Open];
    const BOTH: [bool; 2] = [false, true];

    fn outputs() -> impl Iterator<Item = Outputs> {
        let pilots = [Pilot::Exhausted, Pilot::Fed];
        GAS_VALVES.into_iter().flat_map(move |supply| {
            GAS_VALVES
                .into_iter()
                .flat_map(move |vent| pilots.into_iter().map(move |pilot| Outputs { supply, vent, pilot }))
        })
    }

    fn conditions(now_ms: u64) -> impl Iterator<Item = InterlockInputs> {
        (0..32u8).map(move |bits| {
            let on = |bit: u8| bits & (1 << bit) != 0;
            InterlockInputs {
                now: Instant::from_ticks(now_ms * 1_000),
                stop: on(0),
                guard_open: on(1),
                may_feed: on(2),
                over: on(3),
                far_full: on(4),
                changeover: millis(50),
            }
        })
    }

    /// Every pair of commanded outputs in every pair of conditions, at every interval that matters: few enough to try
    /// all.
    #[test]
    fn every_pair_of_polls_keeps_the_rules() {
        for (first, second) in outputs().flat_map(|a| outputs().map(move |b| (a, b))) {
            for before in conditions(1_000) {
                for gap in [0, 10, 49, 50, 60] {
                    for c in conditions(1_000 + gap) {
                        let mut interlock = Interlock::NEW;
                        let last = interlock.allow(first, &before);
                        let allowed = interlock.allow(second, &c);
                        assert!(!allowed.supply_to_vent());
                        assert!(!c.stop || allowed == Outputs::REST);
                        assert!(allowed.supply == GasValve::Shut || c.may_feed || c.stop);
                        // From supply to vent in one poll only by the stop, or to relieve.
                        let changed_over = last.supply == GasValve::Open && allowed.vent == GasValve::Open;
                        assert!(!changed_over || c.stop || c.over, "{last:?} {allowed:?} {c:?}");
                        assert!(!(last.vent == GasValve::Open && allowed.supply == GasValve::Open));
                        let moved = allowed.pilot != last.pilot && !c.stop;
                        let lets_out = allowed.pilot == Pilot::Fed && c.far_full;
                        assert!(!moved || !c.guard_open || lets_out);
                        // A repetition changes nothing.
                        assert_eq!(interlock.allow(second, &c), allowed);
                    }
                }
            }
        }
    }

    #[test]
    fn both_are_shut_for_the_changeover_in_both_directions() {
        for may in BOTH {
            let feed = Outputs { supply: GasValve::Open, vent: GasValve::Shut, pilot: Pilot::Fed };
            let at = |ms: u64| InterlockInputs {
                now: Instant::from_ticks(ms * 1_000),
                stop: false,
                guard_open: false,
                may_feed: true,
                over: false,
                far_full: may,
                changeover: millis(50),
            };
            let mut interlock = Interlock::NEW;
            let mut opened =
                |commanded, from: u64| (from..from + 200).find(|ms| interlock.allow(commanded, &at(*ms)) == commanded);
            assert_eq!(opened(feed, 1_000), Some(1_050));
            assert_eq!(opened(Outputs::OPEN_TO_VENT, 1_100), Some(1_150));
            // Above the maximum the vent does not wait.
            let mut interlock = Interlock { last: feed, ..Interlock::NEW };
            let over = InterlockInputs { over: true, may_feed: false, ..at(2_000) };
            assert_eq!(interlock.allow(Outputs::OPEN_TO_VENT, &over), Outputs::OPEN_TO_VENT);
        }
    }
}
