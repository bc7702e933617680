//! The loop of one run: poll, record, show, wait, until the run is over.

use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::Prompt;
use seathold_sequencer::poll_loop::{self, PollRecord};
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::{Duration, Instant, millis};
use seathold_sim::bench::SimBench;

use crate::cli::Speed;
use crate::console::Console;
use crate::error::Error;
use crate::recording::Writer;
use crate::rig::{ConsoleOperator, OperatorQuestion, WithHands};
use crate::screen::Screen;
use crate::summary::Summary;

/// How long a run that waits for a person at rest or under pressure is recorded before the program ends. The recording
/// then shows its last state.
const WAIT_MAX: Duration = millis(30_000);

/// How long after the result the program waits for the bleed to be opened and the gauge read; and where the run was
/// aborted.
const CONFIRM_MAX: Duration = millis(120_000);
/// See [`CONFIRM_MAX`].
const ABORTED_MAX: Duration = millis(5_000);

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
                    Some(why) => Err(why),
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
                let text = "aborting: opening into the vent (Ctrl-C again quits at once, under pressure)";
                screen_error = screen_error.or(screen.say(console, text).err());
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

/// Decides when there is nothing left to record.
#[derive(Debug, Default)]
pub(crate) struct Watch {
    proved: Option<Instant>,
    /// A state that only a person can end, and since when.
    stuck: Option<Instant>,
}

impl Watch {
    pub(crate) fn see(&mut self, event: &Event, at: Instant) {
        match event {
            Event::RunFinished { .. } => self.proved = Some(at),
            Event::Entered { phase, .. } => {
                self.stuck = matches!(phase, Phase::Trapped | Phase::EmergencyStopped | Phase::Fault).then_some(at);
            }
            _ => {}
        }
    }

    /// `prompt`: what is still asked. The bleed is asked for as soon as the far side reads empty, so where no prompt is
    /// left it has been answered, whatever the state of the ball's cavity.
    pub(crate) fn is_over(
        &self,
        summary: &Summary,
        prompt: Option<Prompt>,
        abort_requested: bool,
        now: Instant,
    ) -> bool {
        let waited = |since: Option<Instant>, most: Duration| {
            since.is_some_and(|since| now.as_ticks().saturating_sub(since.as_ticks()) >= most.as_ticks())
        };
        let at_rest_unproved = abort_requested && self.proved.is_none() && summary.phase == Some(Phase::Ready);
        summary.refused.is_some()
            || at_rest_unproved
            || (self.proved.is_some() && summary.reads_empty() && prompt.is_none())
            || waited(self.proved, if abort_requested { ABORTED_MAX } else { CONFIRM_MAX })
            || waited(self.stuck, WAIT_MAX)
    }
}
