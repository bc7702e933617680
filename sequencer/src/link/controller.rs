//! The controller's end: takes orders, keeps records, sends them until the host has them.
//!
//! Order of use, each turn of the loop: [`Controller::receive`] for every byte that has come, then [`super::serve::turn`],
//! then [`Controller::transmit`] until it gives nothing. Each call is bounded work. Calling `transmit` without need is
//! harmless.

use super::frame::{self, Deframer, Frame};
use super::message::{Answer, Capabilities, Hello, Order, Record, ToController, ToHost, VERSION, Welcome};
use super::polls::{Packer, Poll};
use super::store::Store;
use super::write;
use crate::bench::Polled;
use crate::event::{Event, Phase};
use crate::input::Command;
use crate::io::Operator;
use crate::time::{Duration, Instant, millis, since};

/// The host counts as gone when nothing whole has come from it for this long.
pub const SILENCE: Duration = millis(1_000);

/// Records are sent again when none has been acknowledged for this long.
pub const RESEND: Duration = millis(200);

/// Most records under way at once. Bounds the walk in [`Store::read`] too.
pub const WINDOW: u32 = 16;

/// Room for the longest record: a recipe.
const RECORD_MAX: usize = 300;

/// The controller's end of the link, with `N` bytes for records.
#[derive(Debug)]
pub struct Controller<const N: usize> {
    can: Capabilities,
    deframer: Deframer,
    store: Store<N>,
    packer: Packer,
    now: Instant,
    /// When something whole last came from the host of the present session.
    heard: Option<Instant>,
    boot: Option<u32>,
    session: Option<u32>,
    same_version: bool,
    owes_welcome: bool,
    order: Option<Order>,
    /// Number the next new order must have.
    expected: u16,
    answered: Option<Answer>,
    owes_answer: bool,
    /// The host has every record below.
    acknowledged: u32,
    /// The record to be sent next.
    sending: u32,
    /// When the host last got further, or records were last sent again.
    progress: Instant,
}

impl<const N: usize> Controller<N> {
    /// After a reset: no host, no record.
    pub fn new(can: Capabilities) -> Self {
        Self {
            can: Capabilities { store: N as u32, ..can },
            deframer: Deframer::default(),
            store: Store::default(),
            packer: Packer::default(),
            now: Instant::from_ticks(0),
            heard: None,
            boot: None,
            session: None,
            same_version: false,
            owes_welcome: false,
            order: None,
            expected: 0,
            answered: None,
            owes_answer: false,
            acknowledged: 0,
            sending: 0,
            progress: Instant::from_ticks(0),
        }
    }

    /// Takes in one byte from the line.
    pub fn receive(&mut self, now: Instant, byte: u8) {
        self.now = now;
        let Some(message) = self.deframer.push(byte) else { return };
        match postcard::from_bytes::<ToController>(message) {
            Ok(ToController::Hello(hello)) => self.hello(hello),
            Ok(ToController::Acknowledge { session, next, again }) if self.is_of(session) => {
                self.heard = Some(now);
                self.acknowledge(next, again);
            }
            Ok(ToController::Do { session, number, order }) if self.is_of(session) => {
                self.heard = Some(now);
                self.take(number, order);
            }
            // Of another session, late on the line; or nothing this version knows.
            _ => {}
        }
    }

    fn is_of(&self, session: u32) -> bool {
        self.same_version && self.session == Some(session)
    }

    fn hello(&mut self, hello: Hello) {
        self.heard = Some(self.now);
        self.owes_welcome = true;
        if self.session == Some(hello.session) {
            // Its welcome was lost. Nothing else may change: an order of the present session may be under way.
            return;
        }
        self.session = Some(hello.session);
        self.same_version = hello.version == VERSION;
        let boot = *self.boot.get_or_insert(hello.session);
        self.order = None;
        self.expected = 0;
        self.answered = None;
        self.owes_answer = false;
        self.acknowledged = match hello.have {
            Some(have) if have.boot == boot => have.next.min(self.store.next()),
            _ => 0,
        };
        self.store.forget_below(self.acknowledged);
        self.sending = self.acknowledged;
        self.progress = self.now;
    }

    fn acknowledge(&mut self, next: u32, again: bool) {
        if next > self.acknowledged && next <= self.store.next() {
            self.acknowledged = next;
            self.store.forget_below(next);
            self.sending = self.sending.max(next);
            self.progress = self.now;
        }
        if again && next == self.acknowledged {
            self.sending = next;
            self.progress = self.now;
        }
    }

    fn take(&mut self, number: u16, order: Order) {
        if number == self.expected && self.order.is_none() {
            self.expected = number.wrapping_add(1);
            self.answered = None;
            self.order = Some(order);
        } else if number.wrapping_add(1) == self.expected && self.answered.is_some() {
            self.owes_answer = true;
        }
    }

