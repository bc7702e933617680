//! `seathold serve` in a thread, and the program called beside it, by the machine's own clock.

use std::io::{self, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;

use seathold::console::{Console, KeyboardInput, Keys, SystemClock};
use seathold::environment::Environment;

use crate::cli_kit::Silent;

/// What a program writes, kept; presses Ctrl-C when a text comes by, or ends the program there and then.
#[derive(Debug, Default)]
pub struct Ear<'a> {
    /// All of it so far.
    pub text: String,
    /// The text that presses Ctrl-C, and where that is counted.
    pub press: Option<(&'a str, &'a AtomicUsize)>,
    /// The text that ends the program.
    pub kill: Option<&'a str>,
    /// Who is told the first line.
    pub first: Option<Sender<String>>,
}

impl Write for Ear<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.text.push_str(&String::from_utf8_lossy(bytes));
        if let Some((at, interrupts)) = self.press
            && self.text.contains(at)
        {
            interrupts.fetch_add(1, Ordering::Relaxed);
        }
        if self.kill.is_some_and(|at| self.text.contains(at)) {
            std::panic::resume_unwind(Box::new("killed"));
        }
        if let Some((line, _)) = self.text.split_once('\n')
            && let Some(first) = self.first.take()
        {
            let _ = first.send(line.into());
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Runs the program, and gives its exit code.
pub fn program(
    arguments: &[&str],
    interrupts: &AtomicUsize,
    out: &mut dyn Write,
    err: &mut dyn Write,
    keys: &mut dyn Keys,
) -> u8 {
    let arguments = ["seathold"].iter().chain(arguments).map(Into::into);
    let clock = &mut SystemClock::default();
    let environment = &Environment::default();
    seathold::main_with(arguments, &mut Console { out, err, live: false, clock, interrupts, keys, environment }).code()
}

/// Lines as they are typed by another thread.
struct Typed(Receiver<&'static str>);

impl Keys for Typed {
    fn line(&mut self) -> KeyboardInput {
        self.0.try_recv().map_or(KeyboardInput::Nothing, |line| KeyboardInput::Line(line.into()))
    }
}

/// `seathold serve` in a thread.
#[derive(Debug)]
pub struct Rig {
    typed: Sender<&'static str>,
    interrupts: Arc<AtomicUsize>,
    thread: Option<JoinHandle<String>>,
    /// "127.0.0.1:PORT", or "serial:PATH".
    pub at: String,
}

impl Rig {
    /// On a socket; at full speed, unless `more` says another.
    pub fn on(listen: &str, more: &[&str]) -> Self {
        Self::served(&[&["--listen", listen], more].concat())
    }

    /// On a pseudo-terminal.
    pub fn on_pty(more: &[&str]) -> Self {
        Self::served(&[&["--pty"], more].concat())
    }

    fn served(more: &[&str]) -> Self {
        let interrupts = Arc::new(AtomicUsize::new(0));
        let (first, address) = channel();
        let (typed, lines) = channel();
        let mut arguments: Vec<String> = ["serve"].iter().chain(more).map(|a| (*a).into()).collect();
        if !more.contains(&"--speed") {
            arguments.extend(["--speed".into(), "max".into()]);
        }
        let ours = interrupts.clone();
        let thread = std::thread::spawn(move || {
            let mut out = Ear { first: Some(first), ..Ear::default() };
            let mut err = Ear::default();
            let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
            program(&arguments, &ours, &mut out, &mut err, &mut Typed(lines));
            err.text
        });
        let address = address.recv().expect("an address");
        Self { typed, interrupts, thread: Some(thread), at: address.trim_start_matches("tcp:").into() }
    }

    /// Types a line where it is served: hands at the rig.
    pub fn hands(&self, line: &'static str) {
        self.typed.send(line).expect("it is being served");
    }

    /// Ctrl-C, and what it told.
    pub fn stop(mut self) -> String {
        self.interrupts.store(1, Ordering::Relaxed);
        self.thread.take().unwrap().join().unwrap()
    }
}

impl Drop for Rig {
    fn drop(&mut self) {
        self.interrupts.store(1, Ordering::Relaxed);
        let _ = self.thread.take().map(JoinHandle::join);
    }
}

/// The program, gone where this text comes by: nothing is given up, and nothing said.
pub fn killed_at(arguments: &[&str], text: &str) {
    let mut err = Ear { kill: Some(text), ..Ear::default() };
    let run = std::panic::AssertUnwindSafe(|| {
        program(arguments, &AtomicUsize::new(0), &mut Ear::default(), &mut err, &mut Silent);
    });
    assert!(std::panic::catch_unwind(run).is_err(), "it ended by itself");
}
