//! The plant behind the sequencer's [`Hardware`] trait.

use crate::channel_fault::{ChannelFault, ChannelFaultInjector};
use crate::config::LeakSpec;
use crate::leak_path::LeakPath;
use crate::network::Node;
use crate::noise::Stream;
use crate::operator::{Act, SimOperator};
use crate::plant::{Plant, Stuck, Truth};
use crate::scenario::Checked;
use crate::sensor::Channel;
use core::convert::Infallible;
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::field::Errors;
use seathold_sequencer::input::{Command, Contacts, Prompt, Sample, SensorFault, Side, Sides};
use seathold_sequencer::io::{Hardware, Operator};
use seathold_sequencer::output::Outputs;
use seathold_sequencer::poll_loop::PollRecord;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::time::{Duration, Instant};

/// Ball positions below this close the shut switch.
const SHUT_SWITCH: f64 = 0.02;

/// A simulated rig: plant, sensors, contacts and a clock advanced only by [`SimRig::advance`].
#[derive(Clone, Debug)]
pub struct SimRig {
    plant: Plant,
    far: Channel,
    supply: Option<Channel>,
    thermometer: Option<(Channel, bool)>,
    far_fault: ChannelFaultInjector,
    supply_fault: ChannelFaultInjector,
    thermometer_fault: ChannelFaultInjector,
    contacts: Contacts,
    now: u64,
    /// By how much the controller's clock is behind the plant's, µs.
    clock_behind: u64,
    stuck: Stuck,
    let_out: Option<f64>,
    /// The operator has the guard open.
    hand_in: bool,
    /// Retained by the controller over a reset.
    stop_kept: bool,
}

impl SimRig {
    /// A rig at rest with the sensors fitted by `rig`, read through its calibration.
    pub fn new(scenario: &Checked, rig: &RawRig, seed: u64) -> Self {
        Self {
            plant: Plant::new(&scenario.plant, seed),
            far: Channel::new(&scenario.far, rig.far, seed, Stream::Far),
            supply: rig.supply.map(|t| Channel::new(&scenario.supply, t, seed, Stream::Supply)),
            thermometer: rig.thermometer.map(|t| {
                let spec = &scenario.thermometer;
                (Channel::thermometer(spec, t, seed), spec.of_wall())
            }),
            far_fault: ChannelFaultInjector::SOUND,
            supply_fault: ChannelFaultInjector::SOUND,
            thermometer_fault: ChannelFaultInjector::SOUND,
            contacts: Contacts::CLEAR,
            now: 0,
            clock_behind: 0,
            stuck: Stuck::default(),
            let_out: None,
            hand_in: false,
            stop_kept: false,
        }
    }

