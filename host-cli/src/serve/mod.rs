//! A simulated rig with a controller in front of it, served to a host over the link: what the controller images do, in
//! a process.
//!
//! The controller's side is the sequencer's own ([`link::serve`](seathold_sequencer::link::serve)), so a host cannot
//! tell the difference but by the welcome, which says that the rig is simulated.

mod at_rig;
mod flash;
mod hands;
mod listener;
mod open;
mod pace;
#[cfg(unix)]
mod pty;
mod tcp;

pub use at_rig::CommandSource;
pub use flash::SimFlash;
pub use hands::{HELP, HandWork, Hands};
pub use listener::{Listener, ListenerEvent};
pub use open::{open_pty, open_tcp};
pub use pace::PollPacer;

use seathold_sequencer::event::Phase;
use seathold_sequencer::io::{Hardware, Operator};
use seathold_sequencer::link::controller::Controller;
use seathold_sequencer::link::frame::Frame;
use seathold_sequencer::link::key::Key;
use seathold_sequencer::link::message::{Capabilities, Record};
use seathold_sequencer::link::rig_keeper::{RigKeeper, WithoutRig};
use seathold_sequencer::link::serve;
use seathold_sequencer::link::start_button::StartButton;
use seathold_sequencer::output::Outputs;
use seathold_sequencer::poll_loop::{self, PollRecord};
use seathold_sequencer::recipe::Recipe;
use seathold_sequencer::rig::Rig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::store::Store;
use seathold_sequencer::time::Instant;
use seathold_sim::bench::SimBench;

use at_rig::AtRig;

/// Bytes for records that the host does not have yet: a quarter of an hour at 100 polls a second.
pub const STORE: usize = 256 * 1024;

/// Controller and rig.
#[derive(Debug)]
pub struct ServedRig {
    sequencer: Sequencer,
    bench: SimBench,
    link: Box<Controller<STORE>>,
    /// The rig that is loaded over the line.
    keeper: Option<RigKeeper<Store<SimFlash>>>,
    /// What is compiled in, for the next reset.
    compiled_in: (Rig, WithoutRig),
    key: Option<Key>,
    record: PollRecord,
    frame: Frame,
    /// How much of `frame` has gone out.
    sent: usize,
    commands_from: CommandSource,
    /// The host has aborted.
    aborted: bool,
    start_button: StartButton,
}

impl ServedRig {
    /// A controller just switched on, with `bench` behind it. Of its operator only the hands are used: the
    /// host sends the commands.
    pub fn new(rig: Rig, bench: SimBench) -> Self {
        Self {
            sequencer: Sequencer::new(rig, None),
            bench,
            link: link(false),
            keeper: None,
            compiled_in: (rig, WithoutRig::CompiledIn),
            key: None,
            record: PollRecord::empty(),
            frame: Frame::new(),
            sent: 0,
            commands_from: CommandSource::Host,
            aborted: false,
            start_button: StartButton::default(),
        }
    }

    /// A controller that a rig can be loaded into, and `rig` compiled in. With a file for its memory it begins no run without
    /// one loaded; without, what is loaded is gone with the program.
    pub fn with_rig_memory(rig: Rig, bench: SimBench, flash: SimFlash, without: WithoutRig) -> Self {
        let keeper = flash.store().map(|store| RigKeeper::new(rig, without, store));
        let in_force = keeper.as_ref().map_or(rig, RigKeeper::rig);
        Self { link: link(true), keeper, compiled_in: (rig, without), ..Self::new(in_force, bench) }
    }

    /// A controller just switched on with its recipe in it, and someone at the rig to work it.
    pub fn with_recipe(rig: Rig, recipe: Recipe, bench: SimBench, commands_from: CommandSource) -> Self {
        let mut served = Self { commands_from, ..Self::new(rig, bench) };
        served.sequencer = Sequencer::new(rig, Some(recipe));
        served.link.keep(&Record::RecipeLoaded(*recipe.raw()));
        served
    }

    /// Takes commands only under this key.
    pub fn with_key(mut self, key: Key, entropy: [u8; 16]) -> Self {
        self.link.set_key(key.clone(), entropy);
        self.key = Some(key);
        self
    }

    /// The controller loses its supply and has it back at once. Every output falls to rest, what was in memory is gone; the rig
    /// behind it, and what is trapped there, stays as it is.
    pub fn reset(&mut self, entropy: [u8; 16]) {
        match self.bench.rig.apply(Outputs::REST) {
            Ok(()) => {}
            Err(never) => match never {},
        }
        self.bench.rig.restart_clock();
        let (rig, without) = self.compiled_in;
        self.keeper = self.keeper.take().map(|keeper| RigKeeper::new(rig, without, keeper.into_storage()));
        let in_force = self.keeper.as_ref().map_or(rig, RigKeeper::rig);
        self.sequencer = Sequencer::resume(in_force, None, self.bench.rig.stop_kept());
        self.link = link(self.keeper.is_some());
        if let Some(key) = &self.key {
            self.link.set_key(key.clone(), entropy);
        }
        self.frame.clear();
        (self.sent, self.aborted) = (0, false);
        self.start_button = StartButton::default();
    }

