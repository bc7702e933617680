//! Polling and waiting, while watching Ctrl-C and the connection.

use seathold_sequencer::link::message::{Request, Response};
use seathold_sequencer::rig::Rig;

use super::readings::Readings;
use crate::console::Console;
use crate::error::Error;
use crate::rig::client::{ANSWER_US, Client, ClientEvent, ConnectionError};

/// Why a check ends early.
#[derive(Debug)]
pub enum Halt {
    /// Ctrl-C, or the operator aborted it.
    Aborted,
    /// The controller cannot be reached any more, or was reset.
    Lost(String),
    /// Our own output.
    Dark(Error),
}

impl From<std::io::Error> for Halt {
    fn from(why: std::io::Error) -> Self {
        Self::Dark(why.into())
    }
}

/// A rig under check.
#[derive(Debug)]
pub struct RigUnderCheck {
    /// The connection, which receives records.
    pub client: Client,
    /// The rig.
    pub rig: Rig,
    /// The controller's present state.
    pub readings: Readings,
    /// Count of Ctrl-C presses when it was last handled.
    pub presses: usize,
    answered: Option<Response>,
}

impl RigUnderCheck {
    /// With an open session.
    pub const fn new(client: Client, rig: Rig, readings: Readings) -> Self {
        Self { client, rig, readings, presses: 0, answered: None }
    }

    /// Receives what has come, and keeps the connection alive.
    ///
    /// # Errors
    /// On Ctrl-C, and when the controller is gone or has been reset.
    pub fn look(&mut self, console: &mut Console<'_>) -> Result<(), Halt> {
        let mut events = Vec::new();
        self.client.turn(console.clock, &mut events, |_| {});
        for one in events {
            match one {
                ClientEvent::Record { what, .. } => self.readings.take(&what),
                ClientEvent::Answer(answer) => self.answered = Some(answer),
                ClientEvent::Gap { .. } | ClientEvent::StartPressed => {}
                ClientEvent::Lost(why) => return Err(Halt::Lost(why)),
                ClientEvent::Connected { .. } => return Err(Halt::Lost("it was reset".into())),
                ClientEvent::OtherKey => return Err(Halt::Lost(ConnectionError::OtherKey.to_string())),
                ClientEvent::NoKey => return Err(Halt::Lost(ConnectionError::NoKey.to_string())),
                ClientEvent::OtherVersion(version) => {
                    return Err(Halt::Lost(ConnectionError::Version(version).to_string()));
                }
            }
        }
        if console.interrupted() > self.presses {
            self.presses = console.interrupted();
            return Err(Halt::Aborted);
        }
        Ok(())
    }

    /// Polls until `done`, for at most `most` microseconds on the connection's clock; returns whether it was.
    ///
    /// # Errors
    /// As [`RigUnderCheck::look`].
    pub fn until(
        &mut self,
        console: &mut Console<'_>,
        most: u64,
        mut done: impl FnMut(&Readings) -> bool,
    ) -> Result<bool, Halt> {
        let until = self.client.now(console.clock) + most;
        loop {
            if done(&self.readings) {
                return Ok(true);
            }
            if self.client.now(console.clock) >= until {
                return Ok(false);
            }
            self.look(console)?;
        }
    }

    /// Polls until so many microseconds have passed on the controller's own clock, which a busy machine may keep behind this
    /// program's; for at most `most` here.
    ///
    /// # Errors
    /// As [`RigUnderCheck::look`].
    pub fn pass(&mut self, console: &mut Console<'_>, us: u64, most: u64) -> Result<(), Halt> {
        let mut from = None;
        let passed = |readings: &Readings| {
            let Some(poll) = readings.last else { return false };
            let at = poll.at.as_ticks();
            at.saturating_sub(*from.get_or_insert(at)) >= us
        };
        self.until(console, most, passed).map(|_| ())
    }

    /// Sends a request and waits for its response.
    ///
    /// # Errors
    /// As [`RigUnderCheck::look`]; and when no answer comes.
    pub fn request(&mut self, console: &mut Console<'_>, request: &Request) -> Result<Response, Halt> {
        let until = self.client.now(console.clock) + ANSWER_US;
        let mut given = false;
        self.answered = None;
        loop {
            given = given || self.client.request(request.clone());
            if let Some(answer) = self.answered.take() {
                return Ok(answer);
            }
            if self.client.now(console.clock) >= until {
                return Err(Halt::Lost("a request was not answered".into()));
            }
            self.look(console)?;
        }
    }
}
