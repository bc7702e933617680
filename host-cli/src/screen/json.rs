//! A run as JSON lines, for programs.

use seathold_sequencer::event::Event;
use seathold_sequencer::time::Instant;
use serde_json::json;

use super::Screen;
use crate::console::Console;
use crate::error::Error;
use crate::schema::{self, JsonKind};

/// A JSON object a line, on the results' stream.
#[derive(Clone, Copy, Debug)]
pub struct Json;

impl Screen for Json {
    fn event(&mut self, console: &mut Console<'_>, at: Instant, event: &Event) -> Result<(), Error> {
        schema::write(console, JsonKind::Run, json!({ "at_us": at.as_ticks(), "event": event }))
    }
}
