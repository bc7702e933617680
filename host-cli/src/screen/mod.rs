//! A run as it happens: a whole screen where a person works the rig, moving lines where one watches, plain lines elsewhere, JSON lines
//! for programs.

mod bench;
mod json;
mod live;
mod plain;

pub use bench::{BenchScreen, ListedValve};
pub use json::Json;
pub use live::{Live, MovingText};
pub use plain::Plain;

use seathold_sequencer::event::Event;
use seathold_sequencer::input::ChannelState;
use seathold_sequencer::poll_loop::PollRecord;
use seathold_sequencer::step::Status;
use seathold_sequencer::time::Instant;
use seathold_text::messages::UnitFormat;

use crate::console::Console;
use crate::error::Error;
use crate::rig::OperatorQuestion;

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

    /// Puts a question to the operator, with how it is answered, and the tag where one is to be scanned; or none waits any more.
    ///
    /// # Errors
    /// When the stream cannot be written.
    fn ask(
        &mut self,
        console: &mut Console<'_>,
        question: Option<OperatorQuestion>,
        answer: &str,
        tag: Option<&str>,
    ) -> Result<(), Error> {
        let _ = tag;
        match question {
            Some(_) => self.say(console, &format!("  >>> {answer}")),
            None => Ok(()),
        }
    }

    /// The loop has come round: time to draw.
    ///
    /// # Errors
    /// When the screen cannot be written.
    fn turn(&mut self, console: &mut Console<'_>) -> Result<(), Error> {
        let _ = console;
        Ok(())
    }

    /// The controller cannot be reached any more, or again: what was shown of it last is no more what is.
    fn reached(&mut self, reached: bool) {
        let _ = reached;
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

/// Microseconds as seconds, or as minutes where there are many.
fn left_at_most(left_us: u64) -> String {
    let seconds = left_us.div_ceil(1_000_000);
    if seconds < 120 {
        format!("{seconds} s left at most")
    } else {
        format!("{} min left at most", seconds.div_ceil(60))
    }
}

/// What a channel reads, or why nothing is known of it.
fn channel_words(channel: ChannelState, units: &UnitFormat) -> String {
    match channel {
        ChannelState::Pressure(pressure) => units.pressure(pressure.pascals()),
        ChannelState::Unknown => "not read".into(),
        ChannelState::SensorFault => "TRANSDUCER FAULT".into(),
    }
}
