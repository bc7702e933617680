//! The host's end: opens a session, has requests carried out once, and takes records in order.
//!
//! Bytes go into [`Host::receive`], which returns the event; frames come out of [`Host::transmit`]. On a new connection
//! call [`Host::reconnect`]: records continue where they stopped, or a gap is reported.

use super::frame::{self, Deframer, Frame};
use super::key::{self, KeptRecords, Key, LinkEnd, Opening, SessionKeys};
use super::message::{Hello, Record, Request, Response, ResumePoint, ToController, ToHost, VERSION, Welcome};
use crate::event::Event;
use crate::recipe::RawRecipe;
use crate::time::{Duration, Instant, millis, since};
use core::fmt;

/// A keep-alive is sent this often; well inside [`super::controller::HOST_TIMEOUT`].
pub const KEEPALIVE: Duration = millis(100);

/// A hello or a request is repeated after this long without a response.
pub const REQUEST_REPEAT: Duration = millis(300);

/// An event from the controller.
#[derive(Clone, Debug, PartialEq)]
pub enum HostEvent<'a> {
    /// The session is open.
    Connected {
        /// Who the controller is.
        welcome: Welcome,
        /// It has been reset since the last session: numbers restart, and so must a recording.
        restarted: bool,
    },
    /// The controller speaks another version; nothing more will come.
    OtherVersion(u8),
    /// This host has a key, and the controller takes commands from anyone; nothing more will come.
    NoKey,
    /// A new sequencer started.
    RecipeLoaded(RawRecipe),
    /// Polls, to be read with [`super::polls::Polls`].
    Polls(&'a [u8]),
    /// An event of the last poll.
    Event {
        /// Time.
        at: Instant,
        /// The event.
        event: Event,
    },
    /// The time of day was set.
    TimeSet {
        /// The controller's clock then.
        at: Instant,
        /// Milliseconds since 1970-01-01 00:00 UTC.
        unix_ms: u64,
    },
    /// Another rig, or another adapter, is in force.
    #[cfg(feature = "rig-memory")]
    RigChanged {
        /// The controller's clock then.
        at: Instant,
        /// What is in force.
        memory: super::message::RigMemory,
    },
    /// These records are lost.
    Gap {
        /// First that is lost.
        from: u32,
        /// First that is not.
        to: u32,
    },
    /// A record this version cannot read.
    Unreadable {
        /// Its number.
        number: u32,
    },
    /// The response to the request.
    Response(Response),
    /// The start button at the rig has been pressed since the session was opened.
    #[cfg(feature = "start-button")]
    StartPressed,
}

/// A request is still in progress, or no session is open.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Busy;

impl fmt::Display for Busy {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a request is still in progress, or no session is open")
    }
}

impl core::error::Error for Busy {}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Greeting,
    /// Welcomed by someone: under a key nothing of it counts before a message with a right tag has come.
    Welcomed(Welcome),
    Open,
    /// Other version, or no key.
    Closed,
}

/// The host's end of the link; [`link`](super) has an example of both ends.
#[derive(Debug)]
pub struct Host {
    deframer: Deframer,
    state: State,
    session: u32,
    /// The key, and the host's part of what makes the session's tags.
    key: Option<(Key, u64)>,
    session_keys: Option<SessionKeys>,
    resume_point: Option<ResumePoint>,
    request: Option<Request>,
    number: u16,
    /// When a hello or the request was last sent.
    last_sent: Option<Instant>,
    /// When an acknowledgement was last sent.
    last_acknowledged: Option<Instant>,
    acknowledge: bool,
    retransmit: bool,
    /// Retransmission of this record has been requested already.
    retransmit_requested: Option<u32>,
    /// Records are not acknowledged.
    observes_only: bool,
    /// Presses of the start button as last heard since the link was opened.
    #[cfg(feature = "start-button")]
    presses: Option<u8>,
}

