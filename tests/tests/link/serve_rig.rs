//! `seathold serve` talked to by the host's end of the link, over a socket and a pseudo-terminal: the run is the one
//! that the same rig gives in this process, poll for poll and bit for bit.
//!
//! What is waited for here is another thread; what is proved is what it said.

use std::collections::VecDeque;
use std::io::{self, ErrorKind, Read, Write};
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant as Wall};

use seathold::console::Console;
use seathold::console::SystemClock;
use seathold::environment::Environment;
use seathold_on_target::trace::Noise;
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Command, Prompt, Sides};
use seathold_sequencer::io::Operator;
use seathold_sequencer::link::frame::Frame;
use seathold_sequencer::link::host::{Host, HostEvent};
use seathold_sequencer::link::message::{Request, Response};
use seathold_sequencer::link::polls::{Poll, Polls};
use seathold_sequencer::poll_loop;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::Instant;
use seathold_sequencer::verdict::Verdict;
use seathold_sim::bench::SimBench;
use seathold_sim::scenario;
use seathold_tests::cli_kit::Silent;

/// Longest any one thing may take on a busy machine.
const PATIENCE: Duration = Duration::from_secs(90);

/// Short, so that a debug build is through in a second.
const RECIPE: RawRecipe =
    RawRecipe { soak_ms: 8_000, settle_ms: 5_000, measure_ms_min: 5_000, measure_ms_max: 40_000, ..RawRecipe::DEMO };

struct Lines(Sender<u8>);

impl Write for Lines {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        for &byte in bytes {
            // Nobody may be listening any more.
            let _ = self.0.send(byte);
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn line(from: &Receiver<u8>) -> String {
    let mut text = Vec::new();
    while let Ok(byte) = from.recv_timeout(PATIENCE) {
        if byte == b'\n' {
            return String::from_utf8(text).unwrap();
        }
        text.push(byte);
    }
    panic!("it said no more than {:?}", String::from_utf8_lossy(&text));
}

/// The program, serving in a thread of its own.
struct Server {
    interrupts: Arc<AtomicUsize>,
    thread: Option<JoinHandle<u8>>,
    address: String,
    talk: Receiver<u8>,
}

impl Server {
    fn start(arguments: &[&str]) -> Self {
        let interrupts = Arc::new(AtomicUsize::new(0));
        let (out, address) = channel();
        let (err, talk) = channel();
        let typed: Vec<_> = ["seathold", "serve"].iter().chain(arguments).map(|&a| a.into()).collect();
        let theirs = interrupts.clone();
        let thread = std::thread::spawn(move || {
            let mut clock = SystemClock::default();
            let mut console = Console {
                out: &mut Lines(out),
                err: &mut Lines(err),
                live: false,
                clock: &mut clock,
                interrupts: &theirs,
                keys: &mut Silent,
                environment: &Environment::default(),
            };
            seathold::main_with(typed, &mut console).code()
        });
        let address = line(&address);
        Self { interrupts, thread: Some(thread), address, talk }
    }

    /// Ctrl-C, and how it ends.
    fn stop(mut self) -> u8 {
        self.interrupts.store(1, Ordering::Relaxed);
        self.thread.take().unwrap().join().unwrap()
    }

    fn says(&self, what: &str) {
        while !line(&self.talk).contains(what) {}
    }

    fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(self.address.strip_prefix("tcp:").unwrap()).unwrap();
        stream.set_read_timeout(Some(Duration::from_millis(2))).unwrap();
        stream.set_nodelay(true).unwrap();
        stream
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.interrupts.store(1, Ordering::Relaxed);
    }
}

/// A host: one connection after another, and everything it came to know since the controller was switched on.
struct Desk<S> {
    host: Host,
    stream: S,
    from: Wall,
    seed: Noise,
    to_do: VecDeque<Request>,
    given: Option<Request>,
    /// How many polls there were when a recipe was taken.
    began: Option<usize>,
    /// A phase has been entered since.
    emptied: bool,
    polls: Vec<Poll>,
    events: Vec<(Instant, Event)>,
    gaps: u32,
}

impl<S: Read + Write> Desk<S> {
    fn new(stream: S) -> Self {
        let mut seed = Noise::new(5);
        let start = Request::Operate(Command::Start(Sides::Both));
        Self {
            host: Host::new(seed.word()),
            stream,
            from: Wall::now(),
            seed,
            to_do: VecDeque::from([Request::LoadRecipe(RECIPE), start]),
            given: None,
            began: None,
            emptied: false,
            polls: Vec::new(),
            events: Vec::new(),
            gaps: 0,
        }
    }

