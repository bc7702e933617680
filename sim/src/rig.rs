//! The plant behind the sequencer's [`Hardware`] trait.

use crate::network::Node;
use crate::noise::Stream;
use crate::operator::{Act, SimOperator};
use crate::plant::{Plant, Truth};
use crate::scenario::Checked;
use crate::sensor::Channel;
use core::convert::Infallible;
use seathold_sequencer::input::{Contacts, Sample, SensorFault};
use seathold_sequencer::io::Hardware;
use seathold_sequencer::output::Outputs;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::time::{Duration, Instant};

/// Ball positions below this make the shut switch.
const SHUT_SWITCH: f64 = 0.02;

/// A simulated rig: plant, sensors, contacts and a clock that only [`SimRig::advance`] moves.
#[derive(Clone, Debug)]
pub struct SimRig {
    plant: Plant,
    far: Channel,
    supply: Option<Channel>,
    contacts: Contacts,
    now: u64,
    let_out: Option<f64>,
}

impl SimRig {
    /// A rig at rest with the sensors that `rig` says are fitted, read through its calibration.
    pub fn new(scenario: &Checked, rig: &RawRig, seed: u64) -> Self {
        Self {
            plant: Plant::new(&scenario.plant, seed),
            far: Channel::new(&scenario.far, rig.far, seed, Stream::Far),
            supply: rig.supply.map(|t| Channel::new(&scenario.supply, t, seed, Stream::Supply)),
            contacts: Contacts::CLEAR,
            now: 0,
            let_out: None,
        }
    }

    /// Moves time on. Conversions that fall due are made on the way; of several, the last is handed over and the
    /// numbers of the others are missing, as on a rig that is polled too slowly.
    pub fn advance(&mut self, by: Duration) {
        self.now = self.now.saturating_add(by.as_ticks());
        while self.far.due() <= self.now {
            let at = self.far.due();
            self.plant.advance(at);
            self.far.convert(self.plant.pressure(Node::Far, at) - self.plant.atmosphere());
            if let Some(supply) = &mut self.supply
                && supply.due() == at
            {
                supply.convert(self.plant.pressure(Node::Line, at) - self.plant.atmosphere());
            }
        }
        if let Some(supply) = &mut self.supply {
            while supply.due() <= self.now {
                let at = supply.due();
                self.plant.advance(at);
                supply.convert(self.plant.pressure(Node::Line, at) - self.plant.atmosphere());
            }
        }
    }

    /// Puts the valve on with end B on the supply side, before anything begins.
    pub fn mount_second(&mut self) {
        let _ = self.plant.swap_ends(self.now);
    }

    /// Does what the operator's hands do by now.
    pub fn obey(&mut self, operator: &mut SimOperator) {
        while let Some(act) = operator.act(Instant::from_ticks(self.now)) {
            match act {
                Act::Lever(to) => self.plant.turn_lever(self.now, to),
                Act::SwapEnds => self.let_out = Some(self.plant.swap_ends(self.now)),
            }
        }
    }

    /// Sets the wired contacts; the shut switch is the ball's own.
    pub fn set_contacts(&mut self, stop: bool, guard_closed: bool) {
        self.contacts.stop = stop;
        self.contacts.guard_closed = guard_closed;
    }

    /// What is true now.
    pub fn truth(&mut self) -> Truth {
        self.plant.advance(self.now);
        self.plant.truth(self.now)
    }

    /// Gauge pressure of the far side as a fitting was last loosened, Pa.
    pub const fn let_out(&self) -> Option<f64> {
        self.let_out
    }

    /// The plant, for checks.
    pub const fn plant(&self) -> &Plant {
        &self.plant
    }
}

impl Hardware for SimRig {
    type Error = Infallible;

    fn now(&mut self) -> Instant {
        Instant::from_ticks(self.now)
    }

    fn far(&mut self) -> nb::Result<Sample, SensorFault> {
        self.far.take().ok_or(nb::Error::WouldBlock)
    }

    fn supply(&mut self) -> nb::Result<Sample, SensorFault> {
        self.supply.as_mut().and_then(Channel::take).ok_or(nb::Error::WouldBlock)
    }

    fn contacts(&mut self) -> Contacts {
        Contacts { valve_shut: self.plant.ball(self.now) < SHUT_SWITCH, ..self.contacts }
    }

    fn apply(&mut self, outputs: Outputs) -> Result<(), Infallible> {
        self.plant.set(self.now, outputs);
        Ok(())
    }
}