impl Host {
    /// A first connection. `session` must be drawn at random: it distinguishes one session from any other.
    pub fn new(session: u32) -> Self {
        Self {
            deframer: Deframer::default(),
            state: State::Greeting,
            session,
            key: None,
            session_keys: None,
            resume_point: None,
            request: None,
            number: 0,
            last_sent: None,
            last_acknowledged: None,
            acknowledge: false,
            retransmit: false,
            retransmit_requested: None,
            observes_only: false,
            #[cfg(feature = "start-button")]
            presses: None,
        }
    }

    /// An observing connection: it takes no record, so that the controller keeps them all for the host that runs the
    /// test.
    pub fn observer(session: u32) -> Self {
        Self { observes_only: true, ..Self::new(session) }
    }

    /// With the key of the controller, and a random number. It then takes nothing that the controller has not tagged.
    pub fn with_key(self, key: Key, nonce: u64) -> Self {
        Self { key: Some((key, nonce)), ..self }
    }

    /// A new connection, with a new random session and a random number for the tags. A request without a response is returned: whether it was carried
    /// out shows in the records, and only the caller knows whether to repeat it.
    pub fn reconnect(&mut self, session: u32, nonce: u64) -> Option<Request> {
        let request = self.request.take();
        let key = self.key.take().map(|(key, _)| (key, nonce));
        *self = Self { key, resume_point: self.resume_point, observes_only: self.observes_only, ..Self::new(session) };
        request
    }

    /// A first connection of a program that has records of an earlier one: they are not resent.
    pub fn resume(session: u32, resume_point: ResumePoint) -> Self {
        Self { resume_point: Some(resume_point), ..Self::new(session) }
    }

    /// Position reached in the records; `None` before the first session.
    pub const fn resume_point(&self) -> Option<ResumePoint> {
        self.resume_point
    }

    /// Whether it was welcomed by someone who has not proved yet to have the key.
    pub const fn is_unproved(&self) -> bool {
        matches!(self.state, State::Welcomed(_))
    }

    /// Whether the session is open.
    pub fn is_open(&self) -> bool {
        self.state == State::Open
    }

    /// Sends a request, carried out once. Its response comes as [`HostEvent::Response`].
    ///
    /// # Errors
    /// [`Busy`] while another is in progress, or no session is open.
    pub fn request(&mut self, request: Request) -> Result<(), Busy> {
        if !self.is_open() || self.request.is_some() {
            return Err(Busy);
        }
        self.request = Some(request);
        self.last_sent = None;
        Ok(())
    }

    /// The next frame to send, if there is one.
    #[must_use = "a frame taken and not sent is lost until it is retransmitted"]
    pub fn transmit(&mut self, now: Instant, frame: &mut Frame) -> bool {
        let due = |last: Option<Instant>, every: Duration| last.is_none_or(|last| since(now, last) >= every);
        let session = self.session;
        let message = match self.state {
            State::Closed => return false,
            State::Greeting => {
                if !due(self.last_sent, REQUEST_REPEAT) {
                    return false;
                }
                self.last_sent = Some(now);
                let nonce = self.key.as_ref().map_or(0, |(_, nonce)| *nonce);
                ToController::Hello(Hello { version: VERSION, session, resume: self.resume_point, nonce })
            }
            State::Welcomed(_) | State::Open => {
                if let Some(request) = &self.request
                    && due(self.last_sent, REQUEST_REPEAT)
                {
                    self.last_sent = Some(now);
                    let heard = self.session_keys.as_ref().map_or(0, SessionKeys::received);
                    ToController::Request { session, number: self.number, request: request.clone(), heard }
                } else if self.acknowledge || due(self.last_acknowledged, KEEPALIVE) {
                    self.last_acknowledged = Some(now);
                    self.acknowledge = false;
                    let again = core::mem::take(&mut self.retransmit);
                    ToController::Acknowledge { session, next: self.next(), retransmit: again }
                } else {
                    return false;
                }
            }
        };
        frame::encode_tagged(&message, self.session_keys.as_mut(), frame).is_ok()
    }

