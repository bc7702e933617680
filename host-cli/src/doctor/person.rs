//! Who works contacts, listens and answers: the person at the keyboard; or, where the rig is simulated in this program, a
//! simulated one, who does as told and hears what truly moved.

use seathold_sequencer::output::Coil;
use seathold_sim::fault::Mishap;
use seathold_sim::faulty::ChannelFault;

use super::bench::{Bench, Halt};
use super::check::Subject;
use crate::console::{Console, Typed};

/// What the simulated person takes for anything, in microseconds.
const PACE_US: u64 = 500_000;

/// Whose word counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Person {
    /// The one at the keyboard.
    Keyboard,
    /// The simulated one.
    Simulated,
}

/// What was said.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Said {
    /// Enter alone: go on. No answer where somebody's word counts.
    Enter,
    /// Yes.
    Yes,
    /// No.
    No,
    /// Again.
    Again,
    /// Leave it out.
    Skip,
}

fn heard(line: &str) -> Option<Said> {
    match line.trim() {
        "" => Some(Said::Enter),
        "y" | "yes" => Some(Said::Yes),
        "n" | "no" => Some(Said::No),
        "a" | "again" => Some(Said::Again),
        "s" | "skip" => Some(Said::Skip),
        _ => None,
    }
}

impl Person {
    /// What has been typed since, if it makes sense; `q`, or nobody at the keyboard any more, gives the whole up.
    ///
    /// # Errors
    /// When it is given up.
    pub fn said(self, console: &mut Console<'_>) -> Result<Option<Said>, Halt> {
        if self == Self::Simulated {
            return Ok(None);
        }
        match console.keys.line() {
            Typed::Nothing => Ok(None),
            Typed::Closed => Err(Halt::GivenUp),
            Typed::Line(line) if matches!(line.trim(), "q" | "quit") => Err(Halt::GivenUp),
            Typed::Line(line) => {
                let said = heard(&line);
                if said.is_none() {
                    writeln!(console.err, "      \"{}\" is no answer here", line.trim().escape_debug())?;
                }
                Ok(said)
            }
        }
    }

    /// Forgets what was typed ahead: an Enter too many must not answer what is asked next, and move something.
    ///
    /// # Errors
    /// When nobody is at the keyboard any more.
    pub fn hush(self, console: &mut Console<'_>) -> Result<(), Halt> {
        if self == Self::Simulated {
            return Ok(());
        }
        loop {
            match console.keys.line() {
                Typed::Nothing => return Ok(()),
                Typed::Line(_) => {}
                Typed::Closed => return Err(Halt::GivenUp),
            }
        }
    }

    /// Waits for an answer that `fits`. The simulated person takes a moment and says yes.
    ///
    /// # Errors
    /// As [`Bench::look`], and when it is given up.
    pub fn answer(
        self,
        bench: &mut Bench,
        console: &mut Console<'_>,
        fits: impl Fn(Said) -> bool,
    ) -> Result<Said, Halt> {
        if self == Self::Simulated {
            bench.until(console, PACE_US, |_| false)?;
            return Ok(Said::Yes);
        }
        loop {
            bench.look(console)?;
            match self.said(console)? {
                Some(said) if fits(said) => return Ok(said),
                Some(_) => writeln!(console.err, "      that is no answer here")?,
                None => {}
            }
        }
    }

    /// The simulated person works what this check is of: presses the stop, opens the guard, pulls a wire; or lets it be
    /// again. A person at the keyboard does that by themselves.
    pub fn work(self, bench: &mut Bench, subject: Subject, works: bool) {
        let mishap = match subject {
            Subject::Stop => Mishap::Stop,
            Subject::Guard => Mishap::Guard,
            Subject::FarWire => Mishap::Far(ChannelFault::Open),
            Subject::SupplyWire => Mishap::Supply(ChannelFault::Open),
            _ => return,
        };
        if let Some(stand) = bench.remote.bench() {
            stand.happen(mishap, works);
        }
    }

    /// The simulated person shuts the air off at the wall and lets it out of the lines.
    pub fn shut_air(self, bench: &mut Bench) {
        if let Some(stand) = bench.remote.bench() {
            stand.rig.shut_off_air();
        }
    }

    /// What the simulated person heard of an output: nothing where it is stuck.
    pub fn listen(self, bench: &mut Bench, coil: Coil) -> Option<Said> {
        let stuck = bench.remote.bench()?.rig.stuck();
        let moved = match coil {
            Coil::Supply => stuck.supply.is_none(),
            Coil::Vent => stuck.vent.is_none(),
            Coil::Pilot => true,
        };
        Some(if moved { Said::Yes } else { Said::No })
    }
}
