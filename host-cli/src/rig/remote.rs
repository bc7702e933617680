//! A controller at the other end of a line: keeps the connection, gives orders, and tells what comes.

use std::hash::{BuildHasher, RandomState};
use std::io;
use std::time::Duration;

use seathold_sequencer::event::Event;
use seathold_sequencer::link::frame::Frame;
use seathold_sequencer::link::host::{Heard, Host};
use seathold_sequencer::link::message::{Answer, Have, Order, VERSION, Welcome};
use seathold_sequencer::link::polls::{Poll, Polls};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::time::Instant;
use seathold_sim::bench::SimBench;

use super::address::Address;
use super::line::{self, Line};
use crate::console::Clock;

/// A controller that says nothing for this long, in microseconds, is called anew: four times its longest pause.
const SILENCE_US: u64 = 2_000_000;

/// Longest an order waits for its answer, in microseconds.
pub const ANSWER_US: u64 = 5_000_000;

/// Pause between attempts to connect, in microseconds.
const RETRY_US: u64 = 250_000;

/// What came from the controller, with the number of the record where it is one.
#[derive(Clone, Debug, PartialEq)]
pub enum News {
    /// A session is open.
    Connected {
        /// Who answers.
        welcome: Welcome,
        /// It has been reset since this program last knew it.
        restarted: bool,
    },
    /// It speaks this version of the link, and nothing more will come.
    OtherVersion(u8),
    /// The line is gone; it is tried again.
    Lost(String),
    /// One record of its keeping.
    Record {
        /// Its number.
        number: u32,
        /// What is in it.
        what: Kept,
    },
    /// Records that are gone for ever.
    Gap {
        /// First that is gone.
        from: u32,
        /// First that is not.
        to: u32,
    },
    /// What became of the order.
    Answer(Answer),
}

/// What a record holds.
#[derive(Clone, Debug, PartialEq)]
pub enum Kept {
    /// A sequencer began afresh with this recipe.
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

/// Why there is nobody to talk to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Silent {
    /// Nobody answers.
    Nothing,
    /// It speaks this version of the link.
    Version(u8),
}

impl std::fmt::Display for Silent {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Nothing => write!(f, "it is open, but no controller answers there"),
            Self::Version(version) => write!(
                f,
                "the controller speaks version {version} of the link, this program version {VERSION}: \
                 bring both to the same"
            ),
        }
    }
}

/// The connection.
pub struct Remote {
    address: Address,
    line: Option<Box<dyn Line>>,
    host: Host,
    /// When bytes last came, or a connection was last tried.
    last: u64,
    bytes: Vec<u8>,
}

impl std::fmt::Debug for Remote {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Remote").field("address", &self.address).finish_non_exhaustive()
    }
}

/// A session number that no other session has: the standard library's random keys, which differ in every process and
/// for every value.
fn session() -> u32 {
    RandomState::new().hash_one(0) as u32
}

impl Remote {
    /// Opens the line. `have` is what this program has from before, if anything.
    ///
    /// # Errors
    /// When nobody is there.
    pub fn open(address: &Address, have: Option<Have>, clock: &dyn Clock) -> io::Result<Self> {
        let line = line::open(address)?;
        let host = match have {
            Some(have) => Host::resume(session(), have),
            None => Host::new(session()),
        };
        let mut remote = Self { address: address.clone(), line: Some(line), host, last: 0, bytes: Vec::new() };
        remote.last = remote.now(clock);
        Ok(remote)
    }

    /// Opens the line only to look: the controller's records stay where they are.
    ///
    /// # Errors
    /// When nobody is there.
    pub fn look(address: &Address, clock: &dyn Clock) -> io::Result<Self> {
        Ok(Self { host: Host::look(session()), ..Self::open(address, None, clock)? })
    }

    /// Begins a new session over the same line that takes the controller's records from here on, after one that only
    /// looked. It is to be [greeted](Self::greet).
    pub fn take_records(&mut self) {
        self.host = Host::new(session());
    }

    /// The line's time in microseconds.
    pub fn now(&self, clock: &dyn Clock) -> u64 {
        let own = self.line.as_ref().and_then(|line| line.own_clock());
        own.unwrap_or_else(|| u64::try_from(clock.elapsed().as_micros()).unwrap_or(u64::MAX))
    }

    /// The simulated rig, where it is in this program.
    pub fn bench(&mut self) -> Option<&mut SimBench> {
        self.line.as_mut()?.bench()
    }

    /// How far the records have come.
    pub fn have(&self) -> Option<Have> {
        self.host.have()
    }

