//! The whole controller in the emulator, its simulated rig on it, talked to over a socket by the host's end of the link.
//!
//! Needs the image built (with `SEATHOLD_SPEED=20`, which the check list does) and an emulator: `.ci/run on-target`.
//! The one test here that waits for a wall clock: what it waits for is another program.

use crate::emulator_kit::{self, Emulator, PATIENCE, connect, free_port, image};
use seathold_on_target::trace::Noise;
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Command, Prompt, Sides};
use seathold_sequencer::link::frame::Frame;
use seathold_sequencer::link::host::{Host, HostEvent};
use seathold_sequencer::link::message::{Request, Response};
use seathold_sequencer::link::polls::{Poll, Polls};
use seathold_sequencer::output::Outputs;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::Instant;
use seathold_sequencer::verdict::Verdict;
use std::collections::VecDeque;
use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant as Wall};

fn switch_on(port: u16) -> Emulator {
    emulator_kit::switch_on(&image(), port)
}

/// The host: one connection after another, and what it came to know.
struct Desk {
    host: Host,
    stream: TcpStream,
    from: Wall,
    seed: Noise,
    to_do: VecDeque<Request>,
    given: Option<Request>,
    began: bool,
    restarts: u32,
    polls: Vec<Poll>,
    events: Vec<(Instant, Event)>,
    gaps: u32,
}

const RECIPE: RawRecipe = RawRecipe { soak_ms: 8_000, settle_ms: 5_000, measure_ms_max: 30_000, ..RawRecipe::DEMO };

impl Desk {
    fn new(port: u16, seed: u32) -> Self {
        let mut seed = Noise::new(seed);
        Self {
            host: Host::new(seed.word()),
            stream: connect(port),
            from: Wall::now(),
            seed,
            to_do: VecDeque::from([Request::LoadRecipe(RECIPE), Request::Operate(Command::Start(Sides::Both))]),
            given: None,
            began: false,
            restarts: 0,
            polls: Vec::new(),
            events: Vec::new(),
            gaps: 0,
        }
    }

    fn reconnect(&mut self, port: u16) {
        self.stream = connect(port);
        self.to_do.extend(self.host.reconnect(self.seed.word(), 0));
    }

    fn phase(&self) -> Option<Phase> {
        self.events
            .iter()
            .rev()
            .find_map(|(_, e)| if let Event::Entered { phase, .. } = e { Some(*phase) } else { None })
    }

    /// Whether this phase has begun, be it over already: a short one comes and goes between two looks of a busy machine.
    fn has_seen(&self, wanted: Phase) -> bool {
        self.events.iter().any(|(_, e)| matches!(e, Event::Entered { phase, .. } if *phase == wanted))
    }

    fn work(&mut self) {
        let mut room = [0; 512];
        match self.stream.read(&mut room) {
            Ok(0) => return,
            Ok(n) => room[..n].iter().for_each(|&byte| self.take(byte)),
            Err(e) if e.kind() == ErrorKind::WouldBlock => std::thread::sleep(Duration::from_millis(1)),
            Err(_) => return,
        }
        let ready = self.began && self.phase() == Some(Phase::Ready);
        let may = !matches!(self.to_do.front(), Some(Request::Operate(Command::Start(_)))) || ready;
        if may
            && let Some(order) = self.to_do.front().cloned()
            && self.host.request(order).is_ok()
        {
            self.given = self.to_do.pop_front();
        }
        let mut frame = Frame::new();
        let now = Instant::from_ticks(self.from.elapsed().as_micros() as u64);
        while self.host.transmit(now, &mut frame) {
            let _ = self.stream.write_all(&frame);
        }
    }

