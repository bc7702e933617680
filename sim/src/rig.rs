//! The plant behind the sequencer's [`Hardware`] trait.

use crate::config::Path;
use crate::faulty::{ChannelFault, Wire};
use crate::network::Node;
use crate::noise::Stream;
use crate::operator::{Act, SimOperator};
use crate::plant::{Plant, Stuck, Truth};
use crate::scenario::Checked;
use crate::sensor::Channel;
use crate::spot::Spot;
use core::convert::Infallible;
use seathold_sequencer::bench::Polled;
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Ask, Command, Contacts, Sample, SensorFault, Side, Sides};
use seathold_sequencer::io::{Hardware, Operator};
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
    thermometer: Option<(Channel, bool)>,
    far_wire: Wire,
    supply_wire: Wire,
    thermometer_wire: Wire,
    contacts: Contacts,
    now: u64,
    /// By how much the controller's clock is behind the plant's, µs.
    clock_behind: u64,
    stuck: Stuck,
    let_out: Option<f64>,
    /// The operator has the guard open.
    hand_in: bool,
    /// What the controller keeps over a reset.
    stop_kept: bool,
}

impl SimRig {
    /// A rig at rest with the sensors that `rig` says are fitted, read through its calibration.
    pub fn new(scenario: &Checked, rig: &RawRig, seed: u64) -> Self {
        Self {
            plant: Plant::new(&scenario.plant, seed),
            far: Channel::new(&scenario.far, rig.far, seed, Stream::Far),
            supply: rig.supply.map(|t| Channel::new(&scenario.supply, t, seed, Stream::Supply)),
            thermometer: rig.thermometer.map(|t| {
                let spec = &scenario.thermometer;
                (Channel::thermometer(spec, t, seed), spec.of_wall())
            }),
            far_wire: Wire::SOUND,
            supply_wire: Wire::SOUND,
            thermometer_wire: Wire::SOUND,
            contacts: Contacts::CLEAR,
            now: 0,
            clock_behind: 0,
            stuck: Stuck::default(),
            let_out: None,
            hand_in: false,
            stop_kept: false,
        }
    }

    /// Moves time on. Conversions that fall due are made on the way; of several, the last is handed over and the
    /// numbers of the others are missing, as on a rig that is polled too slowly.
    pub fn advance(&mut self, by: Duration) {
        let until = self.now.saturating_add(by.as_ticks());
        let due = |channel: Option<&Channel>| channel.map_or(u64::MAX, Channel::due);
        loop {
            // In the order of time, since the plant cannot go back.
            let (far, supply) = (self.far.due(), due(self.supply.as_ref()));
            let thermometer = due(self.thermometer.as_ref().map(|(t, _)| t));
            let at = far.min(supply).min(thermometer);
            if at > until {
                break;
            }
            self.plant.advance(at);
            if far == at {
                self.far.convert(self.plant.pressure(Node::Far, at) - self.plant.atmosphere());
            }
            if let (Some(channel), true) = (&mut self.supply, supply == at) {
                channel.convert(self.plant.pressure(Node::Line, at) - self.plant.atmosphere());
            }
            if let (Some((channel, of_wall)), true) = (&mut self.thermometer, thermometer == at) {
                channel.convert(self.plant.temperature(*of_wall, at));
            }
        }
        self.now = until;
    }

    /// Puts the valve on with end B on the supply side, before anything begins.
    pub fn mount_second(&mut self) {
        let _ = self.plant.swap_ends(self.now);
    }

    /// Puts the valve on for this side, where it is not on so already.
    pub fn mount(&mut self, side: Side) {
        if self.plant.side() != side {
            self.let_out = Some(self.plant.swap_ends(self.now));
        }
    }

    /// Does what the operator's hands do by now.
    pub fn obey(&mut self, operator: &mut SimOperator) {
        // The operator was told the controller's time.
        let now = Instant::from_ticks(self.now.saturating_sub(self.clock_behind));
        while let Some(act) = operator.act(now) {
            match act {
                Act::Lever(to) => self.plant.turn_lever(self.now, to),
                Act::SwapEnds => self.let_out = Some(self.plant.swap_ends(self.now)),
                Act::Bleed => self.plant.bleed(self.now),
                Act::Guard { closed } => self.hand_in = !closed,
            }
        }
    }

