//! `seathold replay`: replays recordings through the sequencer.

use std::path::Path;

use seathold_recording as recording;
use seathold_recording::plain::shown;
use seathold_recording::replay::replay;
use seathold_text::outcome;

use crate::args::ReplayArgs;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// Replays each file; the worst outcome decides the exit code, and no file keeps the others from their turn.
pub(super) fn run(command: &ReplayArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let mut worst = Exit::Good;
    for file in &command.files {
        let exit = match one(file, console) {
            Ok(exit) => exit,
            Err(Error::ClosedPipe) => return Err(Error::ClosedPipe),
            Err(why) => {
                writeln!(console.err, "error: {why}")?;
                why.exit()
            }
        };
        if exit.code() > worst.code() {
            worst = exit;
        }
    }
    Ok(worst)
}

fn one(file: &Path, console: &mut Console<'_>) -> Result<Exit, Error> {
    let recording = recording::read(file)?;
    let name = file.display().to_string();
    let name = shown(&name);
    if let Some(why) = &recording.damage {
        return Err(recording::Error::damaged(file, why.clone()).into());
    }
    match replay(&recording) {
        Err(why) => {
            writeln!(console.out, "{name}: {}", why.0)?;
            Ok(Exit::Differs)
        }
        Ok(Some(difference)) => {
            writeln!(console.out, "{name}: {difference}")?;
            Ok(Exit::Differs)
        }
        Ok(None) => {
            if let Some(it) = recording.breaks.first() {
                let polls = recording.polls.len();
                writeln!(console.out, "{name}: identical for {} polls of {polls}; then {}", it.polls, it.why)?;
                return Ok(Exit::NoVerdict);
            }
            let word = outcome::word(&recording.summary());
            let events: usize = recording.event_log.len();
            writeln!(
                console.out,
                "{name}: identical: {} polls, {events} events, verdict {word}",
                recording.polls.len()
            )?;
            Ok(Exit::Good)
        }
    }
}
