//! The loop of one run: take a controller's records, record, show, answer, until the run is over. The controller needs
//! none of this to keep the run safe. The simulated rig has its controller in this program, and is run in the same way.

use std::collections::VecDeque;

use seathold_recording::{Discontinuity, Summary, Watch, Writer};
use seathold_sequencer::event::{Disconnect, Event, Fault, Phase};
use seathold_sequencer::input::{Command, Prompt};
use seathold_sequencer::link::message::{Request, Response};
use seathold_sequencer::recipe::Actuation;
use seathold_sequencer::time::{Duration, Instant};
use seathold_text::messages;

use crate::console::{Console, KeyboardInput};
use crate::error::Error;
use crate::rig::client::{Client, ClientEvent, ConnectionError};
use crate::rig::journal::Journal;
use crate::rig::shadow::{Shadow, ShadowItem};
use crate::rig::{KeyWord, OperatorQuestion, RunOperator};
use crate::screen::Screen;
use crate::speed::Speed;

/// Said where a controller has a key and this program has not.
pub(crate) const NEEDS_KEY: &str = "the controller takes commands only under its key: give --key FILE";

/// Said at the first Ctrl-C. The valve may be at rest already: nothing is said of what it does, the phases tell that.
const ABORTING: &str =
    "aborting: waiting until the valve is vented and at rest (Ctrl-C again quits at once, whatever the pressure)";

/// How long an abort may take to reach the controller, in microseconds. Its records are some tenths of a second late.
const ABORT_US: u64 = 2_000_000;

/// Said when the controller does not take an abort.
const ABORT_LOST: &str =
    "the abort has not reached the controller: USE THE EMERGENCY STOP, and vent by hand. It is tried again";

/// How long connecting to an unreachable controller is tried, in microseconds. The run can be resumed later too.
const AWAY_MAX_US: u64 = 120_000_000;

/// How long a controller may take to be ready for a recipe: a safe vent with all its time, in microseconds.
const BUSY_MAX_US: u64 = 700_000_000;

/// How a fault is acknowledged.
const ACKNOWLEDGED_BY: &str = "ack and Enter acknowledges";

/// Said in place of a prompt for a lever, where a valve has none.
const OPENED_BY_AIR: &str = "           the controller opens the valve into the vent by itself: hands clear of the ball, and wait. It no longer knows how the \
                             valve is worked, so whatever it reads it will not call the far side empty";

/// Said where what came before a gap decides nothing, and what comes after it never can.
const GAP_ABORTS: &str =
    "nothing after the gap can count: if the run still goes on it is aborted, and the valve vented; test again";

/// What is pressed so soon after a question has come was meant for the one before (our judgement: nobody reads and answers so fast).
pub(crate) const SOON: std::time::Duration = std::time::Duration::from_millis(500);

/// Said of such a key.
pub(crate) const TOO_SOON: &str = "that came within half a second of the question, and is not taken: answer again";

/// Said of what is typed while the controller cannot be reached.
const NO_LINK: &str = "nothing is taken while the controller cannot be reached: what it asks then will be asked anew";

/// Said of an answer while the controller's records are still being fetched.
const NOT_ASKED: &str = "not taken: what the controller did meanwhile is being fetched, and it will be asked anew";

/// Said of an abort while the controller cannot be reached.
const ABORT_WAITS: &str = "the abort goes out as soon as the controller can be reached: USE THE EMERGENCY STOP where it has to be now, and vent by hand";

/// Pause between two attempts to load a recipe, and between two status requests.
const PAUSE_US: u64 = 300_000;

/// How long after a break the controller must be ready, on its own clock, for the run to be over.
const QUIET_US: u64 = 1_000_000;

/// The same where the far side does not read empty.
const UNSAFE_US: u64 = 30_000_000;

