//! Recordings that calibrations are computed from.

use std::path::Path;

use seathold_recording::{self as recording, Recording};
use seathold_sequencer::verdict::Verdict;

use crate::cmd::named_files::unfit;
use crate::error::Error;

/// A recording that is complete.
pub(super) fn intact(path: &Path) -> Result<Recording, Error> {
    let recording = recording::read(path)?;
    match &recording.damage {
        Some(why) => Err(recording::Error::damaged(path, why.clone()).into()),
        None => Ok(recording),
    }
}

/// Whether none of its sides was judged leaking.
pub(super) fn not_leaking(path: &Path, recording: &Recording) -> Result<(), Error> {
    if recording.summary().sides.iter().any(|side| side.verdict == Verdict::Leaking) {
        let why = "a side of it was judged leaking, and it is to be of a tight side: find the leak first";
        return Err(unfit(path, why.into()));
    }
    Ok(())
}
