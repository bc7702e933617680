//! The client of a controller: keeps the connection, sends requests, and returns what comes.

use std::hash::{BuildHasher, RandomState};
use std::io;
use std::time::Duration;

use seathold_sequencer::event::Event;
use seathold_sequencer::link::frame::Frame;
use seathold_sequencer::link::host::{Host, HostEvent};
use seathold_sequencer::link::key::Key;
use seathold_sequencer::link::message::{Request, Response, ResumePoint, VERSION, Welcome};
use seathold_sequencer::link::polls::{Poll, Polls};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::time::Instant;
use seathold_sim::bench::SimBench;

use super::address::Address;
use super::connect;
use super::in_process::InProcess;
use super::transport::Transport;
use crate::console::Clock;

/// A controller silent for this long, in microseconds, is reconnected: four times its longest pause.
const SILENCE_US: u64 = 2_000_000;

/// Sessions one after the other in which nothing comes under the key, until it is taken for another key: one may be due
/// to a bad line.
const UNTAGGED_MAX: u8 = 3;

/// Longest wait for a response, in microseconds.
pub const ANSWER_US: u64 = 5_000_000;

/// Pause between attempts to connect, in microseconds.
const RETRY_US: u64 = 250_000;

/// What came from the controller; a record with its number.
#[derive(Clone, Debug, PartialEq)]
pub enum ClientEvent {
    /// A session is open.
    Connected {
        /// The controller's welcome.
        welcome: Welcome,
        /// It has been reset since this program last knew it.
        restarted: bool,
    },
    /// It speaks this version of the link, and nothing more will come.
    OtherVersion(u8),
    /// It takes commands from anyone, and this program has a key: nothing more will come.
    NoKey,
    /// It has not answered under this program's key, several times: nothing more will come.
    OtherKey,
    /// The connection is lost; it is tried again.
    Lost(String),
    /// A record.
    Record {
        /// Its number.
        number: u32,
        /// What is in it.
        what: RecordContent,
    },
    /// Records that are gone for ever.
    Gap {
        /// First that is gone.
        from: u32,
        /// First that is not.
        to: u32,
    },
    /// The response to the request.
    Answer(Response),
    /// The start button at the rig was pressed.
    StartPressed,
}

/// The content of a record.
#[derive(Clone, Debug, PartialEq)]
pub enum RecordContent {
    /// A sequencer was started with this recipe.
    Began(RawRecipe),
    /// Polls.
    Polls(Vec<Poll>),
    /// An event of the last poll before.
    Event(Instant, Event),
    /// Nothing of use, or nothing that this version can read.
    Other {
        /// It could not be read: something is missing.
        unreadable: bool,
    },
}

/// Why there is no connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ConnectionError {
    /// No controller answers.
    Nothing,
    /// It speaks this version of the link.
    Version(u8),
    /// It has no key, and this program has.
    NoKey,
    /// It does not answer under this key.
    OtherKey,
}

impl std::fmt::Display for ConnectionError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Nothing => {
                write!(f, "it is open, but no controller answers there; another program may be connected to it")
            }
            Self::NoKey => write!(
                f,
                "the controller has no key, and would take commands from anyone: give it the key, or leave --key out"
            ),
            Self::OtherKey => write!(
                f,
                "the controller does not answer under this key: it has another, or somebody changes what passes the line"
            ),
            Self::Version(version) => write!(
                f,
                "the controller speaks version {version} of the link, this program version {VERSION}: \
                 bring both to the same"
            ),
        }
    }
}

/// The connection.
pub struct Client {
    /// Where to connect again; none where the controller is in this program.
    address: Option<Address>,
    line: Option<Box<dyn Transport>>,
    host: Host,
    key: Option<Key>,
    /// When bytes last came, or a connection was last tried.
    last: u64,
    /// Until when the present session has had nothing to prove, and how many came to nothing: no message had a right tag.
    opened: u64,
    untagged: u8,
    bytes: Vec<u8>,
}

impl std::fmt::Debug for Client {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Client").field("address", &self.address).finish_non_exhaustive()
    }
}

/// A session number that no other session has: the standard library's random keys, which differ in every process and
/// for every value.
fn session() -> u32 {
    RandomState::new().hash_one(0) as u32
}