/// Everything a run needs.
#[derive(Debug)]
pub struct Session {
    /// The connection.
    pub client: Client,
    /// Its records as polls.
    pub shadow: Shadow,
    /// The operator.
    pub operator: RunOperator,
    /// The request that loads the recipe.
    pub load: Request,
    /// The recording.
    pub writer: Writer,
    /// The journal of what has been acknowledged; none where a run cannot outlive this program.
    pub journal: Option<Journal>,
    /// Where the run goes on that another program began: what was received before.
    pub resumed: Option<Vec<ClientEvent>>,
    /// How fast the rig's time passes, where it is this program's.
    pub speed: Speed,
    /// Commands sent that have not been seen in a poll yet; none where they are given at the rig.
    pub sent: Option<VecDeque<Command>>,
}

/// Why a run was left before it was over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Abandoned {
    /// The program was told to quit without waiting for the vent.
    Quit,
    /// The controller could not be reached for two minutes.
    Away,
}

/// How a run ended.
#[derive(Debug)]
pub struct RunEnd {
    /// Its result.
    pub summary: Summary,
    /// The recording, to be finished.
    pub writer: Writer,
    /// The journal, to be removed once the recording is finished.
    pub journal: Option<Journal>,
    /// How long it took on the rig's clock.
    pub length: Duration,
    /// It ended before the run did; the recording is incomplete.
    pub abandoned: Option<Abandoned>,
    /// Why the screen could not be written, if so.
    pub screen_error: Option<Error>,
}

/// The state of the loop.
#[derive(Debug, Default)]
struct RunProgress {
    summary: Summary,
    watch: Watch,
    connected: bool,
    /// The controller's newest record when it was last reached.
    upto: u32,
    /// The pending request.
    request: Option<Request>,
    /// The controller has taken the recipe: its record is under way.
    loaded: bool,
    /// Since when an abort has been waiting for the controller to take it.
    abort_waits: Option<u64>,
    /// When a load or status request was last sent.
    tried: u64,
    /// When the connection was lost, unless it stands.
    lost: Option<u64>,
    first: Option<Instant>,
    last: Option<Instant>,
    /// From the first poll to the last on the same clock, in microseconds.
    length: u64,
    /// The controller was reset: its clock began again, and it does not know the recipe.
    restarted: bool,
    broke: Option<Instant>,
    over: bool,
    unrecorded: Option<Error>,
    screen_error: Option<Error>,
    /// The start button at the rig was pressed, which counts as Enter.
    start_pressed: bool,
}

impl RunProgress {
    /// Shows something, unless the screen has failed before.
    fn show(&mut self, shown: impl FnOnce() -> Result<(), Error>) {
        if self.screen_error.is_none() {
            self.screen_error = shown().err();
        }
    }
}

