//! Lines from the keyboard or the barcode reader of a bench.

use std::time::Duration;

use crate::console::{Console, KeyboardInput};
use crate::error::Error;
use crate::session::{SOON, TOO_SOON};

/// How often the keyboard is polled.
const LOOK: Duration = Duration::from_millis(20);
/// A reader sends a code and its line ends in one go; a person needs longer from one Enter to the next. Common
/// practice, no source.
const ONE_GO: Duration = Duration::from_millis(100);

/// What is typed or scanned, line by line.
#[derive(Debug, Default)]
pub(super) struct StdinLines {
    /// Read already, and still to be returned.
    ahead: Option<KeyboardInput>,
}

impl StdinLines {
    /// Waits for a line; `None` when there will be no more.
    ///
    /// Some readers end a code with two line ends. The second is no Enter: after a refused serial it would test another
    /// valve than the one on the rig. So an empty line right after another is dropped. (What comes from a script is in
    /// order.)
    ///
    /// An Enter that comes within half a second of the prompt was meant for something else, or is a key that is held down: it answers
    /// nothing, and the half second begins again.
    pub(super) fn next(&mut self, console: &mut Console<'_>) -> Result<Option<String>, Error> {
        let mut asked = console.clock.elapsed();
        let mut told = false;
        loop {
            match self.ahead.take().unwrap_or_else(|| console.keys.line()) {
                KeyboardInput::Line(line)
                    if console.live
                        && line.trim().is_empty()
                        && console.clock.elapsed().saturating_sub(asked) < SOON =>
                {
                    asked = console.clock.elapsed();
                    if !std::mem::replace(&mut told, true) {
                        writeln!(console.err, "{TOO_SOON}")?;
                    }
                }
                // A cursor key, which a terminal sends as a sequence of characters: it is part of no serial, and what was typed
                // about it was meant otherwise than it has come.
                KeyboardInput::Line(line) if line.contains('\u{1b}') => {
                    write!(console.err, "that was a cursor key or the like: type or scan it again > ")?;
                    console.err.flush()?;
                }
                KeyboardInput::Line(line) => {
                    if console.live && !line.trim().is_empty() {
                        self.drop_second_end(console);
                    }
                    return Ok(Some(line));
                }
                KeyboardInput::Nothing if console.interrupted() == 0 => console.clock.pause(LOOK),
                // The prompt is still on its line.
                KeyboardInput::Closed | KeyboardInput::Nothing => {
                    writeln!(console.err)?;
                    return Ok(None);
                }
            }
        }
    }

    fn drop_second_end(&mut self, console: &mut Console<'_>) {
        console.clock.pause(ONE_GO);
        self.ahead = match console.keys.line() {
            KeyboardInput::Line(line) if line.trim().is_empty() => None,
            KeyboardInput::Nothing => None,
            other => Some(other),
        };
    }

    /// What a person typed or scanned while a run went on was not an answer to the prompt that comes now, and must not
    /// start a test of whatever is on the rig. (What comes from a script is in order.)
    pub(super) fn forget(&mut self, console: &mut Console<'_>) -> Result<(), Error> {
        if !console.live {
            return Ok(());
        }
        let mut lines = 0;
        loop {
            match self.ahead.take().unwrap_or_else(|| console.keys.line()) {
                KeyboardInput::Line(_) => lines += 1,
                end => {
                    self.ahead = (end == KeyboardInput::Closed).then_some(end);
                    break;
                }
            }
        }
        if lines > 0 {
            writeln!(console.err, "what was typed during the run is ignored: type or scan it again")?;
        }
        Ok(())
    }
}