    /// Somebody presses the start button, and lets go of it.
    pub fn press_start(&mut self) {
        for closed in [false, true] {
            self.link.set_presses(self.start_button.update(closed));
        }
    }

    /// The sequencer.
    pub const fn sequencer(&self) -> &Sequencer {
        &self.sequencer
    }

    /// The rig.
    pub const fn bench(&mut self) -> &mut SimBench {
        &mut self.bench
    }

    /// Time between polls on the rig's clock.
    pub const fn period(&self) -> std::time::Duration {
        std::time::Duration::from_micros(self.bench.period.as_ticks())
    }

    /// Whether a host is there.
    pub fn has_host(&self) -> bool {
        self.link.is_up()
    }

    /// Whether as many records are unacknowledged as may be in transit.
    pub fn is_ahead(&self) -> bool {
        self.link.behind() >= seathold_sequencer::link::controller::WINDOW
    }

    /// Whether it waits for a person.
    pub fn waits(&self) -> bool {
        matches!(
            self.sequencer.phase(),
            Phase::Ready | Phase::Swap | Phase::Trapped | Phase::EmergencyStopped | Phase::Fault
        )
    }

    /// Detects on the wall clock that a host has gone silent, between polls.
    pub fn tick(&mut self, wall: Instant) {
        self.link.tick(wall);
    }

    /// Another host has connected: partial frames are dropped, both ways.
    pub fn greet(&mut self, wall: Instant) {
        self.frame.clear();
        self.sent = 0;
        self.link.receive(wall, 0);
    }

    /// A fault can cut the operator off. Where that is the host, bytes go nowhere, either way.
    fn is_cut(&mut self) -> bool {
        self.commands_from == CommandSource::Host && !self.bench.operator.link_up()
    }

    /// Receives what has come and sends what is due, as much as the transport takes; true if there was any.
    pub fn talk(&mut self, wall: Instant, line: &mut dyn Listener) -> bool {
        let mut room = [0; 1024];
        let mut came = 0;
        loop {
            let n = line.read(&mut room);
            came += n;
            if !self.is_cut() {
                room[..n].iter().for_each(|&byte| self.link.receive(wall, byte));
            }
            if n < room.len() {
                break;
            }
        }
        if self.is_cut() {
            return came > 0;
        }
        let mut gone = 0;
        loop {
            if self.sent == self.frame.len() {
                self.frame.clear();
                self.sent = 0;
                if !self.link.transmit(wall, &mut self.frame) {
                    break;
                }
            }
            match line.write(&self.frame[self.sent..]) {
                0 => break,
                n => {
                    self.sent += n;
                    gone += n;
                }
            }
        }
        came + gone > 0
    }

    /// One poll, and the time until the next passes on the rig.
    pub fn turn(&mut self, wall: Instant) -> PollRecord {
        let Self { sequencer, bench, link, keeper, record, commands_from, aborted, .. } = self;
        let polled = match (*commands_from, keeper) {
            (CommandSource::Host, Some(keeper)) => {
                serve::service_with(link.as_mut(), wall, sequencer, &mut bench.rig, record, keeper)
            }
            (CommandSource::Host, None) => serve::service(link.as_mut(), wall, sequencer, &mut bench.rig, record),
            (source, _) => {
                serve::handle_request(link.as_mut(), wall, sequencer, &mut bench.rig);
                let hands_only = source == CommandSource::Hands;
                let mut operator = AtRig { person: &mut bench.operator, link: link.as_mut(), hands_only, aborted };
                poll_loop::poll_into(sequencer, &mut bench.rig, &mut operator, record).map(|()| link.record(record))
            }
        };
        match polled {
            Ok(()) => {}
            Err(never) => match never {},
        };
        let status = sequencer.status();
        if *commands_from == CommandSource::Host {
            bench.rig.follow_host(&mut bench.operator, record, status.phase);
        }
        bench.apply_due_faults(record.at, status.phase, status.side);
        bench.rig.apply_due_actions(&mut bench.operator);
        bench.rig.advance(bench.period);
        record.clone()
    }
}

fn link(rig_memory: bool) -> Box<Controller<STORE>> {
    let capabilities = Capabilities { simulated: true, single_outputs: true, rig_memory, ..Capabilities::default() };
    let mut link = Box::new(Controller::new(capabilities));
    link.set_presses(0);
    link
}
