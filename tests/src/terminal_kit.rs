//! A person at a terminal: a shell at a pseudo-terminal in a folder of its own, what it shows, and keys.
//!
//! Nothing here waits for a time: it waits for what the screen shows, with limits that only a program that hangs reaches.

use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use portable_pty::{Child, CommandBuilder, MasterPty, PtySize, native_pty_system};
use rustix::fs::{Mode, OFlags};
use rustix::process::{Pid, Signal, kill_process};
use rustix::termios::{InputModes, LocalModes, OutputModes, tcgetattr};

/// Longest until the screen shows what is waited for, on a machine that has much else to do.
const PATIENCE: Duration = Duration::from_secs(180);

/// After this a screen that is not what was expected is not going to be; and where what is shown is to be accepted, it is there.
const AT_REST: Duration = Duration::from_secs(60);
/// See above.
const ACCEPTED: Duration = Duration::from_secs(2);

/// How often it is looked at.
const LOOK: Duration = Duration::from_millis(10);

/// How long somebody takes to read a question: what comes sooner is not taken for an answer to it.
const READS: Duration = Duration::from_millis(1_200);

/// The script that starts the program and leaves its process number, so that it can be killed.
const START: &str = "go";

/// A shell at a terminal.
#[allow(missing_debug_implementations, reason = "a terminal has nothing to show")]
pub struct Terminal {
    dir: PathBuf,
    master: Box<dyn MasterPty + Send>,
    keys: Box<dyn Write + Send>,
    shell: Box<dyn Child + Send + Sync>,
    screen: Arc<Mutex<vt100::Parser>>,
    commands: u32,
}

impl Terminal {
    /// In this folder, with the program to be called.
    ///
    /// # Panics
    /// When there is no pseudo-terminal or no shell.
    pub fn open(dir: &Path, program: &str, columns: u16, rows: u16) -> Self {
        std::fs::write(dir.join(START), format!("echo $$ > pid\nexec {program} \"$@\"\n")).expect("a script");
        let pair = native_pty_system().openpty(size(columns, rows)).expect("a pseudo-terminal");
        // One without line editing of its own, and that does not put a terminal in order after a program.
        let mut shell = CommandBuilder::new("sh");
        shell.arg("-i");
        shell.cwd(dir);
        shell.env_clear();
        shell.env("PATH", std::env::var("PATH").unwrap_or_default());
        shell.env("PS1", "$ ");
        shell.env("TERM", "xterm");
        shell.env("TZ", "UTC");
        let shell = pair.slave.spawn_command(shell).expect("a shell");
        let mut from = pair.master.try_clone_reader().expect("its screen");
        let keys = pair.master.take_writer().expect("its keys");
        let screen = Arc::new(Mutex::new(vt100::Parser::new(rows, columns, 0)));
        let ours = screen.clone();
        std::thread::spawn(move || {
            let mut room = [0; 1 << 16];
            while let Ok(n @ 1..) = from.read(&mut room) {
                ours.lock().expect("the screen").process(&room[..n]);
            }
        });
        let terminal = Self { dir: dir.into(), master: pair.master, keys, shell, screen, commands: 0 };
        terminal.wait("$");
        terminal
    }

    /// Calls the program. It has ended when [`Terminal::ended`] returns.
    pub fn call(&mut self, arguments: &str) {
        self.commands += 1;
        let end = format!("; echo \"end {} with $?\"", self.commands);
        self.keys(&format!("sh ./{START} {arguments}{end}\n"));
    }

    /// Waits for the end of the program that was called last, and gives its exit code.
    pub fn ended(&self) -> String {
        let end = format!("end {} with ", self.commands);
        let code = |screen: &str| {
            let line = screen.lines().rev().find(|line| line.contains(&end) && !line.contains("$?"))?;
            line.rsplit(' ').next().map(str::to_owned)
        };
        let mut found = None;
        self.until(&end, |screen| {
            found = code(screen);
            found.is_some()
        });
        found.unwrap_or_default()
    }

    /// Kills the program that was called last: no signal that it could handle.
    ///
    /// # Panics
    /// When there is none.
    pub fn kill(&self) {
        let pid = self.pid();
        kill_process(Pid::from_raw(pid).expect("a process"), Signal::KILL).expect("it is there");
    }

    /// The process of the program that was called last.
    ///
    /// # Panics
    /// When there is none.
    pub fn pid(&self) -> i32 {
        let pid = std::fs::read_to_string(self.dir.join("pid")).expect("the process number");
        pid.trim().parse().expect("a process number")
    }

    /// Presses keys.
    ///
    /// # Panics
    /// When the terminal is gone.
    pub fn keys(&mut self, keys: &str) {
        self.keys.write_all(keys.as_bytes()).expect("the terminal is there");
        self.keys.flush().expect("the terminal is there");
    }

