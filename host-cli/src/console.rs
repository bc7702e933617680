//! The program's environment except files: streams, wall clock, Ctrl-C, keyboard.

use std::io::{self, IsTerminal, Write};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

pub use jiff::Timestamp;

use crate::error::Error;
use crate::exit::Exit;

/// The wall clock: the date for headers, and the pace of a run in real time.
pub trait Clock {
    /// The date.
    fn now(&self) -> Timestamp;
    /// Time since the program began.
    fn elapsed(&self) -> Duration;
    /// Waits.
    fn pause(&mut self, span: Duration);
}

/// Input from the keyboard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum KeyboardInput {
    /// Nothing yet.
    Nothing,
    /// A line.
    Line(String),
    /// End of input.
    Closed,
}

/// Lines typed by the operator.
pub trait Keys {
    /// The next line, without waiting.
    fn line(&mut self) -> KeyboardInput;
}

/// The environment of a command. Results go to `out`, messages go to `err`.
#[allow(missing_debug_implementations, reason = "streams have nothing to show")]
pub struct Console<'a> {
    /// Results.
    pub out: &'a mut dyn Write,
    /// Messages.
    pub err: &'a mut dyn Write,
    /// Whether a person watches `err` on a terminal, where lines may move.
    pub live: bool,
    /// The wall clock.
    pub clock: &'a mut dyn Clock,
    /// How often Ctrl-C was pressed.
    pub interrupts: &'a AtomicUsize,
    /// The keyboard.
    pub keys: &'a mut dyn Keys,
}

impl Console<'_> {
    /// The date for a record.
    ///
    /// # Errors
    /// When the clock is far off: a record with such a date could not be read or put in order.
    pub fn date(&self) -> Result<Timestamp, Error> {
        date_for_record(self.clock.now())
            .map_err(|why| Error::usage(format!("this computer's clock says {why}; set it, and try again")))
    }

    /// The date given, or that of the clock.
    ///
    /// # Errors
    /// As [`Console::date`].
    pub fn date_or(&self, given: Option<Timestamp>) -> Result<Timestamp, Error> {
        match given {
            Some(given) => date_for_record(given).map_err(|why| Error::usage(format!("--started-at: {why}"))),
            None => self.date(),
        }
    }

    /// How often Ctrl-C was pressed.
    pub fn interrupted(&self) -> usize {
        self.interrupts.load(Ordering::Relaxed)
    }
}

/// A date that records can have: identifiers count from 1970, and four digits of a year must be enough for the longest
/// run and the longest validity of a calibration.
fn date_for_record(date: Timestamp) -> Result<Timestamp, String> {
    const LAST: i64 = 253_370_764_800;
    if (0..LAST).contains(&date.as_second()) {
        return Ok(date);
    }
    Err(format!("{date}, which is no date from 1970-01-01 to 9998-12-31"))
}

/// The machine's clock.
#[derive(Debug)]
pub struct SystemClock(Instant);

impl Default for SystemClock {
    fn default() -> Self {
        Self(Instant::now())
    }
}

impl Clock for SystemClock {
    fn now(&self) -> Timestamp {
        // A clock that is far off gives an end of what there are names for, and [`Console::date`] refuses it.
        let now = SystemTime::now();
        let end = if now < UNIX_EPOCH { Timestamp::MIN } else { Timestamp::MAX };
        Timestamp::try_from(now).unwrap_or(end)
    }

    fn elapsed(&self) -> Duration {
        self.0.elapsed()
    }

    fn pause(&mut self, span: Duration) {
        std::thread::sleep(span);
    }
}

/// Standard input, read by a thread of its own from the first look on, so that the loop never waits for it.
#[derive(Debug, Default)]
pub struct Keyboard(Option<Receiver<String>>);

impl Keys for Keyboard {
    fn line(&mut self) -> KeyboardInput {
        let lines = self.0.get_or_insert_with(|| {
            let (to, from) = channel();
            std::thread::spawn(move || {
                for line in io::stdin().lines() {
                    if line.is_ok_and(|line| to.send(line).is_ok()) {
                        continue;
                    }
                    break;
                }
            });
            from
        });
        match lines.try_recv() {
            Ok(line) => KeyboardInput::Line(line),
            Err(TryRecvError::Empty) => KeyboardInput::Nothing,
            Err(TryRecvError::Disconnected) => KeyboardInput::Closed,
        }
    }
}

/// Ctrl-C presses of this process.
static INTERRUPTS: AtomicUsize = AtomicUsize::new(0);

/// Whether the command that runs may simply be ended.
static MAY_END: AtomicBool = AtomicBool::new(false);

/// How long such a command has after Ctrl-C or SIGTERM to end by itself and report what it did.
const GRACE: Duration = Duration::from_millis(600);

/// From now on Ctrl-C or SIGTERM ends the process within a second: the command has nothing in its hands that must be
/// put down first, and its unfinished files are removed.
pub fn may_end() {
    MAY_END.store(true, Ordering::Relaxed);
}

/// Counts the press, and ends what may be ended and has not ended by itself.
fn interrupted() {
    INTERRUPTS.fetch_add(1, Ordering::Relaxed);
    if !MAY_END.load(Ordering::Relaxed) {
        return;
    }
    std::thread::sleep(GRACE);
    if MAY_END.load(Ordering::Relaxed) {
        seathold_recording::file::abandon(|| {
            // Nothing is left to say it to when this fails.
            let _ = writeln!(io::stderr(), "stopped: what was not finished is removed");
            std::process::exit(Exit::NoVerdict.code().into());
        });
    }
}

/// Runs `body` with the process's own streams, clock and keyboard.
pub fn of_this_process<T>(body: impl FnOnce(&mut Console<'_>) -> T) -> T {
    // Where no handler can be set, Ctrl-C ends the program as ever, and the recording stays `.part`.
    let _ = ctrlc::set_handler(interrupted);
    let (out, err) = (io::stdout(), io::stderr());
    let live = err.is_terminal();
    let done = body(&mut Console {
        out: &mut out.lock(),
        err: &mut &err,
        live,
        clock: &mut SystemClock::default(),
        interrupts: &INTERRUPTS,
        keys: &mut Keyboard::default(),
    });
    // It has its own exit code now.
    MAY_END.store(false, Ordering::Relaxed);
    done
}