impl Session {
    /// Runs until there is a result, a refusal, or a state that only a person can end.
    ///
    /// `screen_error` is why the screen cannot be written from the start, if so. A stream that fails never leaves the
    /// rig under pressure: a screen that cannot be written is abandoned and the run continues; a recording that cannot
    /// be written aborts the run, and the loop continues until the valve is vented.
    ///
    /// # Errors
    /// When the recording could not be written, or the controller will not take the recipe.
    pub fn run(
        mut self,
        console: &mut Console<'_>,
        screen: &mut dyn Screen,
        screen_error: Option<Error>,
    ) -> Result<RunEnd, Error> {
        let mut progress = RunProgress { screen_error, ..RunProgress::default() };
        let (began, began_wall) = (self.client.now(console.clock), console.clock.elapsed());
        progress.tried = began.saturating_sub(PAUSE_US);
        let resumed = self.resumed.is_some();
        let (mut presses, mut prompted, mut asked, mut told_soon) = (0, None, began_wall, false);
        let mut events = self.resumed.take().unwrap_or_default();
        for one in events.drain(..) {
            self.handle_event(one, console, screen, &mut progress)?;
        }
        // A session that is open already was welcomed before this loop began.
        (progress.connected, progress.upto) = (self.client.is_open(), 0);
        progress.lost = resumed.then_some(began);
        loop {
            for one in events.drain(..) {
                self.handle_event(one, console, screen, &mut progress)?;
            }
            // While the controller cannot be asked, or is not known to the last, nobody knows whether its question still stands.
            let current = progress.connected && progress.upto <= self.client.have().map_or(0, |have| have.next);
            let question = self.operator.question().filter(|_| current);
            if question != prompted {
                (prompted, asked) = (question, console.clock.elapsed());
                told_soon = false;
                // Half a line was for the question before.
                console.keys.forget_typed();
                let tag = question.and_then(|question| self.operator.tag(question));
                let end = self.operator.first_end();
                progress.show(|| put_question(console, screen, question, end, tag.as_deref()));
            }
            let now = self.client.now(console.clock);
            let away = progress.lost.is_some_and(|lost| now.saturating_sub(lost) >= AWAY_MAX_US);
            if progress.over && progress.abort_waits.is_some() {
                self.abort_lost(console, screen, &mut progress);
            }
            if progress.over || away || (self.operator.abort_requested() && !self.shadow.began()) {
                return self.end(progress, away.then_some(Abandoned::Away));
            }
            if !self.shadow.began() && now.saturating_sub(began) > BUSY_MAX_US {
                return Err(Error::usage("the controller has not become ready for a recipe"));
            }
            let pressed = console.interrupted();
            if pressed > presses {
                if presses > 0 {
                    return self.end(progress, Some(Abandoned::Quit));
                }
                presses = pressed;
                self.operator.abort();
                progress.screen_error = progress.screen_error.take().or(screen.say(console, ABORTING).err());
            }
            if self.operator.listens() {
                let input = console.keys.line();
                let soon = question.is_some() && console.clock.elapsed().saturating_sub(asked) < SOON;
                let early = console.live && soon && is_answer(&input);
                if early {
                    // A key that is held down, or a hand that rests on it, answers nothing.
                    asked = console.clock.elapsed();
                }
                let said = if early {
                    (!std::mem::replace(&mut told_soon, true)).then(|| TOO_SOON.to_owned())
                } else if !progress.connected && matches!(input, KeyboardInput::Line(_)) {
                    self.without_link(&input)
                } else if !current && is_answer(&input) {
                    Some(NOT_ASKED.into())
                } else {
                    self.operator.handle_input(&input)
                };
                // A press answers what is asked, where Enter alone does, and nothing else.
                let pressed = std::mem::take(&mut progress.start_pressed) && question.is_some();
                let said = said.or_else(|| match (pressed, soon) {
                    (false, _) => None,
                    (true, true) => Some(TOO_SOON.into()),
                    (true, false) => self.operator.handle_input(&KeyboardInput::Line(String::new())),
                });
                if let Some(said) = said {
                    progress.show(|| screen.say(console, &said));
                }
            }
            progress.show(|| screen.turn(console));
            self.request(&mut progress, now);
            let (journal, unrecorded) = (&mut self.journal, &mut progress.unrecorded);
            self.client.turn(console.clock, &mut events, |fresh| {
                if let Some(journal) = journal
                    && unrecorded.is_none()
                {
                    *unrecorded = journal.keep(fresh).err();
                }
            });
            if let Speed::Times(times) = self.speed {
                let passed = self.client.now(console.clock).saturating_sub(began);
                let due = began_wall + std::time::Duration::from_micros(passed).div_f64(times);
                let now = console.clock.elapsed();
                if due > now {
                    console.clock.pause(due - now);
                }
            }
            if progress.unrecorded.is_some() && !self.operator.abort_requested() {
                self.operator.abort();
            }
            if self.operator.abort_waits() && self.shadow.began() {
                progress.abort_waits.get_or_insert(now);
            }
            if progress.abort_waits.is_some_and(|since| now.saturating_sub(since) >= ABORT_US) {
                self.abort_lost(console, screen, &mut progress);
            }
        }
    }

