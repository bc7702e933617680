//! The terminal, taken for the bench screen and given back as it was: at the end, after an error, and in a panic.

use std::io::{BufWriter, Stderr, Write, stderr};
use std::sync::Once;

use ratatui::Terminal;
use ratatui::backend::{Backend, ClearType, CrosstermBackend};
use ratatui::buffer::Buffer;
use ratatui::crossterm::cursor::{Hide, Show};
use ratatui::crossterm::execute;
use ratatui::crossterm::terminal::{EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode};
use ratatui::layout::Rect;

use crate::console::keys_are_raw;

/// The terminal while it is ours. A drawing goes out in one piece: standard error itself would write each character by itself.
#[derive(Debug)]
pub(super) struct BenchTerminal(Terminal<CrosstermBackend<BufWriter<Stderr>>>);

impl BenchTerminal {
    pub(super) fn open() -> std::io::Result<Self> {
        give_back_in_a_panic();
        enable_raw_mode()?;
        let _ = keys_are_raw(true);
        let opened = execute!(stderr(), EnterAlternateScreen, Hide)
            .and_then(|()| Terminal::new(CrosstermBackend::new(BufWriter::new(stderr()))));
        // What a program that was killed left there is none of ours. Not by the terminal's own `clear`: that asks where the cursor is,
        // and the keyboard's thread would take the answer for something typed.
        let cleared = opened.and_then(|mut terminal| {
            terminal.backend_mut().clear_region(ClearType::All)?;
            Ok(terminal)
        });
        cleared.map(Self).inspect_err(|_| give_back())
    }

    /// Draws what has changed; a terminal of another size by now is drawn as a whole.
    pub(super) fn draw(&mut self, draw: impl FnOnce(Rect, &mut Buffer)) -> std::io::Result<()> {
        self.0.draw(|frame| draw(frame.area(), frame.buffer_mut())).map(|_| ())
    }

    pub(super) fn ring(&mut self) {
        // Who does not hear it sees the screen.
        let _ = stderr().write_all(b"\x07");
    }
}

impl Drop for BenchTerminal {
    fn drop(&mut self) {
        give_back();
    }
}

fn give_back() {
    if !keys_are_raw(false) {
        return;
    }
    // Nothing is left to be done where that fails.
    let _ = execute!(stderr(), LeaveAlternateScreen, Show);
    let _ = disable_raw_mode();
}

/// What a panic says is to be read on the screen as it was before.
fn give_back_in_a_panic() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            give_back();
            before(panic);
        }));
    });
}
