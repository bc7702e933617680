//! The `seathold` program called in-process: streams caught, a clock that nobody waits for, a keyboard from a script.

use std::cell::Cell;
use std::io::{self, Write};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use seathold::console::Clock;
use seathold::console::Console;
use seathold::console::KeyboardInput;
use seathold::console::Keys;
use seathold::console::Timestamp;
use seathold::environment::Environment;

/// What the program said and how it ended.
#[derive(Debug)]
pub struct Said {
    /// Its exit code.
    pub code: u8,
    /// What came where results go.
    pub out: String,
    /// What came where talk and errors go.
    pub err: String,
    /// How long it would have waited for real time to pass.
    pub paused: Duration,
}

/// Everything a test can set.
#[allow(missing_debug_implementations, reason = "a keyboard has none")]
pub struct Stage<'a> {
    /// Presses Ctrl-C when this much real time has passed; needs a speed.
    pub interrupt_at: Vec<Duration>,
    /// The keyboard.
    pub keys: &'a mut dyn Keys,
    /// Results fail with this after so many bytes.
    pub out_breaks: Option<(usize, io::ErrorKind)>,
    /// Whether a person watches.
    pub live: bool,
}

/// Nobody is at the keyboard, but it is there.
#[derive(Debug)]
pub struct Silent;

impl Keys for Silent {
    fn line(&mut self) -> KeyboardInput {
        KeyboardInput::Nothing
    }
}

/// Somebody who says the same thing every so many looks.
#[derive(Debug)]
pub struct Every(pub usize, pub &'static str, pub usize);

impl Keys for Every {
    fn line(&mut self) -> KeyboardInput {
        self.2 += 1;
        if self.2.is_multiple_of(self.0) { KeyboardInput::Line(self.1.into()) } else { KeyboardInput::Nothing }
    }
}

struct FakeClock<'a> {
    elapsed: Cell<Duration>,
    interrupt_at: Vec<Duration>,
    interrupts: &'a AtomicUsize,
}

impl Clock for FakeClock<'_> {
    fn now(&self) -> Timestamp {
        "2026-03-02T09:30:00Z".parse().unwrap()
    }

    fn elapsed(&self) -> Duration {
        self.elapsed.get()
    }

    fn pause(&mut self, span: Duration) {
        self.elapsed.set(self.elapsed.get() + span);
        let due = self.interrupt_at.iter().filter(|at| **at <= self.elapsed.get()).count();
        self.interrupts.store(due, Ordering::Relaxed);
    }
}

struct Breaking(Vec<u8>, Option<(usize, io::ErrorKind)>);

impl Write for Breaking {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self.1 {
            Some((after, kind)) if self.0.len() + bytes.len() > after => Err(kind.into()),
            _ => self.0.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Runs the program. `[DIR]` in an argument stands for `dir`, and in what it says.
pub fn seathold(dir: &Path, arguments: &[&str]) -> Said {
    seathold_on(dir, arguments, Stage { interrupt_at: Vec::new(), keys: &mut Silent, out_breaks: None, live: false })
}

/// Runs the program with variables of the environment.
pub fn seathold_with(dir: &Path, arguments: &[&str], environment: &Environment) -> Said {
    let stage = Stage { interrupt_at: Vec::new(), keys: &mut Silent, out_breaks: None, live: false };
    seathold_in(dir, arguments, stage, environment)
}

/// Runs the program with more than plain streams.
pub fn seathold_on(dir: &Path, arguments: &[&str], stage: Stage<'_>) -> Said {
    // No variable, and so no settings file: what a test does depends on nobody's computer.
    seathold_in(dir, arguments, stage, &Environment::default())
}

/// Runs the program with more than plain streams, and with variables.
pub fn seathold_in(dir: &Path, arguments: &[&str], stage: Stage<'_>, environment: &Environment) -> Said {
    let dir = dir.to_str().unwrap();
    let typed = arguments.iter().map(|a| a.replace("[DIR]", dir).into());
    let (mut out, mut err) = (Breaking(Vec::new(), stage.out_breaks), Vec::new());
    let interrupts = AtomicUsize::new(0);
    let mut clock = FakeClock { elapsed: Cell::default(), interrupt_at: stage.interrupt_at, interrupts: &interrupts };
    let exit = seathold::main_with(
        std::iter::once("seathold".into()).chain(typed),
        &mut Console {
            out: &mut out,
            err: &mut err,
            live: stage.live,
            clock: &mut clock,
            interrupts: &interrupts,
            keys: stage.keys,
            environment,
        },
    );
    let text = |bytes| String::from_utf8(bytes).unwrap().replace(dir, "[DIR]");
    Said { code: exit.code(), out: text(out.0), err: text(err), paused: clock.elapsed.get() }
}

/// Compares with a committed file. `SNAPSHOTS=overwrite cargo test` accepts what is said now; look at the difference
/// before committing it.
pub fn golden(name: &str, said: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("golden/cli").join(name);
    snapbox::assert_data_eq!(said, snapbox::Data::read_from(&path, Some(snapbox::data::DataFormat::Text)).raw());
}

/// A short run's recording: one side of a tight valve.
pub fn recorded(dir: &Path, name: &str, more: &[&str]) -> std::path::PathBuf {
    let out = format!("[DIR]/{name}");
    let said = seathold(dir, &[&["run", "-q", "--sides", "first", "--out", &out], more].concat());
    assert_eq!(said.err, "");
    dir.join(name)
}