    /// What is said of a line that is typed while the controller cannot be reached. An abort is kept, and goes out first of all.
    fn without_link(&mut self, input: &KeyboardInput) -> Option<String> {
        match input {
            KeyboardInput::Line(line) if KeyWord::of(line) == Some(KeyWord::Abort) => {
                self.operator.abort();
                Some(ABORT_WAITS.into())
            }
            _ => Some(NO_LINK.into()),
        }
    }

    /// The operator has aborted, and the controller goes on, or went on to the end: what it found is not to count.
    fn abort_lost(&mut self, console: &mut Console<'_>, screen: &mut dyn Screen, progress: &mut RunProgress) {
        if progress.summary.broken.is_some() || progress.summary.aborted {
            return;
        }
        let why = Discontinuity::AbortLost;
        progress.summary.broken = Some(why);
        progress.summary.disconnect = Disconnect::Pressurised;
        if let Err(why) = self.writer.push_break(why) {
            progress.unrecorded.get_or_insert(why.into());
        }
        for text in [&why.to_string(), ABORT_LOST] {
            progress.show(|| screen.say(console, text));
        }
    }

    fn end(self, progress: RunProgress, abandoned: Option<Abandoned>) -> Result<RunEnd, Error> {
        if let Some(why) = progress.unrecorded {
            return Err(why);
        }
        Ok(RunEnd {
            summary: progress.summary,
            writer: self.writer,
            journal: self.journal,
            length: Duration::from_ticks(progress.length),
            abandoned,
            screen_error: progress.screen_error,
        })
    }

    fn handle_event(
        &mut self,
        events: ClientEvent,
        console: &mut Console<'_>,
        screen: &mut dyn Screen,
        progress: &mut RunProgress,
    ) -> Result<(), Error> {
        let mut items = Vec::new();
        let mut say = None;
        match events {
            ClientEvent::Connected { welcome, restarted } => {
                if progress.lost.take().is_some() {
                    say = Some("connected again".to_owned());
                }
                screen.reached(true);
                (progress.connected, progress.upto, progress.request) = (true, welcome.next, None);
                progress.loaded = false;
                self.operator.reconnected();
                if restarted {
                    // Numbers start again.
                    self.shadow.renumber();
                    self.operator.restarted();
                    progress.restarted = true;
                    self.shadow.break_off(Discontinuity::Restarted, &mut items);
                }
            }
            ClientEvent::OtherVersion(version) => {
                return Err(Error::usage(ConnectionError::Version(version).to_string()));
            }
            ClientEvent::NoKey => return Err(Error::usage(ConnectionError::NoKey.to_string())),
            ClientEvent::OtherKey => return Err(Error::usage(ConnectionError::OtherKey.to_string())),
            ClientEvent::Lost(why) => {
                if progress.connected {
                    say = Some(format!(
                        "the controller cannot be reached ({why}); while it has power it keeps the run safe by itself; until it answers treat the far side as PRESSURISED; trying again"
                    ));
                }
                screen.reached(false);
                progress.connected = false;
                progress.lost.get_or_insert(self.client.now(console.clock));
            }
            ClientEvent::Gap { from, to } => {
                self.shadow.break_off(Discontinuity::Gap { records: to - from }, &mut items)
            }
            ClientEvent::Record { number, what } => self.shadow.take(number, &what, &mut items),
            ClientEvent::Answer(answer) => self.answered(&answer, progress)?,
            ClientEvent::StartPressed => progress.start_pressed = true,
        }
        if let Some(text) = say {
            progress.show(|| screen.say(console, &text));
        }
        for item in items {
            self.item(item, console, screen, progress);
        }
        Ok(())
    }

