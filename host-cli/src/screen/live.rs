//! A run as moving lines, on a terminal.

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};
use seathold_recording::plain::shown;
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::poll_loop::PollRecord;
use seathold_sequencer::step::Status;
use seathold_sequencer::time::Instant;
use seathold_text::messages::{self, UnitFormat, phase_name, prompt_words, supply_end};

use super::{Screen, channel_words, left_at_most, stamp};
use crate::colour::painted;
use crate::console::Console;
use crate::error::Error;

/// Refresh rate of the moving lines, per second.
const DRAWS: u8 = 15;

/// Moving lines under the events: phase and its progress, whether a fitting may be touched, and the prompt.
#[derive(Debug)]
pub struct Live {
    units: UnitFormat,
    lines: MultiProgress,
    state: ProgressBar,
    phase: ProgressBar,
    far: ProgressBar,
    prompt: ProgressBar,
    entered: (Phase, Instant),
    /// Whether words are painted.
    colour: bool,
}

impl Live {
    /// On standard error.
    pub fn new(units: UnitFormat, colour: bool) -> Self {
        let lines = MultiProgress::with_draw_target(ProgressDrawTarget::stderr_with_hz(DRAWS));
        let style = |template: &str| {
            ProgressStyle::with_template(template)
                .unwrap_or_else(|_| ProgressStyle::default_bar())
                .progress_chars("━━─")
        };
        let add = |template: &str| lines.add(ProgressBar::new(1).with_style(style(template)));
        let state = add("  {msg}");
        let phase = add("  {bar:40} {msg}");
        let far = add("  {msg}");
        let prompt = add("  {msg}");
        Self { units, lines, state, phase, far, prompt, entered: (Phase::StartUp, Instant::from_ticks(0)), colour }
    }

    fn state_line(&self, status: &Status) -> String {
        let side = status.side.map_or_else(String::new, |side| format!("end {} on supply", supply_end(side)));
        format!("{:10} {side:16}  far side {}", phase_name(status.phase), channel_words(status.far, &self.units))
    }
}

/// Text of ours that stays in its place, on standard error: numbers and words of this program, nothing of a file's or a line's.
#[derive(Debug)]
pub struct MovingText(ProgressBar);

impl MovingText {
    /// Nothing yet.
    pub fn new() -> Self {
        let style = ProgressStyle::with_template("{msg}").unwrap_or_else(|_| ProgressStyle::default_bar());
        Self(ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr_with_hz(DRAWS)).with_style(style))
    }

    /// Shows this in its place.
    pub fn show(&self, text: String) {
        self.0.set_message(text);
    }

    /// Takes it away.
    pub fn clear(&self) {
        self.0.finish_and_clear();
    }
}

impl Default for MovingText {
    fn default() -> Self {
        Self::new()
    }
}

impl Screen for Live {
    fn event(&mut self, _: &mut Console<'_>, at: Instant, event: &Event) -> Result<(), Error> {
        if let Event::Entered { phase, .. } = event {
            self.entered = (*phase, at);
        }
        if let Some(text) = self.units.event(event) {
            self.lines.println(painted(&format!("{}  {}", stamp(at), shown(&text)), self.colour))?;
        }
        Ok(())
    }

    fn say(&mut self, _: &mut Console<'_>, text: &str) -> Result<(), Error> {
        // Not through the console: what acts on the screen is made harmless here.
        for line in text.lines() {
            self.lines.println(painted(&shown(line), self.colour))?;
        }
        Ok(())
    }

    fn poll(&mut self, record: &PollRecord, status: &Status) {
        self.state.set_message(self.state_line(status));
        let spent = record.at.as_ticks().saturating_sub(self.entered.1.as_ticks());
        let (whole, left) = match status.deadline {
            Some(deadline) => {
                let left = deadline.as_ticks().saturating_sub(record.at.as_ticks());
                (spent + left, left_at_most(left))
            }
            None => (spent, String::new()),
        };
        self.phase.set_length(whole.max(1));
        self.phase.set_position(spent);
        self.phase.set_message(left);
        self.far.set_message(painted(&messages::disconnect(status.disconnect), self.colour));
        self.prompt
            .set_message(status.prompt.map_or_else(String::new, |prompt| format!("PLEASE {}", prompt_words(prompt))));
    }

    fn end(&mut self) {
        let _ = self.lines.clear();
    }
}
