//! The loop of one run: poll, record, show, wait, until the run is over.

use seathold_recording::Watch;
use seathold_recording::{Summary, Writer};
use seathold_sequencer::poll_loop::{self, PollRecord};
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::Duration;
use seathold_sim::bench::SimBench;

use crate::console::Console;
use crate::error::Error;
use crate::rig::{ConsoleOperator, OperatorQuestion, WithHands};
use crate::screen::Screen;
use crate::speed::Speed;

/// Said at the first Ctrl-C. The valve may be at rest already: nothing is said of what it does, the phases tell that.
pub(crate) const ABORTING: &str =
    "aborting: waiting until the valve is vented and at rest (Ctrl-C again quits at once, whatever the pressure)";

/// Everything a run needs.
#[derive(Debug)]
pub struct Session {
    /// The sequencer.
    pub sequencer: Sequencer,
    /// The rig.
    pub bench: SimBench,
    /// The operator.
    pub operator: ConsoleOperator,
    /// How fast time passes.
    pub speed: Speed,
    /// The recording.
    pub writer: Writer,
}

/// How a run ended.
#[derive(Debug)]
pub struct RunEnd {
    /// Its result.
    pub summary: Summary,
    /// The recording, to be finished.
    pub writer: Writer,
    /// How long it took on the rig's clock.
    pub length: Duration,
    /// The program was told to quit without waiting for the vent; the recording is incomplete.
    pub abandoned: bool,
    /// Why the screen could not be written, if so.
    pub screen_error: Option<Error>,
}

impl Session {
    /// Runs until there is a result, a refusal, or a state that only a person can end.
    ///
    /// `screen_error` is why the screen cannot be written from the start, if so. A stream that fails never leaves the
    /// rig under pressure: a screen that cannot be written is abandoned and the run continues; a recording that cannot
    /// be written aborts the run, and the loop continues until the valve is vented.
    ///
    /// # Errors
    /// When the recording could not be written. It then stays `.part`.
    pub fn run(
        mut self,
        console: &mut Console<'_>,
        screen: &mut dyn Screen,
        mut screen_error: Option<Error>,
    ) -> Result<RunEnd, Error> {
        let began = console.clock.elapsed();
        let mut summary = Summary::default();
        let mut watch = Watch::default();
        let mut unrecorded = None;
        let (mut presses, mut prompted) = (0, None);
        loop {
            let SimBench { rig, operator, .. } = &mut self.bench;
            let record = match poll_loop::poll(&mut self.sequencer, rig, &mut WithHands(&mut self.operator, operator)) {
                Ok(record) => record,
                Err(never) => match never {},
            };
            if unrecorded.is_none()
                && let Err(why) = self.writer.push(&record)
            {
                unrecorded = Some(why);
                self.operator.abort();
            }
            for event in &record.events {
                summary.see(event);
                watch.see(event, record.at);
            }
            if screen_error.is_none() {
                screen_error = self.show(console, screen, &record, &mut prompted).err();
            }
            let length = Duration::from_ticks(record.at.as_ticks());
            if watch.is_over(&summary, self.sequencer.status().prompt, self.operator.abort_requested(), record.at) {
                return match unrecorded {
                    Some(why) => Err(why.into()),
                    None => Ok(RunEnd { summary, writer: self.writer, length, abandoned: false, screen_error }),
                };
            }
            let pressed = console.interrupted();
            if pressed > presses {
                if presses > 0 {
                    return Ok(RunEnd { summary, writer: self.writer, length, abandoned: true, screen_error });
                }
                presses = pressed;
                self.operator.abort();
                screen_error = screen_error.or(screen.say(console, ABORTING).err());
            }
            if self.operator.listens() {
                self.operator.handle_input(&console.keys.line(), record.at, &mut self.bench.operator);
            }
            let status = self.sequencer.status();
            self.bench.apply_due_faults(record.at, status.phase, status.side);
            self.bench.rig.apply_due_actions(&mut self.bench.operator);
            self.bench.rig.advance(self.bench.period);
            if let Speed::Times(times) = self.speed {
                let due = began + std::time::Duration::from_micros(record.at.as_ticks()).div_f64(times);
                let now = console.clock.elapsed();
                if due > now {
                    console.clock.pause(due - now);
                }
            }
        }
    }

    /// Shows a poll, and the prompt to the operator at the keyboard.
    fn show(
        &self,
        console: &mut Console<'_>,
        screen: &mut dyn Screen,
        record: &PollRecord,
        prompted: &mut Option<OperatorQuestion>,
    ) -> Result<(), Error> {
        for event in &record.events {
            screen.event(console, record.at, event)?;
        }
        screen.poll(record, &self.sequencer.status());
        let question = self.operator.question();
        if question != *prompted {
            *prompted = question;
            put_question(console, screen, question)?;
        }
        Ok(())
    }
}

/// Shows the prompt to the operator at the keyboard.
pub(crate) fn put_question(
    console: &mut Console<'_>,
    screen: &mut dyn Screen,
    question: Option<OperatorQuestion>,
) -> Result<(), Error> {
    match question {
        Some(OperatorQuestion::Begin) => {
            screen.say(console, "  >>> valve on the rig, guard shut? Enter begins, a and Enter aborts")
        }
        Some(OperatorQuestion::Of(_)) => screen.say(console, "  >>> Enter when done, a and Enter aborts"),
        None => Ok(()),
    }
}