    fn answered(&mut self, answer: &Response, progress: &mut RunProgress) -> Result<(), Error> {
        let request = progress.request.take();
        match (request, answer) {
            (_, Response::NotAllowed) => Err(Error::usage(NEEDS_KEY)),
            (_, Response::Lacking(_)) => Err(Error::usage(
                "its rig was changed as the run began, and has to be checked, or its adapter chosen: begin again",
            )),
            (_, Response::Stale) => {
                self.operator.again();
                Ok(())
            }
            (Some(Request::LoadRecipe(_)), Response::Done) => {
                progress.loaded = true;
                Ok(())
            }
            (Some(Request::LoadRecipe(_)), Response::NotValid { errors }) => {
                Err(Error::usage(format!("the controller refuses the recipe: {errors} mistakes by its own rig")))
            }
            (_, Response::Status(snapshot)) => {
                self.shadow.apply_snapshot(snapshot);
                if !self.shadow.is_whole() {
                    progress.summary.disconnect = snapshot.disconnect;
                    let at = progress.last.unwrap_or(Instant::from_ticks(0));
                    let prompt = snapshot.prompt.filter(|prompt| self.is_for_hands(*prompt, progress.restarted));
                    self.operator.stand(snapshot.phase, prompt, at);
                }
                Ok(())
            }
            _ => Ok(()),
        }
    }

    fn item(
        &mut self,
        item: ShadowItem,
        console: &mut Console<'_>,
        screen: &mut dyn Screen,
        progress: &mut RunProgress,
    ) {
        if progress.over {
            // The run has ended; a run in this program looks no further either.
            return;
        }
        let written = match item {
            ShadowItem::Break(why) => {
                progress.summary.broken.get_or_insert(why);
                progress.summary.disconnect = Disconnect::Pressurised;
                progress.broke = None;
                progress.show(|| screen.say(console, &why.to_string()));
                let in_vain = matches!(why, Discontinuity::Gap { .. }) && progress.summary.proved.is_none();
                if in_vain {
                    progress.show(|| screen.say(console, GAP_ABORTS));
                }
                if why.voids() || in_vain {
                    self.operator.abort();
                }
                self.writer.push_break(why)
            }
            ShadowItem::Poll(poll) => {
                let (record, status) = *poll;
                progress.first.get_or_insert(record.at);
                progress.last = Some(record.at);
                if let (Some(first), false) = (progress.first, progress.restarted) {
                    progress.length = record.at.as_ticks().saturating_sub(first.as_ticks());
                }
                for event in &record.events {
                    progress.summary.see(event);
                    progress.watch.see(event, record.at);
                    match event {
                        Event::Prompted(prompt) if !self.is_for_hands(*prompt, progress.restarted) => {
                            progress.show(|| screen.say(console, OPENED_BY_AIR));
                        }
                        event => {
                            self.operator.tell(record.at, event);
                            progress.show(|| screen.event(console, record.at, event));
                        }
                    }
                    if let Event::Entered { phase, .. } = event
                        && let Some(fault) = waits_for(*phase, &progress.summary)
                        && self.operator.listens()
                    {
                        let (_, next) = messages::fault(fault);
                        progress.show(|| screen.say(console, &format!("           {next}\n  >>> {ACKNOWLEDGED_BY}")));
                    }
                }
                if progress.screen_error.is_none() {
                    screen.poll(&record, &status);
                }
                let at = record.at;
                let broken = progress.summary.broken.is_some();
                let since = broken.then(|| at.as_ticks().saturating_sub(progress.broke.get_or_insert(at).as_ticks()));
                let quiet =
                    since.is_some_and(|us| us >= if progress.summary.reads_empty() { QUIET_US } else { UNSAFE_US });
                let rested = quiet
                    && self.shadow.phase() == Some(Phase::Ready)
                    && progress.upto <= self.client.have().map_or(0, |have| have.next);
                let answers = (self.operator.is_there(), self.operator.abort_requested());
                progress.over = rested || progress.watch.is_over(&progress.summary, status.prompt, answers, at);
                let foreign = record.inputs.command.is_some_and(|command| !self.is_ours(command));
                let written = self.writer.push(&record);
                if foreign {
                    self.item(ShadowItem::Break(Discontinuity::ForeignCommand), console, screen, progress);
                }
                written
            }
        };
        if let Err(why) = written {
            progress.unrecorded.get_or_insert(why.into());
        }
    }