    fn reconnect(&mut self, stream: S) {
        self.stream = stream;
        self.to_do.extend(self.host.reconnect(self.seed.word(), 0));
    }

    fn phase(&self) -> Option<Phase> {
        self.events.iter().rev().find_map(|(_, e)| match e {
            Event::Entered { phase, .. } => Some(*phase),
            _ => None,
        })
    }

    fn proved(&self) -> Option<Verdict> {
        self.events.iter().find_map(|(_, e)| match e {
            Event::RunFinished { verdict, .. } => Some(*verdict),
            _ => None,
        })
    }

    fn until(&mut self, what: &str, mut done: impl FnMut(&Self) -> bool) {
        let until = Wall::now() + PATIENCE;
        while !done(self) {
            assert!(Wall::now() < until, "{what} did not come; phase {:?}, {} polls", self.phase(), self.polls.len());
            self.work();
        }
    }

    fn work(&mut self) {
        let mut room = [0; 4_096];
        match self.stream.read(&mut room) {
            Ok(n) => room[..n].iter().for_each(|&byte| self.take(byte)),
            Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted) => {}
            Err(e) => panic!("{e}"),
        }
        // Ready with the recipe: what was entered before it was taken does not count.
        let ready = self.began.is_some() && self.emptied && self.phase() == Some(Phase::Ready);
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
            self.stream.write_all(&frame).unwrap();
        }
    }

    fn take(&mut self, byte: u8) {
        match self.host.receive(byte) {
            Some(HostEvent::Connected { restarted, welcome }) => {
                assert!(welcome.capabilities.simulated && !restarted);
            }
            Some(HostEvent::RigChanged { .. }) => panic!("nobody has changed it"),
            Some(HostEvent::RecipeLoaded(recipe)) => {
                assert_eq!(recipe, RECIPE);
                self.began = Some(self.polls.len());
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
                self.emptied |= self.began.is_some() && matches!(event, Event::Entered { .. });
                self.events.push((at, event));
            }
            Some(HostEvent::Gap { .. }) => self.gaps += 1,
            // The controller was still emptying the valve: once more.
            Some(HostEvent::Response(Response::Busy)) => self.to_do.extend(self.given.take()),
            Some(HostEvent::Response(answer)) => assert_eq!(answer, Response::Done),
            Some(other @ (HostEvent::OtherVersion(_) | HostEvent::NoKey | HostEvent::Unreadable { .. })) => {
                panic!("{other:?}")
            }
            Some(HostEvent::TimeSet { .. } | HostEvent::StartPressed) | None => {}
        }
        // Loading comes before starting, however often it is put off.
        if self.began.is_none() && matches!(self.to_do.front(), Some(Request::Operate(_))) {
            self.to_do.rotate_left(1);
        }
    }
}

/// What the link handed to the sequencer at a poll.
struct Said<'a>(&'a Poll);

impl Operator for Said<'_> {
    fn link_up(&mut self) -> bool {
        self.0.inputs.link_up
    }

    fn command(&mut self, _: Instant, _: Phase) -> Option<Command> {
        self.0.inputs.command
    }

    fn notify(&mut self, _: Instant, _: &Event) {}
}

/// The same rig in this process, given the same orders at the same polls: must see, do and say the same.
fn same_here<S: Read + Write>(desk: &Desk<S>, valve: &str, seed: u64) {
    let rig = RawRig::DEMO.validate().unwrap();
    let mut stand = SimBench::new(scenario::find(valve).unwrap(), rig.raw(), seed).unwrap();
    let mut sequencer = Sequencer::new(rig, None);
    let mut events = Vec::new();
    for (i, poll) in desk.polls.iter().enumerate() {
        if Some(i) == desk.began {
            sequencer = Sequencer::new(rig, Some(RECIPE.validate(&rig).unwrap()));
        }
        let Ok(polled) = poll_loop::poll(&mut sequencer, &mut stand.rig, &mut Said(poll));
        assert_eq!(Poll::from(&polled), *poll, "poll {i}");
        events.extend(polled.events.iter().map(|e| (polled.at, e.clone())));
        stand.rig.follow_host(&mut stand.operator, &polled, sequencer.phase());
        // The end said to be under test is the one on the rig.
        if let (true, Some(side)) = (sequencer.phase().is_live(), sequencer.status().side) {
            assert_eq!(stand.rig.truth().side, side, "poll {i}");
        }
        stand.rig.apply_due_actions(&mut stand.operator);
        stand.rig.advance(stand.period);
    }
    // The last poll's events may be under way still. Each is compared as it goes over the wire, which is to the bit.
    assert!(desk.proved().is_some() && desk.events.len() <= events.len());
    for (here, there) in events.iter().zip(&desk.events) {
        assert_eq!(postcard::to_allocvec(here).unwrap(), postcard::to_allocvec(there).unwrap(), "{here:?} {there:?}");
    }
}

