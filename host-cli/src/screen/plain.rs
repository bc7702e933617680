//! A run as plain lines, for logs and pipes.

use seathold_sequencer::event::Event;
use seathold_sequencer::time::Instant;
use seathold_text::messages::UnitFormat;

use super::{Screen, stamp};
use crate::console::Console;
use crate::error::Error;

/// A line an event, for logs and pipes.
#[derive(Clone, Copy, Debug)]
pub struct Plain(pub UnitFormat);

impl Screen for Plain {
    fn event(&mut self, console: &mut Console<'_>, at: Instant, event: &Event) -> Result<(), Error> {
        if let Some(text) = self.0.event(event) {
            writeln!(console.err, "{}  {text}", stamp(at))?;
        }
        Ok(())
    }
}