    /// Whether a prompt is for a person. After a reset the controller does not know the recipe, and asks for a lever on a
    /// valve that has none.
    fn is_for_hands(&self, prompt: Prompt, restarted: bool) -> bool {
        let by_air = matches!(&self.load, Request::LoadRecipe(recipe) if recipe.actuation == Actuation::Air);
        !(restarted && by_air && prompt == Prompt::OpenToVent)
    }

    /// Whether this program sent the command. Those sent before it that never came are forgotten: a line loses some.
    fn is_ours(&mut self, command: Command) -> bool {
        let Some(sent) = &mut self.sent else { return true };
        let at = sent.iter().position(|one| *one == command);
        at.is_some_and(|at| sent.drain(..=at).count() > 0)
    }

    fn request(&mut self, progress: &mut RunProgress, now: u64) {
        let caught_up = progress.upto <= self.client.have().map_or(0, |have| have.next);
        if !progress.connected || progress.request.is_some() || !caught_up {
            return;
        }
        let paused = now.saturating_sub(progress.tried) >= PAUSE_US;
        let request = if !self.shadow.began() {
            (paused && !progress.loaded).then(|| self.load.clone())
        } else if let Some(command) = self.operator.next(progress.last.unwrap_or(Instant::from_ticks(0))) {
            Some(Request::Operate(command))
        } else {
            (!self.shadow.is_whole() && paused).then_some(Request::ReadStatus)
        };
        let Some(request) = request else { return };
        if let (Request::Operate(command), Some(sent)) = (&request, &mut self.sent) {
            // Before it goes out: once it has, a program that is killed must know it again.
            if let Some(journal) = &mut self.journal
                && let Err(why) = journal.keep_command(*command)
            {
                progress.unrecorded.get_or_insert(why);
            }
            sent.push_back(*command);
        }
        if self.client.request(request.clone()) {
            if !matches!(request, Request::Operate(_)) {
                progress.tried = now;
            }
            progress.request = Some(request);
        } else {
            self.operator.again();
        }
    }
}

/// The fault that somebody is to acknowledge before the controller leaves this phase.
fn waits_for(phase: Phase, summary: &Summary) -> Option<Fault> {
    match phase {
        Phase::EmergencyStopped => Some(Fault::EmergencyStop),
        Phase::Trapped => Some(Fault::Trapped),
        Phase::Fault => summary.faults.last().copied(),
        _ => None,
    }
}

/// Whether it answers a question: an abort and an acknowledgement are what they are at any time.
fn is_answer(input: &KeyboardInput) -> bool {
    matches!(input, KeyboardInput::Line(line) if KeyWord::of(line).is_none())
}

/// Puts the question to the operator at the keyboard.
fn put_question(
    console: &mut Console<'_>,
    screen: &mut dyn Screen,
    question: Option<OperatorQuestion>,
    end: &str,
    tag: Option<&str>,
) -> Result<(), Error> {
    let answer = match (question, tag) {
        (Some(OperatorQuestion::Begin), None) => {
            format!("valve on the rig, end {end} to the supply side, guard shut? Enter begins, a and Enter aborts")
        }
        (Some(OperatorQuestion::Begin), Some(tag)) => {
            format!(
                "valve on the rig, guard shut? the tag of the end on the supply side, {tag}, begins; a and Enter aborts"
            )
        }
        (Some(OperatorQuestion::Of(_)), None) => "Enter when done, a and Enter aborts".into(),
        (Some(OperatorQuestion::Of(_)), Some(tag)) => {
            format!("when done, the tag of the end that is now on the supply side, {tag}; a and Enter aborts")
        }
        (None, _) => String::new(),
    };
    screen.ask(console, question, &answer, tag)
}