/// As [`session`], for the tags.
fn nonce() -> u64 {
    RandomState::new().hash_one(1)
}

impl Client {
    /// Opens the connection. `have` is where to resume, if anywhere.
    ///
    /// # Errors
    /// When no controller is there.
    pub fn open(address: &Address, key: Option<Key>, have: Option<ResumePoint>, clock: &dyn Clock) -> io::Result<Self> {
        let line = connect::open(address)?;
        let host = match have {
            Some(have) => Host::resume(session(), have),
            None => Host::new(session()),
        };
        let address = Some(address.clone());
        let mut client =
            Self { address, line: Some(line), host, key, last: 0, opened: 0, untagged: 0, bytes: Vec::new() };
        client.under_key();
        client.last = client.now(clock);
        Ok(client)
    }

    /// The client of a controller in this program.
    pub fn in_process(controller: InProcess) -> Self {
        let (line, host) = (Some(Box::new(controller) as Box<dyn Transport>), Host::new(session()));
        Self { address: None, line, host, key: None, last: 0, opened: 0, untagged: 0, bytes: Vec::new() }
    }

    /// Opens the connection as an observer: the controller keeps its records.
    ///
    /// # Errors
    /// When no controller is there.
    pub fn look(address: &Address, key: Option<Key>, clock: &dyn Clock) -> io::Result<Self> {
        let mut client = Self { host: Host::observer(session()), ..Self::open(address, key, None, clock)? };
        client.under_key();
        Ok(client)
    }

    /// Gives a new host the key.
    fn under_key(&mut self) {
        if let Some(key) = &self.key {
            self.host = std::mem::replace(&mut self.host, Host::new(0)).with_key(key.clone(), nonce());
        }
    }

    /// Begins a new session on the same connection that takes the controller's records from here on, after one as an
    /// observer. It is to be [greeted](Self::greet).
    pub fn take_records(&mut self) {
        self.host = Host::new(session());
        self.under_key();
    }

    /// The connection's time in microseconds.
    pub fn now(&self, clock: &dyn Clock) -> u64 {
        let own = self.line.as_ref().and_then(|line| line.own_clock());
        own.unwrap_or_else(|| u64::try_from(clock.elapsed().as_micros()).unwrap_or(u64::MAX))
    }

    /// The simulated rig, where it is in this program.
    pub fn bench(&mut self) -> Option<&mut SimBench> {
        self.line.as_mut()?.bench()
    }

    /// The position reached in the records.
    pub fn have(&self) -> Option<ResumePoint> {
        self.host.resume_point()
    }

    /// Whether it has a key.
    pub const fn has_key(&self) -> bool {
        self.key.is_some()
    }

    /// Whether a session is open.
    pub fn is_open(&self) -> bool {
        self.host.is_open()
    }

    /// Sends a request; false while another is pending or there is no session.
    pub fn request(&mut self, request: Request) -> bool {
        self.host.request(request).is_ok()
    }

    /// One look: takes what has come into `events`, then sends what is due. Whoever keeps records does so between the
    /// two, since what is sent acknowledges them: hence `keep`. A lost connection is an event, and is tried again.
    pub fn turn(&mut self, clock: &mut dyn Clock, events: &mut Vec<ClientEvent>, keep: impl FnOnce(&[ClientEvent])) {
        let now = self.now(clock);
        let Some(line) = &mut self.line else {
            if now.saturating_sub(self.last) < RETRY_US {
                clock.pause(Duration::from_millis(5));
                return;
            }
            self.last = now;
            if let Some(Ok(line)) = self.address.as_ref().map(connect::open) {
                self.line = Some(line);
                // The effect of a request shows in the records; the caller repeats it where needed.
                let _ = self.host.reconnect(session(), nonce());
            }
            return;
        };
        self.bytes.clear();
        let came = line.receive(&mut self.bytes);
        if !self.bytes.is_empty() {
            self.last = now;
        }
        let first = events.len();
        for &byte in &self.bytes {
            events.extend(owned(&mut self.host, byte));
        }
        if !self.host.is_unproved() {
            self.opened = now;
        }
        keep(&events[first..]);
        if let Err(why) = came {
            return self.lose(&why.to_string(), now, events);
        }
        if now.saturating_sub(self.last) > SILENCE_US {
            return self.lose("nothing comes from it any more", now, events);
        }
        if self.host.is_open() {
            self.untagged = 0;
        }
        if now.saturating_sub(self.opened) > SILENCE_US {
            self.untagged += 1;
            if self.untagged >= UNTAGGED_MAX {
                events.push(ClientEvent::OtherKey);
            }
            return self.lose("what comes from it is not under this key", now, events);
        }
        let mut frame = Frame::new();
        let time = Instant::from_ticks(self.now(clock));
        while self.host.transmit(time, &mut frame) {
            if let Some(line) = &mut self.line
                && let Err(why) = line.send(&frame)
            {
                return self.lose(&why.to_string(), now, events);
            }
        }
    }