    /// Whether the host has been heard lately.
    pub fn is_up(&self) -> bool {
        self.same_version && self.heard.is_some_and(|heard| since(self.now, heard) < SILENCE)
    }

    /// Tells what time it is; at least once a turn, so that a silent host is noticed.
    pub fn tick(&mut self, now: Instant) {
        self.now = now;
    }

    /// The order waiting that is not for the sequencer, if there is one. It must be [answered](Self::answer).
    pub(super) fn order(&mut self) -> Option<Order> {
        self.order.take_if(|order| !matches!(order, Order::Operate(_)))
    }

    /// Says how the last order went.
    pub fn answer(&mut self, answer: Answer) {
        self.answered = Some(answer);
        self.owes_answer = true;
    }

    /// Keeps what a poll saw and did.
    pub fn record(&mut self, polled: &Polled) {
        let poll = Poll::from(polled);
        if !self.packer.push(&poll) {
            self.flush();
            // An empty series has room for any poll.
            let _ = self.packer.push(&poll);
        }
        if self.packer.is_due() {
            self.flush();
        }
        for event in &polled.events {
            self.keep(&Record::Event { at: polled.at, event: event.clone() });
        }
    }

    /// Keeps a record, behind the polls before it.
    pub fn keep(&mut self, record: &Record<'_>) {
        self.flush();
        let mut room = [0; RECORD_MAX];
        match write::to_slice(record, &mut room) {
            Some(bytes) => self.store.push(bytes),
            // Cannot be, by the bounds above; if it were, the host would see a record it cannot read, not silence.
            None => self.store.push(&[]),
        }
    }

    fn flush(&mut self) {
        let mut room = [0; RECORD_MAX];
        if let Some(series) = self.packer.series()
            && let Some(bytes) = write::to_slice(&Record::Polls(series), &mut room)
        {
            self.store.push(bytes);
        }
        self.packer.clear();
    }

    /// The next frame to send, if there is one.
    #[must_use = "a frame taken and not sent is lost until it is sent again"]
    pub fn transmit(&mut self, now: Instant, frame: &mut Frame) -> bool {
        self.now = now;
        if self.owes_welcome {
            self.owes_welcome = false;
            return frame::encode(&ToHost::Welcome(self.welcome()), frame).is_ok();
        }
        if !self.is_up() {
            return false;
        }
        if self.owes_answer {
            self.owes_answer = false;
            if let Some(answer) = self.answered.clone() {
                let number = self.expected.wrapping_sub(1);
                return frame::encode(&ToHost::Answer { number, answer }, frame).is_ok();
            }
        }
        self.transmit_record(frame)
    }

    fn welcome(&self) -> Welcome {
        Welcome {
            version: VERSION,
            session: self.session.unwrap_or(0),
            boot: self.boot.unwrap_or(0),
            oldest: self.store.oldest(),
            next: self.store.next(),
            now_us: self.now.as_ticks(),
            can: self.can,
        }
    }

    fn transmit_record(&mut self, frame: &mut Frame) -> bool {
        if self.sending > self.acknowledged && since(self.now, self.progress) >= RESEND {
            self.sending = self.acknowledged;
            self.progress = self.now;
        }
        let (oldest, next) = (self.store.oldest(), self.store.next());
        if self.sending < oldest {
            let gap = ToHost::Gap { from: self.sending, to: oldest };
            self.begin_at(oldest);
            return frame::encode(&gap, frame).is_ok();
        }
        if self.sending >= next || self.sending - self.acknowledged.max(oldest) >= WINDOW {
            return false;
        }
        let mut room = [0; RECORD_MAX];
        let number = self.sending;
        self.begin_at(number.wrapping_add(1));
        match self.store.read(number, &mut room) {
            Some(body) => frame::encode(&ToHost::Record { number, body }, frame).is_ok(),
            None => false,
        }
    }

    /// Moves on, and starts waiting for an acknowledgement where nothing was under way.
    fn begin_at(&mut self, next: u32) {
        if self.sending == self.acknowledged {
            self.progress = self.now;
        }
        self.sending = next;
    }

    /// How many records the host does not have yet.
    pub const fn behind(&self) -> u32 {
        self.store.next().saturating_sub(self.acknowledged)
    }

    /// Frames from the line that were not whole.
    pub const fn bad_frames(&self) -> u32 {
        self.deframer.bad()
    }
}

/// To the sequencer, the link is the operator.
impl<const N: usize> Operator for Controller<N> {
    fn link_up(&mut self) -> bool {
        self.is_up()
    }

    fn command(&mut self, _: Instant, _: Phase) -> Option<Command> {
        match self.order.take_if(|order| matches!(order, Order::Operate(_))) {
            Some(Order::Operate(command)) => {
                self.answer(Answer::Done);
                Some(command)
            }
            _ => None,
        }
    }

    /// Events go out with the poll's record.
    fn tell(&mut self, _: Instant, _: &Event) {}
}