#[test]
fn a_run_over_a_socket_is_the_run_in_this_process() {
    for (valve, verdict) in [("tight", Verdict::Tight), ("scratched-seat-a", Verdict::Leaking)] {
        let server = Server::start(&["--listen", "127.0.0.1:0", "--valve", valve, "--seed", "3", "--speed", "max"]);
        let mut desk = Desk::new(server.connect());
        desk.until("a verdict", |d| d.proved().is_some());
        assert_eq!((desk.proved(), desk.gaps), (Some(verdict), 0), "{valve}");
        same_here(&desk, valve, 3);
        assert_eq!(server.stop(), 0);
    }
}

#[test]
fn a_host_that_goes_and_returns_finds_the_run_kept() {
    let server = Server::start(&["--listen", "127.0.0.1:0", "--speed", "max"]);
    let mut desk = Desk::new(server.connect());
    desk.until("the measurement", |d| d.phase() == Some(Phase::Measure));
    let before = desk.polls.len();
    desk.reconnect(server.connect_after_hanging_up(&desk));
    desk.until("a verdict", |d| d.proved().is_some());
    assert!(desk.polls.len() > before);
    assert_eq!((desk.proved(), desk.gaps), (Some(Verdict::Tight), 0));
    same_here(&desk, "tight", 1);
}

impl Server {
    fn connect_after_hanging_up(&self, desk: &Desk<TcpStream>) -> TcpStream {
        desk.stream.shutdown(std::net::Shutdown::Both).unwrap();
        self.says("the host has disconnected");
        self.connect()
    }
}

#[test]
fn a_second_host_is_turned_away_and_the_first_is_not_disturbed() {
    let server = Server::start(&["--listen", "127.0.0.1:0", "--speed", "20"]);
    let mut desk = Desk::new(server.connect());
    desk.until("a recipe taken", |d| d.began.is_some());
    let mut second = server.connect();
    second.set_read_timeout(Some(PATIENCE)).unwrap();
    let first = std::thread::scope(|s| {
        let closed = s.spawn(|| second.read(&mut [0; 16]).unwrap_or(0));
        // The first keeps talking meanwhile, as a host does.
        desk.until("the second hung up on", |_| closed.is_finished());
        closed.join().unwrap()
    });
    assert_eq!(first, 0);
    server.says("one at a time");
    let polls = desk.polls.len();
    desk.until("more of the run", |d| d.polls.len() > polls + 100);
    assert_eq!(desk.gaps, 0);
}

#[cfg(unix)]
#[test]
fn a_run_over_a_pseudo_terminal_is_the_run_in_this_process() {
    let server = Server::start(&["--pty", "--valve", "scratched-seat-a", "--speed", "max"]);
    let path = server.address.strip_prefix("serial:").unwrap();
    let open = || {
        use std::os::unix::fs::OpenOptionsExt;
        let nonblocking = rustix::fs::OFlags::NONBLOCK.bits() as i32;
        std::fs::OpenOptions::new().read(true).write(true).custom_flags(nonblocking).open(path).unwrap()
    };
    let mut desk = Desk::new(open());
    desk.until("the measurement", |d| d.phase() == Some(Phase::Measure));
    // The port is closed and opened again; the controller notices by the silence.
    desk.reconnect(open());
    desk.until("a verdict", |d| d.proved().is_some());
    assert_eq!((desk.proved(), desk.gaps), (Some(Verdict::Leaking), 0));
    same_here(&desk, "scratched-seat-a", 1);
    assert_eq!(server.stop(), 0);
}