    fn next(&self) -> u32 {
        let of_this = |point: &ResumePoint| match self.state {
            // Of an earlier boot, if it is one, it has other records.
            State::Welcomed(welcome) => welcome.boot == point.boot,
            _ => true,
        };
        self.resume_point.filter(of_this).map_or(0, |point| point.next)
    }

    /// Takes in one byte from the line; returns the event it completes.
    pub fn receive(&mut self, byte: u8) -> Option<HostEvent<'_>> {
        // The message borrows the receiver's buffer, and its handling needs the rest of `self`: so the fields are
        // separated.
        let Self {
            deframer,
            state,
            session,
            key,
            session_keys,
            resume_point,
            request,
            number,
            last_sent,
            acknowledge,
            retransmit,
            retransmit_requested,
            observes_only,
            #[cfg(feature = "start-button")]
            presses,
            ..
        } = self;
        let message = deframer.push(byte)?;
        // Once tags can be verified, only what has one is the controller's.
        let message = match session_keys {
            Some(keys) => keys.verify(message)?,
            None if key::is_tagged(message) => return None,
            None => message,
        };
        let message = postcard::from_bytes::<ToHost<'_>>(message).ok()?;
        let mut receiving = Receiving { resume_point, acknowledge, retransmit, retransmit_requested };
        if let State::Welcomed(welcome) = *state {
            // The first with a right tag, so the welcome was the controller's. What is in it comes again.
            *state = State::Open;
            return Some(receiving.connected(welcome));
        }
        match message {
            ToHost::Welcome(welcome) if *state == State::Greeting && welcome.session == *session => {
                if welcome.version != VERSION {
                    *state = State::Closed;
                    return Some(HostEvent::OtherVersion(welcome.version));
                }
                if let Some((key, nonce)) = key {
                    if !welcome.capabilities.key {
                        *state = State::Closed;
                        return Some(HostEvent::NoKey);
                    }
                    let Welcome { session, boot, oldest, next, now_us, capabilities, challenge, .. } = welcome;
                    let (resume, nonce) = (*receiving.resume_point, *nonce);
                    let kept = KeptRecords { oldest, next, now_us };
                    let opening = Opening { session, resume, nonce, challenge, boot, kept, capabilities };
                    *session_keys = key.session_keys(LinkEnd::Host, &opening);
                }
                *last_sent = None;
                *number = 0;
                if key.is_some() {
                    *state = State::Welcomed(welcome);
                    return None;
                }
                *state = State::Open;
                Some(receiving.connected(welcome))
            }
            ToHost::Record { .. } | ToHost::Gap { .. } if *observes_only => None,
            ToHost::Record { number, body } if *state == State::Open => receiving.record(number, body),
            ToHost::Gap { from, to } if *state == State::Open => receiving.gap(from, to),
            ToHost::Response { number: of, response: answer }
                if *state == State::Open && of == *number && request.is_some() =>
            {
                *number = of.wrapping_add(1);
                if request.take_if(|request| is_response_to(&answer, request)).is_none() {
                    // Somebody else has used its number, which only happens without a key: again, under the next.
                    *last_sent = None;
                    return None;
                }
                Some(HostEvent::Response(answer))
            }
            #[cfg(feature = "start-button")]
            ToHost::Presses(count) if *state == State::Open => {
                presses.replace(count).is_some_and(|before| before != count).then_some(HostEvent::StartPressed)
            }
            // Repeated, late, or of another session.
            _ => None,
        }
    }

    /// Invalid frames from the line.
    pub const fn bad_frames(&self) -> u32 {
        self.deframer.bad()
    }
}

