//! The loop of one run on a controller: take records, record, show, answer, until the run is over. The controller needs
//! none of this to keep the run safe.

use seathold_sequencer::event::{Disconnect, Phase};
use seathold_sequencer::link::message::{Answer, Order};
use seathold_sequencer::time::{Duration, Instant};

use super::answers::Answers;
use super::follow::{Follower, Item};
use super::journal::Journal;
use super::remote::{News, Remote};
use crate::console::Console;
use crate::error::Error;
use crate::recording::{Why, Writer};
use crate::screen::Screen;
use crate::session::{Ended, Watch, put_question};
use crate::summary::Summary;

/// How long a controller that cannot be reached is called, in microseconds. The run can be taken up later too.
const AWAY_MAX_US: u64 = 120_000_000;

/// How long a controller may take to be ready for a recipe: a safe vent with all its time, in microseconds.
const BUSY_MAX_US: u64 = 700_000_000;

/// Pause between two attempts to load a recipe, and between two looks at the controller's own state.
const PAUSE_US: u64 = 300_000;

/// How long after a break the controller must be ready, on its own clock, for the run to be over.
const QUIET_US: u64 = 1_000_000;

/// The same where the far side is not seen empty.
const UNSAFE_US: u64 = 30_000_000;

/// Everything a run on a controller needs.
#[derive(Debug)]
pub struct Session {
    /// The connection.
    pub remote: Remote,
    /// What comes over it.
    pub follower: Follower,
    /// Who answers.
    pub answers: Answers,
    /// The recipe to load, as an order.
    pub load: Order,
    /// The recording.
    pub writer: Writer,
    /// What has been acknowledged.
    pub journal: Journal,
    /// What had come before this program was started.
    pub before: Vec<News>,
}

/// What the loop remembers.
#[derive(Debug, Default)]
struct Course {
    summary: Summary,
    watch: Watch,
    connected: bool,
    /// The controller had this record to give when it was last reached.
    upto: u32,
    /// The order under way.
    order: Option<Order>,
    /// When an order to load, or a look, was last given, and when the line was lost.
    tried: u64,
    lost: u64,
    first: Option<Instant>,
    last: Option<Instant>,
    broke: Option<Instant>,
    over: bool,
    unrecorded: Option<Error>,
    dark: Option<Error>,
}

impl Session {
    /// Runs until there is a result, a refusal, or a state that only a person can end.
    ///
    /// # Errors
    /// When the recording could not be written, or the controller will not take the recipe.
    pub fn run(
        mut self,
        console: &mut Console<'_>,
        screen: &mut dyn Screen,
        dark: Option<Error>,
    ) -> Result<(Ended, Journal), Error> {
        let mut course = Course { dark, ..Course::default() };
        let began = self.remote.now(console.clock);
        (course.lost, course.tried) = (began, began.saturating_sub(PAUSE_US));
        let (mut presses, mut prompted) = (0, None);
        let mut news = std::mem::take(&mut self.before);
        for one in news.drain(..) {
            self.hear(one, console, screen, &mut course)?;
        }
        // A session that is open already was welcomed before this loop began.
        (course.connected, course.upto) = (self.remote.is_open(), 0);
        loop {
            for one in news.drain(..) {
                self.hear(one, console, screen, &mut course)?;
            }
            let question = self.answers.question();
            if question != prompted && course.dark.is_none() {
                prompted = question;
                course.dark = put_question(console, screen, question).err();
            }
            let now = self.remote.now(console.clock);
            let away = !course.connected && now.saturating_sub(course.lost) >= AWAY_MAX_US;
            if course.over || away || (self.answers.gave_up() && !self.follower.began()) {
                return self.end(course, away);
            }
            if !self.follower.began() && now.saturating_sub(began) > BUSY_MAX_US {
                return Err(Error::usage("the controller has not become ready for a recipe"));
            }
            let pressed = console.interrupted();
            if pressed > presses {
                if presses > 0 {
                    return self.end(course, true);
                }
                presses = pressed;
                self.answers.abort();
                let text = "giving up: opening into the vent (Ctrl-C again leaves at once, under pressure)";
                course.dark = course.dark.take().or(screen.say(console, text).err());
            }
            if self.answers.listens() {
                self.answers.hear(&console.keys.line());
            }
            self.order(&mut course, now);
            let (journal, unrecorded) = (&mut self.journal, &mut course.unrecorded);
            self.remote.turn(console.clock, &mut news, |fresh| {
                if unrecorded.is_none() {
                    *unrecorded = journal.keep(fresh).err();
                }
            });
            if course.unrecorded.is_some() && !self.answers.gave_up() {
                self.answers.abort();
            }
        }
    }

    fn end(self, course: Course, abandoned: bool) -> Result<(Ended, Journal), Error> {
        if let Some(why) = course.unrecorded {
            return Err(why);
        }
        let length = match (course.first, course.last) {
            (Some(first), Some(last)) => last.as_ticks().saturating_sub(first.as_ticks()),
            _ => 0,
        };
        let ended = Ended {
            summary: course.summary,
            writer: self.writer,
            length: Duration::from_ticks(length),
            abandoned,
            dark: course.dark,
        };
        Ok((ended, self.journal))
    }