    /// Whether a session is open.
    pub fn is_open(&self) -> bool {
        self.host.is_open()
    }

    /// Gives an order; false while another is under way or nobody answers.
    pub fn order(&mut self, order: Order) -> bool {
        self.host.order(order).is_ok()
    }

    /// One look: takes what has come into `news`, then sends what is due. Whoever keeps records does so between the
    /// two, since what is sent acknowledges them: hence `keep`. A line that is gone is news, and is tried again.
    pub fn turn(&mut self, clock: &mut dyn Clock, news: &mut Vec<News>, keep: impl FnOnce(&[News])) {
        let now = self.now(clock);
        let Some(line) = &mut self.line else {
            if now.saturating_sub(self.last) < RETRY_US {
                clock.pause(Duration::from_millis(5));
                return;
            }
            self.last = now;
            if let Ok(line) = line::open(&self.address) {
                self.line = Some(line);
                // What was ordered shows in the records; the caller orders again what it still wants.
                let _ = self.host.reconnect(session());
            }
            return;
        };
        self.bytes.clear();
        let came = line.receive(&mut self.bytes);
        if !self.bytes.is_empty() {
            self.last = now;
        }
        let first = news.len();
        for &byte in &self.bytes {
            news.extend(owned(&mut self.host, byte));
        }
        keep(&news[first..]);
        if let Err(why) = came {
            return self.lose(&why.to_string(), now, news);
        }
        if now.saturating_sub(self.last) > SILENCE_US {
            return self.lose("nothing comes from it any more", now, news);
        }
        let mut frame = Frame::new();
        let time = Instant::from_ticks(self.now(clock));
        while self.host.transmit(time, &mut frame) {
            if let Some(line) = &mut self.line
                && let Err(why) = line.send(&frame)
            {
                return self.lose(&why.to_string(), now, news);
            }
        }
    }

    /// Waits until the controller answers, for `most` microseconds.
    ///
    /// # Errors
    /// When it does not, or speaks another version.
    pub fn greet(&mut self, clock: &mut dyn Clock, most: u64) -> Result<Welcome, Silent> {
        let until = self.now(clock) + most;
        let mut news = Vec::new();
        while self.now(clock) < until {
            self.turn(clock, &mut news, |_| {});
            for one in news.drain(..) {
                match one {
                    News::Connected { welcome, .. } => return Ok(welcome),
                    News::OtherVersion(version) => return Err(Silent::Version(version)),
                    _ => {}
                }
            }
        }
        Err(Silent::Nothing)
    }

    /// Gives an order and waits for its answer, for [`ANSWER_US`] at most. What else comes meanwhile is let go.
    ///
    /// # Errors
    /// When none comes.
    pub fn ask(&mut self, clock: &mut dyn Clock, order: &Order) -> Result<Answer, Silent> {
        let until = self.now(clock) + ANSWER_US;
        let mut news = Vec::new();
        let mut given = self.order(order.clone());
        while self.now(clock) < until {
            self.turn(clock, &mut news, |_| {});
            for one in news.drain(..) {
                match one {
                    News::Answer(answer) if given => return Ok(answer),
                    News::Connected { .. } => given = false,
                    _ => {}
                }
            }
            if !given {
                given = self.order(order.clone());
            }
        }
        Err(Silent::Nothing)
    }

    fn lose(&mut self, why: &str, now: u64, news: &mut Vec<News>) {
        self.line = None;
        self.last = now;
        news.push(News::Lost(why.into()));
    }
}

fn owned(host: &mut Host, byte: u8) -> Option<News> {
    let kept = match host.receive(byte)? {
        Heard::Connected { welcome, restarted } => return Some(News::Connected { welcome, restarted }),
        Heard::OtherVersion(version) => return Some(News::OtherVersion(version)),
        Heard::Answer(answer) => return Some(News::Answer(answer)),
        Heard::Gap { from, to } => return Some(News::Gap { from, to }),
        Heard::Began(recipe) => Kept::Began(recipe),
        Heard::Polls(series) => {
            let mut polls = Polls::new(series);
            let all: Vec<Poll> = polls.by_ref().collect();
            if polls.is_broken() { Kept::Other { unreadable: true } } else { Kept::Polls(all) }
        }
        Heard::Event { at, event } => Kept::Event(at, event),
        Heard::Dated { .. } => Kept::Other { unreadable: false },
        Heard::Unreadable { .. } => Kept::Other { unreadable: true },
    };
    let number = host.have().map_or(0, |have| have.next.wrapping_sub(1));
    Some(News::Record { number, what: kept })
}
