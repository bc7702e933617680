//! The controller's end: accepts requests, keeps records, sends them until the host has them.
//!
//! Order of use, each cycle of the loop: [`Controller::receive`] for every byte that has come, then
//! [`super::serve::service`], then [`Controller::transmit`] until it gives nothing. Each call is bounded work. Calling
//! `transmit` without need is harmless.

use super::frame::{self, Deframer, Frame};
use super::key::{self, ControllerKey, KeptRecords, Key, LinkEnd, Opening, SessionKeys};
use super::message::{Capabilities, Hello, Record, Request, Response, ToController, ToHost, VERSION, Welcome};
use super::polls::{Packer, Poll};
use super::record_ring::RecordRing;
use super::write;
use crate::event::{Event, Phase};
use crate::input::Command;
use crate::io::Operator;
use crate::poll_loop::PollRecord;
use crate::time::{Duration, Instant, millis, since};

/// The host counts as gone when no valid frame has come from it for this long.
pub const HOST_TIMEOUT: Duration = millis(1_000);

/// Records are sent again when none has been acknowledged for this long.
pub const RETRANSMIT: Duration = millis(200);

/// The count of presses is sent again after this long, since a frame may be lost.
#[cfg(feature = "start-button")]
pub const PRESSES_REPEAT: Duration = millis(200);

/// Most records under way at once. Bounds the search in [`RecordRing::read`] too.
pub const WINDOW: u32 = 16;

/// Room for the longest record: a recipe.
const RECORD_MAX: usize = 300;

/// The controller's end of the link, with `N` bytes for records; [`link`](super) has an example of both ends.
#[derive(Debug)]
pub struct Controller<const N: usize> {
    capabilities: Capabilities,
    deframer: Deframer,
    records: RecordRing<N>,
    packer: Packer,
    now: Instant,
    /// When a valid frame last came from the host of the present session.
    last_heard: Option<Instant>,
    boot: Option<u32>,
    session: Option<u32>,
    same_version: bool,
    welcome_due: bool,
    key: Option<ControllerKey>,
    session_keys: Option<SessionKeys>,
    request: Option<Request>,
    /// Number of the next new request.
    expected: u16,
    last_response: Option<Response>,
    response_due: bool,
    /// The host has every record below.
    acknowledged: u32,
    /// The record to be sent next.
    sending: u32,
    /// When the host last advanced, or records were last retransmitted.
    progress: Instant,
    #[cfg(feature = "start-button")]
    presses: Option<Presses>,
}

/// Presses of the start button, and when they were last sent, unless they are to be sent now.
#[cfg(feature = "start-button")]
#[derive(Clone, Copy, Debug)]
struct Presses {
    count: u8,
    sent: Option<Instant>,
}

impl<const N: usize> Controller<N> {
    /// After a reset: no host, no record.
    pub fn new(capabilities: Capabilities) -> Self {
        Self {
            capabilities: Capabilities { record_bytes: N as u32, ..capabilities },
            deframer: Deframer::default(),
            records: RecordRing::default(),
            packer: Packer::default(),
            now: Instant::from_ticks(0),
            last_heard: None,
            boot: None,
            session: None,
            same_version: false,
            welcome_due: false,
            key: None,
            session_keys: None,
            request: None,
            expected: 0,
            last_response: None,
            response_due: false,
            acknowledged: 0,
            sending: 0,
            progress: Instant::from_ticks(0),
            #[cfg(feature = "start-button")]
            presses: None,
        }
    }

    /// Sets how often the start button has been pressed, as [`StartButton`](super::start_button::StartButton) counts. The host
    /// takes the first count of a session as where it begins, and any other as a press.
    #[cfg(feature = "start-button")]
    pub fn set_presses(&mut self, count: u8) {
        if self.presses.is_none_or(|presses| presses.count != count) {
            self.presses = Some(Presses { count, sent: None });
        }
    }

    /// Takes commands only from a host that has this key. `entropy` must be different after every reset, from the part's
    /// random source: with it, what was sent before the reset cannot be played again.
    pub fn set_key(&mut self, key: Key, entropy: [u8; 16]) {
        self.capabilities.key = true;
        self.key = ControllerKey::new(key, entropy);
    }

