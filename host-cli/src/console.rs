//! The program's environment except files: streams, wall clock, Ctrl-C, keyboard.

use std::collections::VecDeque;
use std::io::{self, IsTerminal, Read, Write};
use std::sync::Once;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

pub use jiff::Timestamp;
pub use jiff::tz::TimeZone;
use ratatui::crossterm::cursor::Show;
use ratatui::crossterm::execute;
use ratatui::crossterm::terminal::{Clear, ClearType, LeaveAlternateScreen, size};
use seathold_text::layout::fit_to;

use crate::environment::Environment;
use crate::error::Error;
use crate::exit::Exit;
use crate::line_editor::{Keystroke, LineEditor};

/// The wall clock: the date for headers, and the pace of a run in real time.
pub trait Clock {
    /// The date.
    fn now(&self) -> Timestamp;
    /// Time since the program began.
    fn elapsed(&self) -> Duration;
    /// Waits.
    fn pause(&mut self, span: Duration);
    /// The zone whose time is shown beside UTC.
    fn zone(&self) -> TimeZone {
        TimeZone::UTC
    }
}

/// A date of a record, RFC 3339, in the time of a zone: "10:30", with the date where that is another than in UTC. `None` where
/// the two are the same, or the text is no date.
pub fn local_time(date: &str, zone: &TimeZone) -> Option<String> {
    let at: Timestamp = date.parse().ok()?;
    if zone.to_offset(at).is_zero() {
        return None;
    }
    let (local, utc) = (zone.to_datetime(at), TimeZone::UTC.to_datetime(at));
    let format = if local.date() == utc.date() { "%H:%M" } else { "%Y-%m-%d %H:%M" };
    Some(local.strftime(format).to_string())
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

    /// What has been typed of it, where the terminal leaves that to this program.
    fn typed(&self) -> &str {
        ""
    }

    /// Forgets what has been typed of a line that has not ended.
    fn forget_typed(&mut self) {}

    /// Whether they are the keys of a terminal.
    fn are_of_terminal(&self) -> bool {
        false
    }
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
    /// Variables, and the settings that are made of them and of a file.
    pub environment: &'a Environment,
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

    /// From now on lines are as long as the terminal is wide, where one is worked at and is narrower than usual.
    pub fn fit_lines(&self) {
        if self.live
            && self.keys.are_of_terminal()
            && let Ok((columns, _)) = size()
        {
            fit_to(columns.into());
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

    fn zone(&self) -> TimeZone {
        TimeZone::system()
    }
}

/// Standard input, read by a thread of its own from the first look on, so that the loop never waits for it.
#[derive(Debug, Default)]
pub struct Keyboard {
    from: Option<Receiver<Vec<u8>>>,
    came: VecDeque<u8>,
    line: LineEditor,
}

impl Keys for Keyboard {
    fn line(&mut self) -> KeyboardInput {
        let from = self.from.get_or_insert_with(|| {
            let (to, from) = channel();
            std::thread::spawn(move || {
                let mut room = [0; 1024];
                while let Ok(n @ 1..) = io::stdin().read(&mut room) {
                    if to.send(room[..n].to_vec()).is_err() {
                        break;
                    }
                }
            });
            from
        });
        loop {
            while let Some(byte) = self.came.pop_front() {
                match self.line.push(byte, RAW.load(Ordering::Relaxed)) {
                    Keystroke::None => {}
                    Keystroke::Line(line) => return KeyboardInput::Line(line),
                    Keystroke::Interrupt => interrupted(),
                    Keystroke::End => return KeyboardInput::Closed,
                }
            }
            match from.try_recv() {
                Ok(bytes) => self.came.extend(bytes),
                Err(TryRecvError::Empty) => {
                    self.line.paused();
                    return KeyboardInput::Nothing;
                }
                // The last line may have no end.
                Err(TryRecvError::Disconnected) => {
                    return self.line.rest().map_or(KeyboardInput::Closed, KeyboardInput::Line);
                }
            }
        }
    }

    fn typed(&self) -> &str {
        if RAW.load(Ordering::Relaxed) { self.line.typed() } else { "" }
    }

    fn forget_typed(&mut self) {
        // A line that the terminal edits is not here yet.
        if RAW.load(Ordering::Relaxed) {
            self.line.forget();
        }
    }

    fn are_of_terminal(&self) -> bool {
        io::stdin().is_terminal()
    }
}

/// The terminal hands over each key as it is pressed, and this program makes lines of them.
static RAW: AtomicBool = AtomicBool::new(false);

/// Says whether the terminal does that, and returns whether it did.
pub fn keys_are_raw(raw: bool) -> bool {
    RAW.swap(raw, Ordering::Relaxed)
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

/// A screen that a killed program left is put away, with what is below the line on the one before it. No more than once: where there is
/// none, some terminals move to their first line.
pub fn leave_other_screen() {
    static ONCE: Once = Once::new();
    if io::stderr().is_terminal() {
        // Whoever cannot be shown that can still be told the rest.
        ONCE.call_once(|| {
            let _ = execute!(io::stderr(), LeaveAlternateScreen, Show, Clear(ClearType::FromCursorDown));
        });
    }
}

/// A program that was killed leaves the terminal as its screen needed it: keys raw, no echo, another screen, no cursor. The next one
/// finds that out by the keys: nothing else leaves a terminal without lines, echo and Ctrl-C at once.
#[cfg(unix)]
fn put_in_order() {
    use rustix::process::getpgrp;
    use rustix::termios::{InputModes, LocalModes, OptionalActions, OutputModes, tcgetattr, tcgetpgrp, tcsetattr};
    let keys = io::stdin();
    // Behind another program the terminal is that one's, as it needs it.
    if tcgetpgrp(&keys).ok() != Some(getpgrp()) {
        return;
    }
    let Ok(mut modes) = tcgetattr(&keys) else { return };
    if modes.local_modes.intersects(LocalModes::ICANON | LocalModes::ECHO | LocalModes::ISIG) {
        return;
    }
    modes.local_modes |= LocalModes::ICANON | LocalModes::ISIG | LocalModes::IEXTEN;
    modes.local_modes |= LocalModes::ECHO | LocalModes::ECHOE | LocalModes::ECHOK;
    modes.input_modes |= InputModes::ICRNL | InputModes::IXON | InputModes::BRKINT;
    modes.output_modes |= OutputModes::OPOST | OutputModes::ONLCR;
    // A terminal that cannot be set shows lines all the same.
    if tcsetattr(&keys, OptionalActions::Now, &modes).is_ok() {
        leave_other_screen();
    }
}

#[cfg(not(unix))]
fn put_in_order() {}

/// Runs `body` with the process's own streams, clock and keyboard.
pub fn of_this_process<T>(body: impl FnOnce(&mut Console<'_>) -> T) -> T {
    put_in_order();
    // Where no handler can be set, Ctrl-C ends the program as ever, and the recording stays `.part`.
    let _ = ctrlc::set_handler(interrupted);
    let (out, err) = (io::stdout(), io::stderr());
    let live = err.is_terminal();
    let environment = Environment::of_this_process(out.is_terminal());
    let mut console = Console {
        out: &mut out.lock(),
        err: &mut &err,
        live,
        clock: &mut SystemClock::default(),
        interrupts: &INTERRUPTS,
        keys: &mut Keyboard::default(),
        environment: &environment,
    };
    console.fit_lines();
    let done = body(&mut console);
    // It has its own exit code now.
    MAY_END.store(false, Ordering::Relaxed);
    done
}