    /// Advances time. Conversions due meanwhile are made; of several, the last is returned and the numbers of the
    /// others are missing, as on a rig that is record too slowly.
    pub fn advance(&mut self, by: Duration) {
        let until = self.now.saturating_add(by.as_ticks());
        let due = |channel: Option<&Channel>| channel.map_or(u64::MAX, Channel::due);
        loop {
            // In order of time, since the plant cannot go back.
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

    /// Mounts the valve with end B on the supply side, before the start.
    pub(crate) fn mount_second(&mut self) {
        let _ = self.plant.swap_ends(self.now);
    }

    /// Mounts the valve for this side, unless already so.
    pub fn mount(&mut self, side: Side) {
        if self.plant.side() != side {
            self.let_out = Some(self.plant.swap_ends(self.now));
        }
    }

    /// Applies the operator's actions due by now.
    pub fn apply_due_actions(&mut self, operator: &mut SimOperator) {
        // The operator's times are the controller's.
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

    /// Updates the hands after a poll, where a host sends the requests and only the hands of the operator are
    /// simulated.
    ///
    /// Levers are turned a delay after the prompt. Ends are swapped on the host's confirmation: a person at a desk
    /// confirms at any speed, and must not find the valve loose later.
    pub fn follow_host(&mut self, hands: &mut SimOperator, record: &PollRecord, phase: Phase) {
        for event in &record.events {
            match event {
                Event::Prompted(Prompt::SwapEnds) => hands.reach_in(record.at),
                // A confirmation that came too early is repeated by the host.
                Event::Refused(_) => {}
                event => hands.notify(record.at, event),
            }
        }
        match record.inputs.command {
            Some(Command::Confirm(Prompt::SwapEnds) | Command::Start(Sides::Second)) => self.mount(Side::Second),
            Some(Command::Start(_)) => self.mount(Side::First),
            _ => {}
        }
        // Commands are given by the host, not by the simulated operator.
        let _ = hands.command(record.at, phase);
    }

    /// Sets the wired contacts; the shut switch is the ball's own.
    pub fn set_contacts(&mut self, stop: bool, guard_closed: bool) {
        self.contacts.stop = stop;
        self.contacts.guard_closed = guard_closed;
    }

    /// Injects a fault into the far-side channel, or removes it.
    pub(crate) const fn break_far(&mut self, fault: Option<ChannelFault>) {
        self.far_fault.fault = fault;
    }

    /// Injects a fault into the supply-side channel, or removes it.
    pub(crate) const fn break_supply(&mut self, fault: Option<ChannelFault>) {
        self.supply_fault.fault = fault;
    }

    /// Injects a fault into the thermometer's channel, or removes it.
    pub(crate) const fn break_thermometer(&mut self, fault: Option<ChannelFault>) {
        self.thermometer_fault.fault = fault;
    }

    /// One far-side conversion is missed: its number is used up.
    pub(crate) fn miss_sample(&mut self) {
        self.far.miss_sample();
    }

    /// The regulator is set to, or shop air falls to, this gauge pressure, Pa.
    pub(crate) fn set_supply_air(&mut self, gauge: f64) {
        self.plant.set_supply_air(self.now, gauge);
    }

    /// The regulator is turned to this gauge pressure, Pa, and relieves what is above it in its hose.
    pub fn turn_regulator(&mut self, gauge: f64) {
        self.plant.turn_regulator(self.now, gauge);
    }

    /// A vessel of this volume, full of the room's air, is opened to the far side; with 0 the one that is there is shut off.
    ///
    /// # Errors
    /// Where the far side would be larger than it may be. Nothing has changed then.
    pub fn open_vessel(&mut self, volume_m3: f64) -> Result<(), Errors> {
        self.plant.open_vessel(self.now, volume_m3)
    }

    /// The shop air is shut off at the wall, and the lines are vented.
    pub fn shut_off_air(&mut self) {
        self.plant.shut_off_air(self.now);
    }

    /// The actuator's air changes to this gauge pressure, Pa.
    pub(crate) fn set_pilot_air(&mut self, gauge: f64) {
        self.plant.set_pilot_air(self.now, gauge);
    }

    /// The ball jams where it is, or is freed.
    pub fn jam(&mut self, jammed: bool) {
        self.plant.jam(self.now, jammed);
    }

    /// Changes which solenoid valves are stuck.
    pub(crate) fn stick(&mut self, change: impl FnOnce(&mut Stuck)) {
        change(&mut self.stuck);
        self.plant.set_stuck(self.now, self.stuck);
    }

    /// Which solenoid valves are stuck.
    pub const fn stuck(&self) -> Stuck {
        self.stuck
    }

    /// A place begins to leak this much, or is repaired.
    pub fn set_leak(&mut self, path: LeakPath, leak: LeakSpec) {
        self.plant.set_leak(self.now, path, leak);
    }

    /// The room's air is suddenly at this temperature, K.
    pub(crate) fn set_room(&mut self, kelvin: f64) {
        self.plant.set_room(self.now, kelvin);
    }

    /// The controller's clock jumps back by this much, permanently.
    pub(crate) const fn set_clock_back(&mut self, by: Duration) {
        self.clock_behind = self.clock_behind.saturating_add(by.as_ticks());
    }

    /// The controller's clock begins again at zero, as after a reset; the plant's goes on.
    pub const fn restart_clock(&mut self) {
        self.clock_behind = self.now;
    }

    /// The wired contacts, as last set.
    pub const fn wired(&self) -> Contacts {
        self.contacts
    }

    /// Retained by the controller over a reset: whether an emergency stop was latched.
    pub const fn stop_kept(&self) -> bool {
        self.stop_kept
    }

    /// The true state now.
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
        self.far_fault.pass(self.far.take().ok_or(nb::Error::WouldBlock))
    }

    fn supply(&mut self) -> nb::Result<Sample, SensorFault> {
        self.supply_fault.pass(self.supply.as_mut().and_then(Channel::take).ok_or(nb::Error::WouldBlock))
    }

    fn thermometer(&mut self) -> nb::Result<Sample, SensorFault> {
        let reading = self.thermometer.as_mut().and_then(|(channel, _)| channel.take());
        self.thermometer_fault.pass(reading.ok_or(nb::Error::WouldBlock))
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

    fn readback_mismatch(&mut self) -> bool {
        false
    }

    fn retain_stop(&mut self, stopped: bool) {
        self.stop_kept = stopped;
    }

    /// It has none: whoever runs it on a board has the board's.
    fn feed_watchdog(&mut self) {}
}