    /// What the hands are told after a poll, where a host gives the orders and of the person only the hands are used.
    ///
    /// Levers are turned a while after they are asked. Ends are swapped when the host says so: a person at a desk confirms
    /// as fast as they like, and must not find the valve loose later.
    pub fn follow_host(&mut self, hands: &mut SimOperator, polled: &Polled, phase: Phase) {
        for event in &polled.events {
            match event {
                Event::Asked(Ask::SwapEnds) => hands.reach_in(polled.at),
                // What the host said too early, the host says again.
                Event::Refused(_) => {}
                event => hands.tell(polled.at, event),
            }
        }
        match polled.inputs.command {
            Some(Command::Confirm(Ask::SwapEnds) | Command::Start(Sides::Second)) => self.mount(Side::Second),
            Some(Command::Start(_)) => self.mount(Side::First),
            _ => {}
        }
        // What the hands would say is the host's to say.
        let _ = hands.command(polled.at, phase);
    }

    /// Sets the wired contacts; the shut switch is the ball's own.
    pub fn set_contacts(&mut self, stop: bool, guard_closed: bool) {
        self.contacts.stop = stop;
        self.contacts.guard_closed = guard_closed;
    }

    /// Breaks the far-side channel, or mends it.
    pub const fn break_far(&mut self, fault: Option<ChannelFault>) {
        self.far_wire.fault = fault;
    }

    /// Breaks the supply-side channel, or mends it.
    pub const fn break_supply(&mut self, fault: Option<ChannelFault>) {
        self.supply_wire.fault = fault;
    }

    /// Breaks the thermometer's channel, or mends it.
    pub const fn break_thermometer(&mut self, fault: Option<ChannelFault>) {
        self.thermometer_wire.fault = fault;
    }

    /// One far-side conversion goes missing on the way: its number is used up.
    pub fn slip(&mut self) {
        self.far.slip();
    }

    /// The regulator is set to, or shop air falls to, this gauge pressure, Pa.
    pub fn set_supply_air(&mut self, gauge: f64) {
        self.plant.set_supply_air(self.now, gauge);
    }

    /// The shop air is shut off at the wall, and what stands in the lines is let out.
    pub fn shut_off_air(&mut self) {
        self.plant.shut_off_air(self.now);
    }

    /// The actuator's air changes to this gauge pressure, Pa.
    pub fn set_pilot_air(&mut self, gauge: f64) {
        self.plant.set_pilot_air(self.now, gauge);
    }

    /// The ball jams where it is, or is freed.
    pub fn jam(&mut self, jammed: bool) {
        self.plant.jam(self.now, jammed);
    }

    /// Changes which solenoid valves are stuck.
    pub fn stick(&mut self, change: impl FnOnce(&mut Stuck)) {
        change(&mut self.stuck);
        self.plant.set_stuck(self.now, self.stuck);
    }

    /// Which solenoid valves are stuck.
    pub const fn stuck(&self) -> Stuck {
        self.stuck
    }

    /// A place begins to leak this much, or is put right again.
    pub fn set_leak(&mut self, spot: Spot, path: Path) {
        self.plant.set_leak(self.now, spot, path);
    }

    /// The room's air is suddenly at this temperature, K.
    pub fn set_room(&mut self, kelvin: f64) {
        self.plant.set_room(self.now, kelvin);
    }

    /// The controller's clock jumps back by this much, for good.
    pub const fn set_clock_back(&mut self, by: Duration) {
        self.clock_behind = self.clock_behind.saturating_add(by.as_ticks());
    }

    /// The wired contacts, as last set.
    pub const fn wired(&self) -> Contacts {
        self.contacts
    }

    /// What the controller kept over a reset: whether an emergency stop was latched.
    pub const fn stop_kept(&self) -> bool {
        self.stop_kept
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
        Instant::from_ticks(self.now.saturating_sub(self.clock_behind))
    }

    fn far(&mut self) -> nb::Result<Sample, SensorFault> {
        self.far_wire.pass(self.far.take().ok_or(nb::Error::WouldBlock))
    }

    fn supply(&mut self) -> nb::Result<Sample, SensorFault> {
        self.supply_wire.pass(self.supply.as_mut().and_then(Channel::take).ok_or(nb::Error::WouldBlock))
    }

    fn thermometer(&mut self) -> nb::Result<Sample, SensorFault> {
        let reading = self.thermometer.as_mut().and_then(|(channel, _)| channel.take());
        self.thermometer_wire.pass(reading.ok_or(nb::Error::WouldBlock))
    }

    fn contacts(&mut self) -> Contacts {
        Contacts {
            guard_closed: self.contacts.guard_closed && !self.hand_in,
            valve_shut: self.plant.ball(self.now) < SHUT_SWITCH,
            ..self.contacts
        }
    }

    fn apply(&mut self, outputs: Outputs) -> Result<(), Infallible> {
        self.plant.set(self.now, outputs);
        Ok(())
    }

    fn outputs_differ(&mut self) -> bool {
        false
    }

    fn retain_stop(&mut self, stopped: bool) {
        self.stop_kept = stopped;
    }
}