    fn take(&mut self, byte: u8) {
        match self.host.receive(byte) {
            Some(HostEvent::RigChanged { .. }) => panic!("nobody has changed it"),
            Some(HostEvent::Connected { restarted, welcome }) => {
                assert!(welcome.capabilities.simulated);
                self.restarts += u32::from(restarted);
            }
            Some(HostEvent::RecipeLoaded(recipe)) => {
                assert_eq!(recipe, RECIPE);
                self.began = true;
                self.polls.clear();
                self.events.clear();
            }
            Some(HostEvent::Polls(series)) => self.polls.extend(Polls::new(series)),
            Some(HostEvent::Event { at, event }) => {
                match event {
                    Event::Prompted(ask) => self.to_do.push_back(Request::Operate(Command::Confirm(ask))),
                    // Said before the simulated hands were out of the guard: said again.
                    Event::Refused(r) if r.guard_open || r.guard_not_opened => {
                        self.to_do.push_back(Request::Operate(Command::Confirm(Prompt::SwapEnds)));
                    }
                    _ => {}
                }
                self.events.push((at, event));
            }
            Some(HostEvent::Gap { .. }) => self.gaps += 1,
            Some(HostEvent::Response(Response::Busy)) => {
                self.to_do.extend(self.given.clone());
                self.to_do.rotate_right(1);
            }
            Some(HostEvent::Response(answer)) => assert_eq!(answer, Response::Done),
            Some(other @ (HostEvent::OtherVersion(_) | HostEvent::NoKey | HostEvent::Unreadable { .. })) => {
                panic!("{other:?}")
            }
            Some(HostEvent::TimeSet { .. } | HostEvent::StartPressed) | None => {}
        }
    }

    fn until(&mut self, what: &str, mut done: impl FnMut(&Self) -> bool) {
        let until = Wall::now() + PATIENCE;
        while !done(self) {
            assert!(Wall::now() < until, "{what} did not come; phase {:?}, {} polls", self.phase(), self.polls.len());
            self.work();
        }
    }

    /// Judges the polls that came again, here: same outputs, same events, same verdict, to the last bit.
    fn replays(&self) {
        let rig = RawRig::DEMO.validate().unwrap();
        let mut sequencer = Sequencer::new(rig, Some(RECIPE.validate(&rig).unwrap()));
        let mut events = Vec::new();
        for poll in &self.polls {
            let step = sequencer.step(poll.at, &poll.inputs);
            assert_eq!(step.outputs, poll.outputs, "at {}", poll.at.as_ticks());
            events.extend(step.events.iter().map(|e| (poll.at, e.clone())));
        }
        let last = self.polls.last().unwrap().at;
        let came: Vec<_> = self.events.iter().filter(|(at, _)| *at <= last).cloned().collect();
        assert_eq!(events, came);
    }
}

#[test]
#[ignore = "needs built images and an emulator: .ci/run on-target"]
fn a_run_over_the_socket_replays_here_to_the_same_bits() {
    let port = free_port();
    let _emulator = switch_on(port);
    let mut desk = Desk::new(port, 21);
    let proved = |d: &Desk| d.events.iter().any(|(_, e)| matches!(e, Event::RunFinished { .. }));
    // The host goes away in the middle and comes back.
    desk.until("the measurement", |d| d.phase() == Some(Phase::Measure));
    desk.reconnect(port);
    desk.until("a verdict", proved);
    assert!(
        desk.events.iter().any(|(_, e)| matches!(e, Event::RunFinished { verdict: Verdict::Tight, .. })),
        "{:#?}",
        desk.events
    );
    assert_eq!((desk.gaps, desk.restarts), (0, 0));
    desk.replays();
    println!("{} polls, {} events", desk.polls.len(), desk.events.len());
}

#[test]
#[ignore = "needs built images and an emulator: .ci/run on-target"]
fn killed_in_any_phase_it_comes_back_at_rest_and_moves_nothing() {
    for phase in [Phase::Fill, Phase::Soak, Phase::Isolate, Phase::Vent, Phase::Settle, Phase::Measure] {
        let port = free_port();
        let emulator = switch_on(port);
        let mut desk = Desk::new(port, 30 + phase as u32);
        desk.until("the phase", |d| d.has_seen(phase));
        drop(emulator);
        let _again = switch_on(port);
        desk.began = false;
        desk.events.clear();
        desk.polls.clear();
        desk.to_do.clear();
        desk.reconnect(port);
        desk.until("the restart", |d| d.restarts == 1);
        desk.until("the end of the look", |d| d.phase() == Some(Phase::Ready));
        assert_eq!(desk.gaps, 0, "killed in {phase:?}");
        // From the first poll after power-up to ready: it looks, finds the rig, which began anew with it, empty, and moves
        // nothing.
        assert!(desk.polls.iter().all(|p| p.outputs == Outputs::REST), "killed in {phase:?}");
        assert!(desk.events.iter().any(|(_, e)| matches!(e, Event::Entered { phase: Phase::StartUp, .. })));
    }
}