/// Whether a request can be answered so.
const fn is_response_to(response: &Response, request: &Request) -> bool {
    match response {
        Response::Done => is_done_by(request),
        #[cfg(not(feature = "rig-memory"))]
        Response::NotValid { .. } => matches!(request, Request::LoadRecipe(_)),
        Response::Status(_) => matches!(request, Request::ReadStatus),
        #[cfg(not(feature = "rig-memory"))]
        Response::Rig(_) => matches!(request, Request::ReadRig),
        Response::Busy | Response::NotAllowed | Response::Stale => true,
        #[cfg(feature = "rig-memory")]
        Response::NotValid { .. } => matches!(
            request,
            Request::LoadRecipe(_)
                | Request::StageAdapter(_)
                | Request::StoreRig { .. }
                | Request::SetRigCheck { .. }
                | Request::FitAdapter { .. }
        ),
        #[cfg(feature = "rig-memory")]
        Response::Rig(_) => matches!(request, Request::ReadRig | Request::ReadCompiledRig),
        #[cfg(feature = "rig-memory")]
        Response::Poll { .. } => matches!(request, Request::ReadPoll),
        #[cfg(feature = "rig-memory")]
        Response::RigMemory(_) => matches!(
            request,
            Request::ReadRigMemory
                | Request::StoreRig { .. }
                | Request::SetRigCheck { .. }
                | Request::FitAdapter { .. }
        ),
        #[cfg(feature = "rig-memory")]
        Response::Adapter(_) => matches!(request, Request::ReadAdapter { .. }),
        #[cfg(feature = "rig-memory")]
        Response::Lacking(_) => matches!(request, Request::Operate(_)),
        #[cfg(feature = "rig-memory")]
        Response::NotStored => matches!(request, Request::StoreRig { .. } | Request::SetRigCheck { .. }),
    }
}

/// Whether it is answered with nothing but that it is done.
const fn is_done_by(request: &Request) -> bool {
    match request {
        Request::LoadRecipe(_) | Request::Operate(_) | Request::SetTime { .. } => true,
        #[cfg(feature = "rig-memory")]
        Request::StageRig { .. } | Request::StageAdapter(_) => true,
        _ => false,
    }
}

/// The fields of a host that records change.
struct Receiving<'s> {
    resume_point: &'s mut Option<ResumePoint>,
    acknowledge: &'s mut bool,
    retransmit: &'s mut bool,
    retransmit_requested: &'s mut Option<u32>,
}

impl Receiving<'_> {
    fn connected(&mut self, welcome: Welcome) -> HostEvent<'static> {
        let restarted = self.resume_point.is_some_and(|point| point.boot != welcome.boot);
        if self.resume_point.is_none() || restarted {
            *self.resume_point = Some(ResumePoint { boot: welcome.boot, next: 0 });
        }
        HostEvent::Connected { welcome, restarted }
    }

    fn advance(&mut self, next: u32) {
        if let Some(point) = self.resume_point {
            point.next = next;
        }
        *self.acknowledge = true;
        *self.retransmit_requested = None;
    }

    fn record<'a>(&mut self, number: u32, body: &'a [u8]) -> Option<HostEvent<'a>> {
        let next = self.resume_point.map_or(0, |point| point.next);
        // A duplicate: its acknowledgement was lost.
        *self.acknowledge = true;
        if number > next && *self.retransmit_requested != Some(next) {
            // An earlier one was lost. Requested once: records already in transit will be out of order as well.
            *self.retransmit = true;
            *self.retransmit_requested = Some(next);
        }
        if number != next {
            return None;
        }
        self.advance(number.wrapping_add(1));
        Some(match postcard::from_bytes::<Record<'a>>(body) {
            Ok(Record::RecipeLoaded(recipe)) => HostEvent::RecipeLoaded(recipe),
            Ok(Record::Polls(series)) => HostEvent::Polls(series),
            Ok(Record::Event { at, event }) => HostEvent::Event { at, event },
            Ok(Record::TimeSet { at, unix_ms }) => HostEvent::TimeSet { at, unix_ms },
            #[cfg(feature = "rig-memory")]
            Ok(Record::RigChanged { at, memory }) => HostEvent::RigChanged { at, memory },
            Err(_) => HostEvent::Unreadable { number },
        })
    }

    fn gap(&mut self, from: u32, to: u32) -> Option<HostEvent<'static>> {
        let next = self.resume_point.map_or(0, |point| point.next);
        if from > next || to <= next {
            *self.acknowledge = true;
            return None;
        }
        self.advance(to);
        Some(HostEvent::Gap { from: next, to })
    }
}