    /// Takes in one byte from the line.
    pub fn receive(&mut self, now: Instant, byte: u8) {
        self.tick(now);
        let proved = self.is_proved();
        let Some(message) = self.deframer.push(byte) else { return };
        let verified = match &mut self.session_keys {
            Some(keys) if key::is_tagged(message) => match keys.verify(message) {
                Some(message) => Some(message),
                None => return,
            },
            // A tag without a session to verify it in makes no message either.
            _ => None,
        };
        let tagged = verified.is_some();
        if tagged && !proved {
            // What was sent to it before had no tag, and it has taken none of that.
            self.sending = self.acknowledged;
        }
        let trusted = tagged || self.key.is_none();
        match postcard::from_bytes::<ToController>(verified.unwrap_or(message)) {
            Ok(ToController::Hello(hello)) => self.hello(hello),
            // Once there are tags, what comes without one is not from the session's host.
            _ if proved && !trusted => {}
            Ok(ToController::Acknowledge { session, next, retransmit: again }) if self.is_of(session) => {
                self.last_heard = Some(now);
                if trusted {
                    self.acknowledge(next, again);
                }
            }
            Ok(ToController::Request { session, number, request, heard }) if self.is_of(session) => {
                self.last_heard = Some(now);
                let up_to_date = self.key.as_ref().is_none_or(|key| key.is_up_to_date(heard));
                self.accept(number, request, (trusted, up_to_date));
            }
            // Of another session, late on the line; or unknown to this version.
            _ => {}
        }
    }

    fn is_of(&self, session: u32) -> bool {
        self.same_version && self.session == Some(session)
    }

    /// By itself, which takes the smallest part 270 bytes of flash less.
    #[inline(never)]
    fn hello(&mut self, hello: Hello) {
        self.welcome_due = true;
        // The first hello of a session that has tags since may be played again, by someone else: nobody is heard.
        if self.is_proved() && self.session == Some(hello.session) {
            return;
        }
        self.last_heard = Some(self.now);
        if self.session == Some(hello.session) {
            // Its welcome was lost. Nothing else may change: a request of the present session may be in progress.
            return;
        }
        self.session = Some(hello.session);
        // The host counts from the first it hears, so that is to come at once.
        #[cfg(feature = "start-button")]
        if let Some(presses) = &mut self.presses {
            presses.sent = None;
        }
        self.same_version = hello.version == VERSION;
        let boot = *self.boot.get_or_insert(hello.session);
        let kept = self.kept();
        if let Some(key) = &mut self.key {
            let opening = Opening {
                session: hello.session,
                resume: hello.resume,
                nonce: hello.nonce,
                challenge: key.draw(self.now, kept),
                boot,
                kept,
                capabilities: self.capabilities,
            };
            self.session_keys = key.key().session_keys(LinkEnd::Controller, &opening);
        }
        self.request = None;
        self.expected = 0;
        self.last_response = None;
        self.response_due = false;
        self.acknowledged = match hello.resume {
            Some(point) if point.boot == boot => point.next.min(self.records.next()),
            _ => 0,
        };
        // Dropped only when it acknowledges them again: it may not be whose records they are.
        if self.key.is_none() {
            self.records.forget_below(self.acknowledged);
        }
        self.sending = self.acknowledged;
        self.progress = self.now;
    }

    fn acknowledge(&mut self, next: u32, again: bool) {
        if next > self.acknowledged && next <= self.records.next() {
            self.acknowledged = next;
            self.records.forget_below(next);
            self.sending = self.sending.max(next);
            self.progress = self.now;
        } else if self.key.is_some() {
            // What its hello said it has, now said by someone with the key.
            self.records.forget_below(self.acknowledged);
        }
        if again && next == self.acknowledged {
            self.sending = next;
            self.progress = self.now;
        }
    }

    fn accept(&mut self, number: u16, request: Request, (trusted, up_to_date): (bool, bool)) {
        if number == self.expected && self.request.is_none() {
            self.expected = number.wrapping_add(1);
            self.last_response = None;
            if is_open_to_all(&request) || trusted && up_to_date {
                self.request = Some(request);
            } else {
                self.respond(if trusted { Response::Stale } else { Response::NotAllowed });
            }
        } else if number.wrapping_add(1) == self.expected && self.last_response.is_some() {
            self.response_due = true;
        }
    }