    /// Types a line.
    pub fn line(&mut self, text: &str) {
        self.keys(&format!("{text}\r"));
    }

    /// Waits until the screen shows this, reads it as a person does, and types the answer.
    pub fn answer(&mut self, question: &str, text: &str) {
        self.wait(question);
        std::thread::sleep(READS);
        self.line(text);
    }

    /// Another size, as when a window is pulled.
    ///
    /// # Panics
    /// When the terminal is gone.
    pub fn resize(&self, columns: u16, rows: u16) {
        // Both at once: what is drawn for the old size must not come to the new one as if it were for that.
        let mut screen = self.screen.lock().expect("the screen");
        screen.screen_mut().set_size(rows, columns);
        self.master.resize(size(columns, rows)).expect("the terminal is there");
    }

    /// What the screen shows, a line a row.
    ///
    /// # Panics
    /// When the thread that reads it has.
    pub fn picture(&self) -> String {
        let screen = self.screen.lock().expect("the screen");
        let columns = screen.screen().size().1;
        screen.screen().rows(0, columns).map(|row| row.trim_end().to_owned() + "\n").collect()
    }

    /// Waits until the screen shows this somewhere; line breaks are as good as blanks.
    pub fn wait(&self, text: &str) {
        self.until(text, |screen| shows(screen, text));
    }

    /// Waits until it does so no more.
    pub fn gone(&self, text: &str) {
        self.until(&format!("anything but {text}"), |screen| !shows(screen, text));
    }

    /// Waits until the screen shows one of these, and says which.
    pub fn any<'t>(&self, texts: &[&'t str]) -> &'t str {
        let mut found = "";
        self.until(&texts.join(" or "), |screen| {
            found = texts.iter().find(|text| shows(screen, text)).copied().unwrap_or_default();
            !found.is_empty()
        });
        found
    }

    /// The screen as soon as it is what is expected; otherwise what it has come to rest at.
    pub fn settled(&self, mut is_expected: impl FnMut(&str) -> bool) -> String {
        let accepts = std::env::var_os("SNAPSHOTS").is_some();
        let limit = Instant::now() + if accepts { ACCEPTED } else { AT_REST };
        loop {
            let picture = self.picture();
            if is_expected(&picture) || Instant::now() > limit {
                return picture;
            }
            std::thread::sleep(LOOK);
        }
    }

    /// Waits until the screen shows what `is` of it; `what` names it.
    ///
    /// # Panics
    /// When it never does.
    pub fn until(&self, what: &str, mut is: impl FnMut(&str) -> bool) {
        let limit = Instant::now() + PATIENCE;
        loop {
            let picture = self.picture();
            if is(&picture) {
                return;
            }
            assert!(Instant::now() < limit, "never shown: {what}\n{picture}");
            std::thread::sleep(LOOK);
        }
    }

    /// Whether the bench screen has the terminal.
    ///
    /// # Panics
    /// When the thread that reads it has.
    pub fn is_taken(&self) -> bool {
        self.screen.lock().expect("the screen").screen().alternate_screen()
    }

    /// What is not as a person's shell wants it, if anything.
    ///
    /// # Panics
    /// When the terminal is gone.
    pub fn untidy(&self) -> Vec<&'static str> {
        let screen = self.screen.lock().expect("the screen");
        let path = self.master.tty_name().expect("a name");
        let terminal = rustix::fs::open(path, OFlags::RDWR | OFlags::NOCTTY, Mode::empty()).expect("the terminal");
        let modes = tcgetattr(&terminal).expect("how it is set");
        let all = [
            (screen.screen().alternate_screen(), "another screen"),
            (screen.screen().hide_cursor(), "no cursor"),
            (!modes.local_modes.contains(LocalModes::ECHO), "no echo"),
            (!modes.local_modes.contains(LocalModes::ICANON), "no lines"),
            (!modes.local_modes.contains(LocalModes::ISIG), "no Ctrl-C"),
            (!modes.input_modes.contains(InputModes::ICRNL), "no Enter"),
            (!modes.output_modes.contains(OutputModes::OPOST), "no line feeds"),
        ];
        all.into_iter().filter_map(|(wrong, what)| wrong.then_some(what)).collect()
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        // Of the shell alone; a program under it notices that its terminal has gone.
        let _ = self.shell.kill();
        let _ = self.shell.wait();
    }
}

/// Whether the words are there, one after the other.
fn shows(screen: &str, text: &str) -> bool {
    let words = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    words(screen).contains(&words(text))
}

const fn size(columns: u16, rows: u16) -> PtySize {
    PtySize { rows, cols: columns, pixel_width: 0, pixel_height: 0 }
}
