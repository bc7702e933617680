//! Looking and waiting, with an eye on Ctrl-C and the line.

use seathold_sequencer::link::message::{Answer, Order};
use seathold_sequencer::rig::Rig;

use super::view::View;
use crate::console::Console;
use crate::error::Error;
use crate::rig::remote::{ANSWER_US, News, Remote, Silent};

/// Why a check ends early.
#[derive(Debug)]
pub enum Halt {
    /// Ctrl-C, or the person gave it up.
    GivenUp,
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
pub struct Bench {
    /// The connection, which takes records.
    pub remote: Remote,
    /// The rig.
    pub rig: Rig,
    /// The controller as it is now.
    pub view: View,
    /// How often Ctrl-C had been pressed when it was last heeded.
    pub presses: usize,
    answered: Option<Answer>,
}

impl Bench {
    /// With a session that is open.
    pub const fn new(remote: Remote, rig: Rig, view: View) -> Self {
        Self { remote, rig, view, presses: 0, answered: None }
    }

    /// Takes in what has come, and keeps the line alive.
    ///
    /// # Errors
    /// On Ctrl-C, and when the controller is gone or is another than before.
    pub fn look(&mut self, console: &mut Console<'_>) -> Result<(), Halt> {
        let mut news = Vec::new();
        self.remote.turn(console.clock, &mut news, |_| {});
        for one in news {
            match one {
                News::Record { what, .. } => self.view.take(&what),
                News::Answer(answer) => self.answered = Some(answer),
                News::Gap { .. } => {}
                News::Lost(why) => return Err(Halt::Lost(why)),
                News::Connected { .. } => return Err(Halt::Lost("it was reset".into())),
                News::OtherVersion(version) => {
                    return Err(Halt::Lost(Silent::Version(version).to_string()));
                }
            }
        }
        if console.interrupted() > self.presses {
            self.presses = console.interrupted();
            return Err(Halt::GivenUp);
        }
        Ok(())
    }

    /// Looks until `done`, for `most` microseconds on the line's clock; whether it was.
    ///
    /// # Errors
    /// As [`Bench::look`].
    pub fn until(
        &mut self,
        console: &mut Console<'_>,
        most: u64,
        mut done: impl FnMut(&View) -> bool,
    ) -> Result<bool, Halt> {
        let until = self.remote.now(console.clock) + most;
        loop {
            if done(&self.view) {
                return Ok(true);
            }
            if self.remote.now(console.clock) >= until {
                return Ok(false);
            }
            self.look(console)?;
        }
    }

    /// Gives an order and waits for its answer.
    ///
    /// # Errors
    /// As [`Bench::look`]; and when no answer comes.
    pub fn order(&mut self, console: &mut Console<'_>, order: &Order) -> Result<Answer, Halt> {
        let until = self.remote.now(console.clock) + ANSWER_US;
        let mut given = false;
        self.answered = None;
        loop {
            given = given || self.remote.order(order.clone());
            if let Some(answer) = self.answered.take() {
                return Ok(answer);
            }
            if self.remote.now(console.clock) >= until {
                return Err(Halt::Lost("an order was not answered".into()));
            }
            self.look(console)?;
        }
    }
}
