//! The host's end: opens a session, gets orders done once, and takes records in order.
//!
//! Bytes go into [`Host::receive`], which says what they told; frames come out of [`Host::transmit`]. On a new
//! connection call [`Host::reconnect`]: records continue where they stopped, or a gap is told.

use super::frame::{self, Deframer, Frame};
use super::message::{Answer, Have, Hello, Order, Record, ToController, ToHost, VERSION, Welcome};
use crate::event::Event;
use crate::recipe::RawRecipe;
use crate::time::{Duration, Instant, millis, since};

/// A sign of life is sent this often; well inside [`super::controller::SILENCE`].
pub const ALIVE: Duration = millis(100);

/// A hello or an order is sent again after this long without an answer.
pub const REPEAT: Duration = millis(300);

/// What has come.
#[derive(Clone, Debug, PartialEq)]
pub enum Heard<'a> {
    /// The session is open.
    Connected {
        /// Who the controller is.
        welcome: Welcome,
        /// It has been reset since the last session: numbers begin anew, and so must a recording.
        restarted: bool,
    },
    /// The controller speaks another version; nothing more will come.
    OtherVersion(u8),
    /// A sequencer began afresh.
    Began(RawRecipe),
    /// Polls, to be read with [`super::polls::Polls`].
    Polls(&'a [u8]),
    /// An event of the last poll.
    Event {
        /// When.
        at: Instant,
        /// What.
        event: Event,
    },
    /// The time of day was set.
    Dated {
        /// The controller's clock then.
        at: Instant,
        /// Milliseconds since 1970-01-01 00:00 UTC.
        unix_ms: u64,
    },
    /// These records are gone for ever.
    Gap {
        /// First that is gone.
        from: u32,
        /// First that is not.
        to: u32,
    },
    /// A record this version cannot read.
    Unreadable {
        /// Its number.
        number: u32,
    },
    /// How the order went.
    Answer(Answer),
}

/// An order is still under way, or no session is open.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NotNow;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Greeting,
    Open,
    /// Other version.
    Closed,
}

/// The host's end of the link.
#[derive(Debug)]
pub struct Host {
    deframer: Deframer,
    state: State,
    session: u32,
    have: Option<Have>,
    order: Option<Order>,
    number: u16,
    /// When a hello or the order was last sent.
    asked: Option<Instant>,
    /// When an acknowledgement was last sent.
    alive: Option<Instant>,
    acknowledge: bool,
    again: bool,
    /// Again has been asked for this record already.
    asked_again: Option<u32>,
    /// Records are left where they are.
    looks_only: bool,
}

impl Host {
    /// A first connection. `session` must be drawn at random: it is what tells one session from any other.
    pub fn new(session: u32) -> Self {
        Self {
            deframer: Deframer::default(),
            state: State::Greeting,
            session,
            have: None,
            order: None,
            number: 0,
            asked: None,
            alive: None,
            acknowledge: false,
            again: false,
            asked_again: None,
            looks_only: false,
        }
    }

    /// A connection that only looks: it takes no record, so that the controller keeps them all for whoever runs the test.
    pub fn look(session: u32) -> Self {
        Self { looks_only: true, ..Self::new(session) }
    }

    /// A new connection, with a new random session. An order without an answer is given back: whether it was carried
    /// out shows in the records, and only the caller can tell whether it should be given again.
    pub fn reconnect(&mut self, session: u32) -> Option<Order> {
        let order = self.order.take();
        *self = Self { have: self.have, looks_only: self.looks_only, ..Self::new(session) };
        order
    }

    /// A first connection of a program that has records of an earlier one: they are not sent again.
    pub fn resume(session: u32, have: Have) -> Self {
        Self { have: Some(have), ..Self::new(session) }
    }

    /// How far the records have come; `None` before the first session.
    pub const fn have(&self) -> Option<Have> {
        self.have
    }

    /// Whether the session is open.
    pub fn is_open(&self) -> bool {
        self.state == State::Open
    }

    /// Has something done, once. Its answer comes as [`Heard::Answer`].
    ///
    /// # Errors
    /// [`NotNow`] while another is under way, or no session is open.
    pub fn order(&mut self, order: Order) -> Result<(), NotNow> {
        if !self.is_open() || self.order.is_some() {
            return Err(NotNow);
        }
        self.order = Some(order);
        self.asked = None;
        Ok(())
    }