    /// Whether the host has been heard within the time-out, and has the key, where there is one.
    pub fn is_up(&self) -> bool {
        self.hears() && (self.key.is_none() || self.is_proved())
    }

    /// Whether the host of the present session has proved that it has the key.
    fn is_proved(&self) -> bool {
        self.session_keys.as_ref().is_some_and(SessionKeys::has_verified)
    }

    /// Whether anyone has been heard within the time-out.
    fn hears(&self) -> bool {
        self.same_version && self.last_heard.is_some_and(|at| since(self.now, at) < HOST_TIMEOUT)
    }

    /// Sets the time; at least once a cycle, so that a silent host is detected. What a host under a key sends after that
    /// is of no session: somebody may have held it back, so a new one is opened, with a new challenge.
    pub fn tick(&mut self, now: Instant) {
        self.now = now;
        if self.is_proved() && !self.hears() {
            (self.session, self.session_keys, self.request) = (None, None, None);
        }
        if let (Some(key), Some(keys)) = (&mut self.key, &self.session_keys) {
            key.sent(now, keys);
        }
    }

    /// The pending request that is not for the sequencer, if there is one. It must be [answered](Self::respond).
    pub(super) fn request(&mut self) -> Option<Request> {
        self.request.take_if(|request| !matches!(request, Request::Operate(_)))
    }

    /// Takes a pending start away from the sequencer, if there is one. It must be [answered](Self::respond).
    #[cfg(feature = "rig-memory")]
    pub(super) fn take_start(&mut self) -> bool {
        self.request.take_if(|request| matches!(request, Request::Operate(Command::Start(_)))).is_some()
    }

    /// Sets the response to the last request.
    pub fn respond(&mut self, response: Response) {
        self.last_response = Some(response);
        self.response_due = true;
    }

    /// Records a poll.
    pub fn record(&mut self, poll_record: &PollRecord) {
        let poll = Poll::from(poll_record);
        if !self.packer.push(&poll) {
            self.flush();
            // An empty series has room for any poll.
            let _ = self.packer.push(&poll);
        }
        if self.packer.is_due() {
            self.flush();
        }
        for event in &poll_record.events {
            self.keep(&Record::Event { at: poll_record.at, event });
        }
    }

    /// Stores a record, after the polls before it.
    pub fn keep(&mut self, record: &Record<'_, &Event>) {
        self.flush();
        let mut room = [0; RECORD_MAX];
        match write::to_slice(record, &mut room) {
            Some(bytes) => self.records.push(bytes),
            // Impossible, by the bounds above; otherwise the host would get a record it cannot read, not silence.
            None => self.records.push(&[]),
        }
    }

    fn flush(&mut self) {
        let mut room = [0; RECORD_MAX];
        if let Some(series) = self.packer.series()
            && let Some(bytes) = write::to_slice(&Record::<&Event>::Polls(series), &mut room)
        {
            self.records.push(bytes);
        }
        self.packer.clear();
    }

    /// The next frame to send, if there is one.
    #[must_use = "a frame taken and not sent is lost until it is retransmitted"]
    // By itself, as `hello`: 280 bytes.
    #[inline(never)]
    pub fn transmit(&mut self, now: Instant, frame: &mut Frame) -> bool {
        self.now = now;
        if self.welcome_due {
            self.welcome_due = false;
            return frame::encode(&ToHost::Welcome(self.welcome()), frame).is_ok();
        }
        if !self.hears() {
            return false;
        }
        if self.response_due {
            self.response_due = false;
            if let Some(response) = self.last_response.clone() {
                let number = self.expected.wrapping_sub(1);
                return self.encode(&ToHost::Response { number, response }, frame);
            }
        }
        #[cfg(feature = "start-button")]
        if let Some(presses) = &mut self.presses
            && presses.sent.is_none_or(|sent| since(now, sent) >= PRESSES_REPEAT)
        {
            presses.sent = Some(now);
            let count = presses.count;
            return self.encode(&ToHost::Presses(count), frame);
        }
        self.transmit_record(frame)
    }

