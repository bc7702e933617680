//! Who works contacts, listens and answers: the operator at the keyboard; or, for the rig simulated in this program, a
//! simulated one, who follows instructions and hears what truly moved.

use seathold_sequencer::output::Coil;
use seathold_sim::channel_fault::ChannelFault;
use seathold_sim::fault::FaultKind;

use super::check::CheckItem;
use super::rig_under_check::{Halt, RigUnderCheck};
use crate::console::{Console, KeyboardInput};

/// Reaction time of the simulated operator, in microseconds.
const PACE_US: u64 = 500_000;

/// Who answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dialog {
    /// The operator at the keyboard.
    Keyboard,
    /// The simulated one.
    Simulated,
}

/// An answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reply {
    /// Enter alone: continue. No answer where yes or no is asked.
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

fn parse_reply(line: &str) -> Option<Reply> {
    match line.trim() {
        "" => Some(Reply::Enter),
        "y" | "yes" => Some(Reply::Yes),
        "n" | "no" => Some(Reply::No),
        "a" | "again" => Some(Reply::Again),
        "s" | "skip" => Some(Reply::Skip),
        _ => None,
    }
}

impl Dialog {
    /// What has been typed since, if it is a reply; `q`, or the end of input, gives the procedure up.
    ///
    /// # Errors
    /// When it is aborted.
    pub fn said(self, console: &mut Console<'_>) -> Result<Option<Reply>, Halt> {
        if self == Self::Simulated {
            return Ok(None);
        }
        match console.keys.line() {
            KeyboardInput::Nothing => Ok(None),
            KeyboardInput::Closed => Err(Halt::Aborted),
            KeyboardInput::Line(line) if matches!(line.trim(), "q" | "quit") => Err(Halt::Aborted),
            KeyboardInput::Line(line) => {
                let said = parse_reply(&line);
                if said.is_none() {
                    writeln!(console.err, "      \"{}\" is no answer here", line.trim().escape_debug())?;
                }
                Ok(said)
            }
        }
    }

    /// Discards what was typed ahead: an Enter too many must not answer the next question, and move something.
    ///
    /// # Errors
    /// At the end of input.
    pub fn hush(self, console: &mut Console<'_>) -> Result<(), Halt> {
        if self == Self::Simulated {
            return Ok(());
        }
        loop {
            match console.keys.line() {
                KeyboardInput::Nothing => return Ok(()),
                KeyboardInput::Line(_) => {}
                KeyboardInput::Closed => return Err(Halt::Aborted),
            }
        }
    }

    /// Waits for an answer that `fits`. The simulated operator takes a moment and says yes.
    ///
    /// # Errors
    /// As [`RigUnderCheck::look`], and when it is aborted.
    pub fn answer(
        self,
        bench: &mut RigUnderCheck,
        console: &mut Console<'_>,
        fits: impl Fn(Reply) -> bool,
    ) -> Result<Reply, Halt> {
        if self == Self::Simulated {
            bench.until(console, PACE_US, |_| false)?;
            return Ok(Reply::Yes);
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

    /// The simulated operator works what this check is of: presses the stop, opens the guard, pulls a wire; or releases
    /// it. An operator at the keyboard does that by themselves.
    pub fn work(self, bench: &mut RigUnderCheck, subject: CheckItem, works: bool) {
        let fault_kind = match subject {
            CheckItem::Stop => FaultKind::Stop,
            CheckItem::Guard => FaultKind::Guard,
            CheckItem::FarWire => FaultKind::Far(ChannelFault::Open),
            CheckItem::SupplyWire => FaultKind::Supply(ChannelFault::Open),
            _ => return,
        };
        if let Some(stand) = bench.client.bench() {
            stand.inject(fault_kind, works);
        }
    }

    /// The simulated operator shuts the air off at the wall and vents the lines.
    pub fn shut_air(self, bench: &mut RigUnderCheck) {
        if let Some(stand) = bench.client.bench() {
            stand.rig.shut_off_air();
        }
    }

    /// Whether the simulated operator heard an output: not where it is stuck.
    pub fn listen(self, bench: &mut RigUnderCheck, coil: Coil) -> Option<Reply> {
        let stuck = bench.client.bench()?.rig.stuck();
        let moved = match coil {
            Coil::Supply => stuck.supply.is_none(),
            Coil::Vent => stuck.vent.is_none(),
            Coil::Pilot => true,
        };
        Some(if moved { Reply::Yes } else { Reply::No })
    }
}
