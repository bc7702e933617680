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
