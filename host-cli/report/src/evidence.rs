//! One run, read from its recording, as far as a report needs it.

use crate::run_remark::RunRemark;
use std::path::Path;

use seathold_recording::{self as recording, Header, Recording, Summary, replay};
use seathold_register::Error;
use seathold_sequencer::event::Event;
use seathold_sequencer::input::{Side, Sides};
use seathold_sequencer::time::Instant;
use seathold_sequencer::verdict::SideResult;
use seathold_text::messages::UnitFormat;

use super::trace::{SideTrace, trace};

/// One run, as far as a report needs it. The readings are thinned to what charts show, so that many fit in
/// memory.
#[derive(Clone, Debug)]
pub struct Evidence {
    /// Name of the recording.
    pub name: String,
    /// Who, what, with which recipe, on which rig.
    pub header: Header,
    /// Its result.
    pub summary: Summary,
    /// Readings of each side, for pictures.
    pub traces: Vec<SideTrace>,
    /// The event log, in seconds after the start and in words.
    pub log: Vec<(f64, String)>,
    /// Polls recorded.
    pub polls: usize,
    /// How long the run took, in seconds.
    pub seconds: f64,
    /// SHA-256 over the recording's bytes, in hexadecimal.
    pub sha256: String,
    /// Whether the recording is complete and replays to the same.
    pub whole: Integrity,
    /// Its record in a register.
    pub seal: Option<RegisterEntry>,
    /// Whether a replay comes to the same; also of one that was altered in its register.
    replays: bool,
}

/// How far a recording can be trusted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Integrity {
    /// Checksums and hash match, and a replay gives the same outputs and events.
    Replays,
    /// A replay of what is intact differs, or cannot be done: it carries no verdict.
    Differs(String),
    /// It is damaged or was cut off.
    Damaged(String),
    /// In the register it is not what was sealed.
    Altered(String),
}

/// A run's record in a register.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RegisterEntry {
    /// The register.
    pub register: String,
    /// The run, as `BENCH/NUMBER`.
    pub run: String,
    /// The same as short as it can be.
    pub short: String,
    /// The hash over the run and the one before.
    pub hash: String,
    /// Why it does not count for its valve, where it does not.
    pub excluded: Option<RunRemark>,
    /// Who wanted it although it does not fit its valve, and why, where somebody did.
    pub overridden: Option<RunRemark>,
    /// For which valve it was recorded, where another was on the rig: who says so, and why.
    pub moved: Option<RunRemark>,
    /// The valve that it counts for.
    pub serial: String,
}

impl Evidence {
    /// From a recording's file.
    ///
    /// # Errors
    /// When it cannot be read, or is no recording.
    pub fn read(path: &Path) -> Result<Self, Error> {
        let bytes = recording::file_bytes(path)?;
        let name = path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned());
        Self::of(&name, &bytes).map_err(|why| Error::damaged(path, why))
    }

    /// From a recording's bytes.
    ///
    /// # Errors
    /// When they are no recording.
    pub fn of(name: &str, bytes: &[u8]) -> Result<Self, recording::Damage> {
        let recording = recording::read_bytes(bytes)?;
        let units = UnitFormat::new(&recording.header.recipe, &recording.header.display_units);
        let origin = recording.polls.first().map_or(0, |poll| poll.at.as_ticks());
        let (drawn, length) = (recording.on_first_clock(), recording.length().as_ticks());
        // A clock that began again is put behind the first: how long the controller was off, nobody knows.
        let seconds = |number: usize, at: Instant| {
            let passed = if number < drawn { at.as_ticks().saturating_sub(origin) } else { length + at.as_ticks() };
            passed as f64 / 1e6
        };
        let whole = whole(&recording);
        // What the readings do not lead to is no result, whatever the events say.
        let differs = matches!(whole, Integrity::Differs(_));
        let is_result = |event: &Event| {
            matches!(event, Event::SideFinished(_) | Event::RunFinished { .. } | Event::InterimEstimate(_))
        };
        let events = recording.numbered_events().filter(|(.., event)| !(differs && is_result(event)));
        let events: Vec<_> = events.collect();
        let on_first_clock = events.iter().take_while(|(number, ..)| *number < drawn).count();
        let events: Vec<(f64, Event)> =
            events.into_iter().map(|(number, at, event)| (seconds(number, at), event)).collect();
        Ok(Self {
            name: name.into(),
            summary: Summary::of(events.iter().map(|(_, event)| event.clone())),
            traces: trace(&recording, &events[..on_first_clock]),
            log: events.iter().filter_map(|(at, event)| Some((*at, units.event(event)?))).collect(),
            polls: recording.polls.len(),
            seconds: length as f64 / 1e6,
            sha256: seathold_recording::hash::sha256(bytes),
            whole,
            replays: !differs,
            seal: None,
            header: recording.header,
        })
    }

    /// In the units of its recipe.
    pub fn units(&self) -> UnitFormat {
        UnitFormat::new(&self.header.recipe, &self.header.display_units)
    }

    /// Whether the run was to test a side.
    pub(crate) fn asked_for(&self, side: Side) -> bool {
        match self.header.sides {
            Sides::Both => true,
            Sides::First => side == Side::First,
            Sides::Second => side == Side::Second,
        }
    }

    /// The result of a side, the last if there are several.
    pub fn side(&self, side: Side) -> Option<&SideResult> {
        self.summary.sides.iter().rev().find(|result| result.side == side)
    }

    /// Whether a replay comes to the same. If not, none of its results is among these.
    pub fn replays(&self) -> bool {
        self.replays
    }

    /// The valve that was on the rig, as far as is known.
    pub fn serial(&self) -> &str {
        self.seal.as_ref().map_or(&self.header.serial, |seal| &seal.serial)
    }

    /// Why it does not count for its valve, where it does not.
    pub(crate) fn excluded(&self) -> Option<&RunRemark> {
        self.seal.as_ref()?.excluded.as_ref()
    }

    /// Whether the readings came from the simulated rig.
    pub fn simulated(&self) -> bool {
        self.header.source.is_simulated()
    }
}

fn whole(recording: &Recording) -> Integrity {
    // The intact part of a damaged recording must replay too: a forged one is not better for being cut.
    match replay::replay(recording) {
        Ok(Some(difference)) => return Integrity::Differs(difference.to_string()),
        Err(invalid) => return Integrity::Differs(invalid.0),
        Ok(None) => {}
    }
    match &recording.damage {
        Some(damage) => Integrity::Damaged(damage.to_string()),
        None => Integrity::Replays,
    }
}
