//! The loop of one run on a controller: take records, record, show, answer, until the run is over. The controller needs
//! none of this to keep the run safe.

use seathold_recording::{Discontinuity, Summary, Watch, Writer};
use seathold_sequencer::event::{Disconnect, Phase};
use seathold_sequencer::link::message::{Request, Response};
use seathold_sequencer::time::{Duration, Instant};

use super::client::{Client, ClientEvent};
use super::journal::Journal;
use super::remote_operator::RemoteOperator;
use super::shadow::{Shadow, ShadowItem};
use crate::console::Console;
use crate::error::Error;
use crate::screen::Screen;
use crate::session::{ABORTING, RunEnd, put_question};

/// How long connecting to an unreachable controller is tried, in microseconds. The run can be resumed later too.
const AWAY_MAX_US: u64 = 120_000_000;

/// How long a controller may take to be ready for a recipe: a safe vent with all its time, in microseconds.
const BUSY_MAX_US: u64 = 700_000_000;

/// Pause between two attempts to load a recipe, and between two status requests.
const PAUSE_US: u64 = 300_000;

/// How long after a break the controller must be ready, on its own clock, for the run to be over.
const QUIET_US: u64 = 1_000_000;

/// The same where the far side does not read empty.
const UNSAFE_US: u64 = 30_000_000;

/// Everything a run on a controller needs.
#[derive(Debug)]
pub struct ControllerSession {
    /// The connection.
    pub client: Client,
    /// Its records as polls.
    pub shadow: Shadow,
    /// The operator.
    pub operator: RemoteOperator,
    /// The request that loads the recipe.
    pub load: Request,
    /// The recording.
    pub writer: Writer,
    /// The journal of what has been acknowledged.
    pub journal: Journal,
    /// What was received before this program was started.
    pub before: Vec<ClientEvent>,
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
    /// When a load or status request was last sent, and when the connection was lost.
    tried: u64,
    lost: u64,
    first: Option<Instant>,
    last: Option<Instant>,
    broke: Option<Instant>,
    over: bool,
    unrecorded: Option<Error>,
    screen_error: Option<Error>,
}

impl ControllerSession {
    /// Runs until there is a result, a refusal, or a state that only a person can end.
    ///
    /// # Errors
    /// When the recording could not be written, or the controller will not take the recipe.
    pub fn run(
        mut self,
        console: &mut Console<'_>,
        screen: &mut dyn Screen,
        screen_error: Option<Error>,
    ) -> Result<(RunEnd, Journal), Error> {
        let mut progress = RunProgress { screen_error, ..RunProgress::default() };
        let began = self.client.now(console.clock);
        (progress.lost, progress.tried) = (began, began.saturating_sub(PAUSE_US));
        let (mut presses, mut prompted) = (0, None);
        let mut events = std::mem::take(&mut self.before);
        for one in events.drain(..) {
            self.handle_event(one, console, screen, &mut progress)?;
        }
        // A session that is open already was welcomed before this loop began.
        (progress.connected, progress.upto) = (self.client.is_open(), 0);
        loop {
            for one in events.drain(..) {
                self.handle_event(one, console, screen, &mut progress)?;
            }
            let question = self.operator.question();
            if question != prompted && progress.screen_error.is_none() {
                prompted = question;
                progress.screen_error = put_question(console, screen, question).err();
            }
            let now = self.client.now(console.clock);
            let away = !progress.connected && now.saturating_sub(progress.lost) >= AWAY_MAX_US;
            if progress.over || away || (self.operator.abort_requested() && !self.shadow.began()) {
                return self.end(progress, away);
            }
            if !self.shadow.began() && now.saturating_sub(began) > BUSY_MAX_US {
                return Err(Error::usage("the controller has not become ready for a recipe"));
            }
            let pressed = console.interrupted();
            if pressed > presses {
                if presses > 0 {
                    return self.end(progress, true);
                }
                presses = pressed;
                self.operator.abort();
                progress.screen_error = progress.screen_error.take().or(screen.say(console, ABORTING).err());
            }
            if self.operator.listens() {
                self.operator.handle_input(&console.keys.line());
            }
            self.request(&mut progress, now);
            let (journal, unrecorded) = (&mut self.journal, &mut progress.unrecorded);
            self.client.turn(console.clock, &mut events, |fresh| {
                if unrecorded.is_none() {
                    *unrecorded = journal.keep(fresh).err();
                }
            });
            if progress.unrecorded.is_some() && !self.operator.abort_requested() {
                self.operator.abort();
            }
        }
    }

