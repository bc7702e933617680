//! Start-up: after a reset or a new recipe everything stays at rest while the far side is read.
//!
//! Whoever switched the bench on, or pressed reset, may have a hand in the ball, so nothing moves before it is known
//! whether the valve is full. Full for the dwell → safe vent at once: nobody's hand is in a full, connected valve, and
//! a spring-return valve that lost its power traps what is behind it. Empty for the dwell → ready, with nothing proved.
//! Neither in time → a fault, latched at rest: only an acknowledgement moves anything.

use super::Next;
use crate::channel::Channel;
use crate::dwell::Dwell;
use crate::event::{Fault, Phase};
use crate::input::ChannelState;
use crate::rig::Rig;
use crate::time::{Duration, Instant, millis};

#[derive(Clone, Copy, Debug)]
pub(crate) struct StartUp {
    full: Dwell,
    empty: Dwell,
}

/// Two dwells, and time for a transducer to wake.
pub(crate) fn limit(rig: &Rig) -> Duration {
    Duration::from_ticks(2 * rig.safe_dwell().as_ticks() + millis(1_000).as_ticks())
}

impl StartUp {
    pub(crate) const NEW: Self = Self { full: Dwell::NONE, empty: Dwell::NONE };

    pub(crate) fn restart_dwell(&mut self) {
        *self = Self::NEW;
    }

    pub(crate) fn poll(&mut self, far: &Channel, rig: &Rig, now: Instant, spent: Duration) -> Next {
        let safe = rig.safe_limit();
        let fresh = far.fresh().is_some();
        self.full.note(far.reads_full(safe), fresh, now);
        self.empty.note(far.reads_empty(safe), fresh, now);
        if self.full.lasted(rig.safe_dwell()) {
            Next::Go(Phase::SafeVent)
        } else if self.empty.lasted(rig.safe_dwell()) {
            Next::Rest
        } else if spent < limit(rig) {
            Next::Stay
        } else if matches!(far.state(), ChannelState::Pressure(_)) {
            Next::Fault(Fault::Implausible)
        } else {
            Next::Fault(Fault::FarSensor)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::bench::{Bench, at};
    use super::*;

    fn poll(start_up: &mut StartUp, bench: &Bench, us: u64) -> Next {
        start_up.poll(&bench.far, &bench.rig, at(us), Duration::from_ticks(us))
    }

    /// The dwell is a second: with a break in it, it begins anew, full or empty.
    #[test]
    fn an_interrupted_dwell_begins_anew() {
        for (pa, expected) in [(600_000, Next::Go(Phase::SafeVent)), (0, Next::Rest)] {
            let (mut start_up, mut bench) = (StartUp::NEW, Bench::default());
            for ms in (0..1_900).step_by(10) {
                if ms == 900 {
                    start_up.restart_dwell();
                }
                bench.read(ms * 1_000, pa, 0);
                assert_eq!(poll(&mut start_up, &bench, ms * 1_000), Next::Stay, "{pa} Pa at {ms} ms");
            }
            bench.read(1_900_000, pa, 0);
            assert_eq!(poll(&mut start_up, &bench, 1_900_000), expected, "{pa} Pa");
        }
    }

    #[test]
    fn a_far_side_that_is_not_read_is_a_fault_after_two_dwells_and_a_second() {
        let (mut start_up, bench) = (StartUp::NEW, Bench::default());
        assert_eq!(poll(&mut start_up, &bench, 2_999_999), Next::Stay);
        assert_eq!(poll(&mut start_up, &bench, 3_000_000), Next::Fault(Fault::FarSensor));
    }
}
