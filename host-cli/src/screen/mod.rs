//! A run as it happens: moving lines on a terminal, plain lines elsewhere, JSON lines for programs.

mod json;
mod live;
mod plain;

pub use json::Json;
pub use live::{Live, MovingText};
pub use plain::Plain;

use seathold_sequencer::event::Event;
use seathold_sequencer::poll_loop::PollRecord;
use seathold_sequencer::step::Status;
use seathold_sequencer::time::Instant;

use crate::console::Console;
use crate::error::Error;

/// A view of a run.
pub trait Screen {
    /// Shows an event.
    ///
    /// # Errors
    /// When the stream cannot be written.
    fn event(&mut self, console: &mut Console<'_>, at: Instant, event: &Event) -> Result<(), Error>;

    /// Shows another message.
    ///
    /// # Errors
    /// When the stream cannot be written.
    fn say(&mut self, console: &mut Console<'_>, text: &str) -> Result<(), Error> {
        writeln!(console.err, "{text}")?;
        Ok(())
    }

    /// Shows a poll.
    fn poll(&mut self, record: &PollRecord, status: &Status) {
        let _ = (record, status);
    }

    /// The run is over: moving lines go away.
    fn end(&mut self) {}
}

/// Shows nothing.
#[derive(Clone, Copy, Debug)]
pub struct Quiet;

impl Screen for Quiet {
    fn event(&mut self, _: &mut Console<'_>, _: Instant, _: &Event) -> Result<(), Error> {
        Ok(())
    }
}

/// "  12.34 s" on the rig's clock.
fn stamp(at: Instant) -> String {
    format!("{:8.2} s", at.as_ticks() as f64 / 1e6)
}
