//! The loop of one run: poll, record, show, let time pass, until the run is over.

use seathold_sequencer::bench::{self, Polled};
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::Ask;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::{Duration, Instant, millis};
use seathold_sim::bench::SimBench;

use crate::cli::Speed;
use crate::console::Console;
use crate::error::Error;
use crate::recording::Writer;
use crate::rig::{Person, Question, WithHands};
use crate::screen::Screen;
use crate::summary::Summary;

/// How long a run that waits for a person at rest or under pressure is watched before the program gives up watching.
/// The recording then says where it stood.
const WAIT_MAX: Duration = millis(30_000);

/// How long after the result somebody is waited for to open the bleed and look at the gauge; and where the run was given
/// up.
const CONFIRM_MAX: Duration = millis(120_000);
/// See [`CONFIRM_MAX`].
const GIVEN_UP_MAX: Duration = millis(5_000);

/// Everything a run needs.
#[derive(Debug)]
pub struct Session {
    /// The sequencer.
    pub sequencer: Sequencer,
    /// The rig.
    pub stand: SimBench,
    /// Who answers.
    pub person: Person,
    /// How fast time passes.
    pub speed: Speed,
    /// The recording.
    pub writer: Writer,
}

/// How a run ended.
#[derive(Debug)]
pub struct Ended {
    /// What it came to.
    pub summary: Summary,
    /// The recording, to be finished.
    pub writer: Writer,
    /// How long it took on the rig's clock.
    pub length: Duration,
    /// The program was told to leave without waiting for the vent; the recording is not whole.
    pub abandoned: bool,
    /// Why the screen went dark, if it did.
    pub dark: Option<Error>,
}

impl Session {
    /// Runs until there is a result, a refusal, or a state that only a person can end.
    ///
    /// `dark` is why the screen cannot be written from the start, if so. A stream that fails never leaves the rig under pressure: a screen that cannot be written goes dark and the run
    /// goes on; a recording that cannot be written gives the run up, and is waited for until the valve is vented.
    ///
    /// # Errors
    /// When the recording could not be written. It then stays `.part`.
    pub fn run(
        mut self,
        console: &mut Console<'_>,
        screen: &mut dyn Screen,
        mut dark: Option<Error>,
    ) -> Result<Ended, Error> {
        let began = console.clock.elapsed();
        let mut summary = Summary::default();
        let mut watch = Watch::default();
        let mut unrecorded = None;
        let (mut presses, mut prompted) = (0, None);
        loop {
            let SimBench { rig, operator, .. } = &mut self.stand;
            let polled = match bench::poll(&mut self.sequencer, rig, &mut WithHands(&mut self.person, operator)) {
                Ok(polled) => polled,
                Err(never) => match never {},
            };
            if unrecorded.is_none()
                && let Err(why) = self.writer.push(&polled)
            {
                unrecorded = Some(why);
                self.person.abort();
            }
            for event in &polled.events {
                summary.see(event);
                watch.see(event, polled.at);
            }
            if dark.is_none() {
                dark = self.show(console, screen, &polled, &mut prompted).err();
            }
            let length = Duration::from_ticks(polled.at.as_ticks());
            if watch.is_over(&summary, self.sequencer.status().ask, self.person.gave_up(), polled.at) {
                return match unrecorded {
                    Some(why) => Err(why),
                    None => Ok(Ended { summary, writer: self.writer, length, abandoned: false, dark }),
                };
            }
            let pressed = console.interrupted();
            if pressed > presses {
                if presses > 0 {
                    return Ok(Ended { summary, writer: self.writer, length, abandoned: true, dark });
                }
                presses = pressed;
                self.person.abort();
                let text = "giving up: opening into the vent (Ctrl-C again leaves at once, under pressure)";
                dark = dark.or(screen.say(console, text).err());
            }
            if self.person.listens() {
                self.person.hear(&console.keys.line(), polled.at, &mut self.stand.operator);
            }
            let status = self.sequencer.status();
            self.stand.suffer(polled.at, status.phase, status.side);
            self.stand.rig.obey(&mut self.stand.operator);
            self.stand.rig.advance(self.stand.period);
            if let Speed::Times(times) = self.speed {
                let due = began + std::time::Duration::from_micros(polled.at.as_ticks()).div_f64(times);
                let now = console.clock.elapsed();
                if due > now {
                    console.clock.pause(due - now);
                }
            }
        }
    }

    /// Shows a poll, and puts the question to the person at the keyboard.
    fn show(
        &self,
        console: &mut Console<'_>,
        screen: &mut dyn Screen,
        polled: &Polled,
        prompted: &mut Option<Question>,
    ) -> Result<(), Error> {
        for event in &polled.events {
            screen.event(console, polled.at, event)?;
        }
        screen.poll(polled, &self.sequencer.status());
        let question = self.person.asked();
        if question != *prompted {
            *prompted = question;
            put_question(console, screen, question)?;
        }
        Ok(())
    }
}

/// Puts the question to the person at the keyboard.
pub(crate) fn put_question(
    console: &mut Console<'_>,
    screen: &mut dyn Screen,
    question: Option<Question>,
) -> Result<(), Error> {
    match question {
        Some(Question::Begin) => {
            screen.say(console, "  >>> valve on the rig, guard shut? Enter begins, a and Enter gives up")
        }
        Some(Question::Of(_)) => screen.say(console, "  >>> Enter when done, a and Enter gives up"),
        None => Ok(()),
    }
}

/// Decides when there is nothing left to watch.
#[derive(Debug, Default)]
pub(crate) struct Watch {
    proved: Option<Instant>,
    /// A state that only a person can end, and since when.
    stuck: Option<Instant>,
}

impl Watch {
    pub(crate) fn see(&mut self, event: &Event, at: Instant) {
        match event {
            Event::Proved { .. } => self.proved = Some(at),
            Event::Entered { phase, .. } => {
                self.stuck = matches!(phase, Phase::Trapped | Phase::Held | Phase::Fault).then_some(at);
            }
            _ => {}
        }
    }

    /// `ask`: what is still asked. The bleed is asked for as soon as the far side reads empty, so where nothing is asked
    /// any more it has been answered, whatever is known of the ball's cavity.
    pub(crate) fn is_over(&self, summary: &Summary, ask: Option<Ask>, gave_up: bool, now: Instant) -> bool {
        let waited = |since: Option<Instant>, most: Duration| {
            since.is_some_and(|since| now.as_ticks().saturating_sub(since.as_ticks()) >= most.as_ticks())
        };
        let at_rest_unproved = gave_up && self.proved.is_none() && summary.phase == Some(Phase::Ready);
        summary.refused.is_some()
            || at_rest_unproved
            || (self.proved.is_some() && summary.reads_empty() && ask.is_none())
            || waited(self.proved, if gave_up { GIVEN_UP_MAX } else { CONFIRM_MAX })
            || waited(self.stuck, WAIT_MAX)
    }
}