    /// Waits until the controller answers, for `most` microseconds.
    ///
    /// # Errors
    /// When it does not, or speaks another version.
    pub fn greet(&mut self, clock: &mut dyn Clock, most: u64) -> Result<Welcome, ConnectionError> {
        let until = self.now(clock) + most;
        let mut events = Vec::new();
        while self.now(clock) < until {
            self.turn(clock, &mut events, |_| {});
            for one in events.drain(..) {
                match one {
                    ClientEvent::Connected { welcome, .. } => return Ok(welcome),
                    ClientEvent::OtherVersion(version) => return Err(ConnectionError::Version(version)),
                    ClientEvent::NoKey => return Err(ConnectionError::NoKey),
                    _ => {}
                }
            }
        }
        Err(if self.host.is_unproved() || self.untagged > 0 {
            ConnectionError::OtherKey
        } else {
            ConnectionError::Nothing
        })
    }

    /// Sends a request and waits for its response, for [`ANSWER_US`] at most. What else comes meanwhile is dropped.
    ///
    /// # Errors
    /// When none comes.
    pub fn ask(&mut self, clock: &mut dyn Clock, request: &Request) -> Result<Response, ConnectionError> {
        let until = self.now(clock) + ANSWER_US;
        let mut events = Vec::new();
        let mut given = self.request(request.clone());
        while self.now(clock) < until {
            self.turn(clock, &mut events, |_| {});
            for one in events.drain(..) {
                match one {
                    ClientEvent::Answer(Response::Stale) => given = false,
                    ClientEvent::Answer(answer) if given => return Ok(answer),
                    ClientEvent::Connected { .. } => given = false,
                    _ => {}
                }
            }
            if !given {
                given = self.request(request.clone());
            }
        }
        Err(if self.key.is_some() { ConnectionError::OtherKey } else { ConnectionError::Nothing })
    }

    fn lose(&mut self, why: &str, now: u64, events: &mut Vec<ClientEvent>) {
        self.line = None;
        self.last = now;
        events.push(ClientEvent::Lost(why.into()));
    }
}

fn owned(host: &mut Host, byte: u8) -> Option<ClientEvent> {
    let kept = match host.receive(byte)? {
        HostEvent::Connected { welcome, restarted } => return Some(ClientEvent::Connected { welcome, restarted }),
        HostEvent::OtherVersion(version) => return Some(ClientEvent::OtherVersion(version)),
        HostEvent::NoKey => return Some(ClientEvent::NoKey),
        HostEvent::StartPressed => return Some(ClientEvent::StartPressed),
        HostEvent::Response(answer) => return Some(ClientEvent::Answer(answer)),
        HostEvent::Gap { from, to } => return Some(ClientEvent::Gap { from, to }),
        HostEvent::RecipeLoaded(recipe) => RecordContent::Began(recipe),
        HostEvent::Polls(series) => {
            let mut polls = Polls::new(series);
            let all: Vec<Poll> = polls.by_ref().collect();
            if polls.is_broken() { RecordContent::Other { unreadable: true } } else { RecordContent::Polls(all) }
        }
        HostEvent::Event { at, event } => RecordContent::Event(at, event),
        HostEvent::TimeSet { .. } | HostEvent::RigChanged { .. } => RecordContent::Other { unreadable: false },
        HostEvent::Unreadable { .. } => RecordContent::Other { unreadable: true },
    };
    let number = host.resume_point().map_or(0, |have| have.next.wrapping_sub(1));
    Some(ClientEvent::Record { number, what: kept })
}