    fn end(self, progress: RunProgress, abandoned: bool) -> Result<(RunEnd, Journal), Error> {
        if let Some(why) = progress.unrecorded {
            return Err(why);
        }
        let length = match (progress.first, progress.last) {
            (Some(first), Some(last)) => last.as_ticks().saturating_sub(first.as_ticks()),
            _ => 0,
        };
        let ended = RunEnd {
            summary: progress.summary,
            writer: self.writer,
            length: Duration::from_ticks(length),
            abandoned,
            screen_error: progress.screen_error,
        };
        Ok((ended, self.journal))
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
                if !progress.connected {
                    say = Some("connected again".to_owned());
                }
                (progress.connected, progress.upto, progress.request) = (true, welcome.next, None);
                self.operator.again();
                if restarted {
                    // Numbers start again.
                    self.shadow.renumber();
                    self.operator.restarted();
                    self.shadow.break_off(Discontinuity::Restarted, &mut items);
                }
            }
            ClientEvent::OtherVersion(version) => {
                return Err(Error::usage(super::client::ConnectionError::Version(version).to_string()));
            }
            ClientEvent::Lost(why) => {
                if progress.connected {
                    say = Some(format!(
                        "the controller cannot be reached ({why}); it keeps the run safe by itself; trying again"
                    ));
                }
                progress.connected = false;
                progress.lost = self.client.now(console.clock);
            }
            ClientEvent::Gap { from, to } => {
                self.shadow.break_off(Discontinuity::Gap { records: to - from }, &mut items)
            }
            ClientEvent::Record { number, what } => self.shadow.take(number, &what, &mut items),
            ClientEvent::Answer(answer) => self.answered(&answer, progress)?,
        }
        if let Some(text) = say
            && progress.screen_error.is_none()
        {
            progress.screen_error = screen.say(console, &text).err();
        }
        for item in items {
            self.item(item, console, screen, progress);
        }
        Ok(())
    }

    fn answered(&mut self, answer: &Response, progress: &mut RunProgress) -> Result<(), Error> {
        let request = progress.request.take();
        match (request, answer) {
            (Some(Request::LoadRecipe(_)), Response::NotValid { errors }) => {
                Err(Error::usage(format!("the controller refuses the recipe: {errors} mistakes by its own rig")))
            }
            (_, Response::Status(snapshot)) => {
                self.shadow.apply_snapshot(snapshot);
                if !self.shadow.is_whole() {
                    progress.summary.disconnect = snapshot.disconnect;
                    let at = progress.last.unwrap_or(Instant::from_ticks(0));
                    self.operator.stand(snapshot.phase, snapshot.prompt, at);
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
                if progress.screen_error.is_none() {
                    progress.screen_error = screen.say(console, &why.to_string()).err();
                }
                if why == Discontinuity::Differs {
                    self.operator.abort();
                }
                self.writer.push_break(why)
            }
            ShadowItem::Poll(record) => {
                progress.first.get_or_insert(record.at);
                progress.last = Some(record.at);
                for event in &record.events {
                    progress.summary.see(event);
                    progress.watch.see(event, record.at);
                    self.operator.tell(record.at, event);
                    if progress.screen_error.is_none() {
                        progress.screen_error = screen.event(console, record.at, event).err();
                    }
                }
                if progress.screen_error.is_none() {
                    screen.poll(&record, self.shadow.status());
                }
                let at = record.at;
                let broken = progress.summary.broken.is_some();
                let since = broken.then(|| at.as_ticks().saturating_sub(progress.broke.get_or_insert(at).as_ticks()));
                let quiet =
                    since.is_some_and(|us| us >= if progress.summary.reads_empty() { QUIET_US } else { UNSAFE_US });
                let rested = quiet
                    && self.shadow.phase() == Some(Phase::Ready)
                    && progress.upto <= self.client.have().map_or(0, |have| have.next);
                progress.over = rested
                    || progress.watch.is_over(
                        &progress.summary,
                        self.shadow.status().prompt,
                        self.operator.abort_requested(),
                        at,
                    );
                self.writer.push(&record)
            }
        };
        if let Err(why) = written {
            progress.unrecorded.get_or_insert(why.into());
        }
    }

    fn request(&mut self, progress: &mut RunProgress, now: u64) {
        let caught_up = progress.upto <= self.client.have().map_or(0, |have| have.next);
        if !progress.connected || progress.request.is_some() || !caught_up {
            return;
        }
        let paused = now.saturating_sub(progress.tried) >= PAUSE_US;
        let request = if !self.shadow.began() {
            paused.then(|| self.load.clone())
        } else if let Some(command) = self.operator.next(progress.last.unwrap_or(Instant::from_ticks(0))) {
            Some(Request::Operate(command))
        } else {
            (!self.shadow.is_whole() && paused).then_some(Request::ReadStatus)
        };
        let Some(request) = request else { return };
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