    /// The next frame to send, if there is one.
    #[must_use = "a frame taken and not sent is lost until it is sent again"]
    pub fn transmit(&mut self, now: Instant, frame: &mut Frame) -> bool {
        let due = |last: Option<Instant>, every: Duration| last.is_none_or(|last| since(now, last) >= every);
        let session = self.session;
        match self.state {
            State::Closed => false,
            State::Greeting => {
                if !due(self.asked, REPEAT) {
                    return false;
                }
                self.asked = Some(now);
                let hello = Hello { version: VERSION, session, have: self.have };
                frame::encode(&ToController::Hello(hello), frame).is_ok()
            }
            State::Open => {
                if let Some(order) = &self.order
                    && due(self.asked, REPEAT)
                {
                    self.asked = Some(now);
                    let order = ToController::Do { session, number: self.number, order: order.clone() };
                    return frame::encode(&order, frame).is_ok();
                }
                if !self.acknowledge && !due(self.alive, ALIVE) {
                    return false;
                }
                self.alive = Some(now);
                self.acknowledge = false;
                let again = core::mem::take(&mut self.again);
                let next = self.next();
                frame::encode(&ToController::Acknowledge { session, next, again }, frame).is_ok()
            }
        }
    }

    fn next(&self) -> u32 {
        self.have.map_or(0, |have| have.next)
    }

    /// Takes in one byte from the line; says what it completed.
    pub fn receive(&mut self, byte: u8) -> Option<Heard<'_>> {
        // The message borrows the receiver's buffer, and what it means needs the rest of `self`: so the parts are named.
        let Self {
            deframer,
            state,
            session,
            have,
            order,
            number,
            asked,
            acknowledge,
            again,
            asked_again,
            looks_only,
            ..
        } = self;
        let message = deframer.push(byte)?;
        let message = postcard::from_bytes::<ToHost<'_>>(message).ok()?;
        let mut session_state = Receiving { have, acknowledge, again, asked_again };
        match message {
            ToHost::Welcome(welcome) if *state == State::Greeting && welcome.session == *session => {
                if welcome.version != VERSION {
                    *state = State::Closed;
                    return Some(Heard::OtherVersion(welcome.version));
                }
                *state = State::Open;
                *asked = None;
                *number = 0;
                let restarted = session_state.have.is_some_and(|have| have.boot != welcome.boot);
                if session_state.have.is_none() || restarted {
                    *session_state.have = Some(Have { boot: welcome.boot, next: 0 });
                }
                Some(Heard::Connected { welcome, restarted })
            }
            ToHost::Record { .. } | ToHost::Gap { .. } if *looks_only => None,
            ToHost::Record { number, body } if *state == State::Open => session_state.record(number, body),
            ToHost::Gap { from, to } if *state == State::Open => session_state.gap(from, to),
            ToHost::Answer { number: of, answer } if *state == State::Open && of == *number && order.is_some() => {
                *order = None;
                *number = of.wrapping_add(1);
                Some(Heard::Answer(answer))
            }
            // Repeated, late, or of another session.
            _ => None,
        }
    }

    /// Frames from the line that were not whole.
    pub const fn bad_frames(&self) -> u32 {
        self.deframer.bad()
    }
}

/// The part of a host that records touch.
struct Receiving<'s> {
    have: &'s mut Option<Have>,
    acknowledge: &'s mut bool,
    again: &'s mut bool,
    asked_again: &'s mut Option<u32>,
}

impl Receiving<'_> {
    fn advance(&mut self, next: u32) {
        if let Some(have) = self.have {
            have.next = next;
        }
        *self.acknowledge = true;
        *self.asked_again = None;
    }

    fn record<'a>(&mut self, number: u32, body: &'a [u8]) -> Option<Heard<'a>> {
        let next = self.have.map_or(0, |have| have.next);
        // Had already: its acknowledgement was lost.
        *self.acknowledge = true;
        if number > next && *self.asked_again != Some(next) {
            // One before it was lost. Asked once: what is under way already will be out of order as well.
            *self.again = true;
            *self.asked_again = Some(next);
        }
        if number != next {
            return None;
        }
        self.advance(number.wrapping_add(1));
        Some(match postcard::from_bytes::<Record<'a>>(body) {
            Ok(Record::Began(recipe)) => Heard::Began(recipe),
            Ok(Record::Polls(series)) => Heard::Polls(series),
            Ok(Record::Event { at, event }) => Heard::Event { at, event },
            Ok(Record::Dated { at, unix_ms }) => Heard::Dated { at, unix_ms },
            Err(_) => Heard::Unreadable { number },
        })
    }

    fn gap(&mut self, from: u32, to: u32) -> Option<Heard<'static>> {
        let next = self.have.map_or(0, |have| have.next);
        if from > next || to <= next {
            *self.acknowledge = true;
            return None;
        }
        self.advance(to);
        Some(Heard::Gap { from: next, to })
    }
}