    fn hear(
        &mut self,
        news: News,
        console: &mut Console<'_>,
        screen: &mut dyn Screen,
        course: &mut Course,
    ) -> Result<(), Error> {
        let mut items = Vec::new();
        let mut say = None;
        match news {
            News::Connected { welcome, restarted } => {
                if !course.connected {
                    say = Some("connected again".to_owned());
                }
                (course.connected, course.upto, course.order) = (true, welcome.next, None);
                self.answers.again();
                if restarted {
                    // Numbers begin anew.
                    self.follower.renumber();
                    self.answers.restarted();
                    self.follower.break_off(Why::Restarted, &mut items);
                }
            }
            News::OtherVersion(version) => {
                return Err(Error::usage(super::remote::Silent::Version(version).to_string()));
            }
            News::Lost(why) => {
                if course.connected {
                    say = Some(format!(
                        "the controller cannot be reached ({why}); it keeps the run safe by itself; trying again"
                    ));
                }
                course.connected = false;
                course.lost = self.remote.now(console.clock);
            }
            News::Gap { from, to } => self.follower.break_off(Why::Gap { records: to - from }, &mut items),
            News::Record { number, what } => self.follower.take(number, &what, &mut items),
            News::Answer(answer) => self.answered(&answer, course)?,
        }
        if let Some(text) = say
            && course.dark.is_none()
        {
            course.dark = screen.say(console, &text).err();
        }
        for item in items {
            self.item(item, console, screen, course);
        }
        Ok(())
    }

    fn answered(&mut self, answer: &Answer, course: &mut Course) -> Result<(), Error> {
        let order = course.order.take();
        match (order, answer) {
            (Some(Order::LoadRecipe(_)), Answer::NotValid { errors }) => {
                Err(Error::usage(format!("the controller refuses the recipe: {errors} mistakes by its own rig")))
            }
            (_, Answer::Status(snapshot)) => {
                self.follower.hear(snapshot);
                if !self.follower.is_whole() {
                    course.summary.disconnect = snapshot.disconnect;
                    let at = course.last.unwrap_or(Instant::from_ticks(0));
                    self.answers.stand(snapshot.phase, snapshot.ask, at);
                }
                Ok(())
            }
            _ => Ok(()),
        }
    }

    fn item(&mut self, item: Item, console: &mut Console<'_>, screen: &mut dyn Screen, course: &mut Course) {
        if course.over {
            // The run has ended; a run in this program looks no further either.
            return;
        }
        let written = match item {
            Item::Break(why) => {
                course.summary.broken.get_or_insert(why);
                course.summary.disconnect = Disconnect::Pressurised;
                course.broke = None;
                if course.dark.is_none() {
                    course.dark = screen.say(console, &why.to_string()).err();
                }
                if why == Why::Differs {
                    self.answers.abort();
                }
                self.writer.push_break(why)
            }
            Item::Poll(polled) => {
                course.first.get_or_insert(polled.at);
                course.last = Some(polled.at);
                for event in &polled.events {
                    course.summary.see(event);
                    course.watch.see(event, polled.at);
                    self.answers.tell(polled.at, event);
                    if course.dark.is_none() {
                        course.dark = screen.event(console, polled.at, event).err();
                    }
                }
                if course.dark.is_none() {
                    screen.poll(&polled, self.follower.status());
                }
                let at = polled.at;
                let broken = course.summary.broken.is_some();
                let since = broken.then(|| at.as_ticks().saturating_sub(course.broke.get_or_insert(at).as_ticks()));
                let quiet =
                    since.is_some_and(|us| us >= if course.summary.reads_empty() { QUIET_US } else { UNSAFE_US });
                let rested = quiet
                    && self.follower.phase() == Some(Phase::Ready)
                    && course.upto <= self.remote.have().map_or(0, |have| have.next);
                course.over = rested
                    || course.watch.is_over(&course.summary, self.follower.status().ask, self.answers.gave_up(), at);
                self.writer.push(&polled)
            }
        };
        if let Err(why) = written {
            course.unrecorded.get_or_insert(why);
        }
    }

    fn order(&mut self, course: &mut Course, now: u64) {
        let caught_up = course.upto <= self.remote.have().map_or(0, |have| have.next);
        if !course.connected || course.order.is_some() || !caught_up {
            return;
        }
        let paused = now.saturating_sub(course.tried) >= PAUSE_US;
        let order = if !self.follower.began() {
            paused.then(|| self.load.clone())
        } else if let Some(command) = self.answers.next(course.last.unwrap_or(Instant::from_ticks(0))) {
            Some(Order::Operate(command))
        } else {
            (!self.follower.is_whole() && paused).then_some(Order::ReadStatus)
        };
        let Some(order) = order else { return };
        if self.remote.order(order.clone()) {
            if !matches!(order, Order::Operate(_)) {
                course.tried = now;
            }
            course.order = Some(order);
        } else {
            self.answers.again();
        }
    }
}