    /// With a tag, as soon as the host has proved that it has the key.
    fn encode(&mut self, message: &ToHost<'_>, frame: &mut Frame) -> bool {
        let keys = self.session_keys.as_mut().filter(|keys| keys.has_verified());
        frame::encode_tagged(message, keys, frame).is_ok()
    }

    const fn kept(&self) -> KeptRecords {
        KeptRecords { oldest: self.records.oldest(), next: self.records.next(), now_us: self.now.as_ticks() }
    }

    fn welcome(&self) -> Welcome {
        // Under a key it is the same whenever it is repeated, since the session's keys are made from it.
        let kept = self.key.as_ref().map(ControllerKey::kept);
        let KeptRecords { oldest, next, now_us } = kept.unwrap_or_else(|| self.kept());
        Welcome {
            version: VERSION,
            session: self.session.unwrap_or(0),
            boot: self.boot.unwrap_or(0),
            oldest,
            next,
            now_us,
            capabilities: self.capabilities,
            challenge: self.key.as_ref().map_or(0, ControllerKey::challenge),
        }
    }

    fn transmit_record(&mut self, frame: &mut Frame) -> bool {
        if self.sending > self.acknowledged && since(self.now, self.progress) >= RETRANSMIT {
            self.sending = self.acknowledged;
            self.progress = self.now;
        }
        let (oldest, next) = (self.records.oldest(), self.records.next());
        if self.sending < oldest {
            let gap = ToHost::Gap { from: self.sending, to: oldest };
            self.begin_at(oldest);
            return self.encode(&gap, frame);
        }
        if self.sending >= next || self.sending - self.acknowledged.max(oldest) >= WINDOW {
            return false;
        }
        let mut room = [0; RECORD_MAX];
        let number = self.sending;
        self.begin_at(number.wrapping_add(1));
        // By field: the body borrows `room`, and the keys the rest.
        let keys = self.session_keys.as_mut().filter(|keys| keys.has_verified());
        match self.records.read(number, &mut room) {
            Some(body) => frame::encode_tagged(&ToHost::Record { number, body }, keys, frame).is_ok(),
            None => false,
        }
    }

    /// Advances, and starts the time-out of the acknowledgement where none was running.
    fn begin_at(&mut self, next: u32) {
        if self.sending == self.acknowledged {
            self.progress = self.now;
        }
        self.sending = next;
    }

    /// Number of records the host does not have yet.
    pub const fn behind(&self) -> u32 {
        self.records.next().saturating_sub(self.acknowledged)
    }

    /// Invalid frames from the line.
    pub const fn bad_frames(&self) -> u32 {
        self.deframer.bad()
    }
}

/// What a host may do without the key: look, and abort, which is never less safe.
const fn is_open_to_all(request: &Request) -> bool {
    match request {
        Request::ReadStatus | Request::ReadRig | Request::Operate(Command::Abort) => true,
        Request::LoadRecipe(_) | Request::Operate(_) | Request::SetTime { .. } => false,
        #[cfg(feature = "rig-memory")]
        Request::ReadPoll | Request::ReadRigMemory | Request::ReadCompiledRig | Request::ReadAdapter { .. } => true,
        #[cfg(feature = "rig-memory")]
        Request::StageRig { .. }
        | Request::StageAdapter(_)
        | Request::StoreRig { .. }
        | Request::SetRigCheck { .. }
        | Request::FitAdapter { .. } => false,
    }
}

/// To the sequencer, the link is the operator.
impl<const N: usize> Operator for Controller<N> {
    fn link_up(&mut self) -> bool {
        self.is_up()
    }

    fn command(&mut self, _: Instant, _: Phase) -> Option<Command> {
        match self.request.take_if(|request| matches!(request, Request::Operate(_))) {
            Some(Request::Operate(command)) => {
                self.respond(Response::Done);
                Some(command)
            }
            _ => None,
        }
    }

    /// Events go out with the poll's record.
    fn notify(&mut self, _: Instant, _: &Event) {}
}
