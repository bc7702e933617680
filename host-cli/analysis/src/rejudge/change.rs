//! How another recipe changes the results of a run.

use seathold_config::config_file::say;
use seathold_recording::Recording;
use seathold_recording::timeline::Timeline;
use seathold_sequencer::field::Errors;
use seathold_sequencer::input::Side;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::verdict::{SideResult, Verdict};
use serde::Serialize;

use super::rerun::{Unjudged, rerun};

/// How a verdict changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum VerdictShift {
    /// As recorded.
    Same,
    /// Accepted now, and not before.
    Accepted,
    /// Leaking now, and not before.
    Rejected,
    /// Decided before, and not now.
    Open,
    /// It cannot be decided from what was recorded.
    Unjudged,
}

impl VerdictShift {
    fn between(old: Verdict, new: Verdict) -> Self {
        match new {
            _ if new == old => Self::Same,
            Verdict::Tight => Self::Accepted,
            Verdict::Leaking => Self::Rejected,
            Verdict::Undecided | Verdict::Void => Self::Open,
        }
    }
}

/// A side, as recorded and as another recipe judges it.
#[derive(Clone, Debug, PartialEq)]
pub struct SideComparison {
    /// The side.
    pub side: Side,
    /// As recorded.
    pub old: Option<SideResult>,
    /// By the other recipe.
    pub new: Result<SideResult, Unjudged>,
    /// How it changed.
    pub way: VerdictShift,
}

/// A run, as recorded and as another recipe judges it.
#[derive(Clone, Debug, PartialEq)]
pub struct RunComparison {
    /// The valve.
    pub serial: String,
    /// When the run began.
    pub started_at: String,
    /// The recipe it was recorded with.
    pub recorded: RawRecipe,
    /// The recipe it was judged with.
    pub recipe: RawRecipe,
    /// Its sides.
    pub sides: Vec<SideComparison>,
    /// Polls that went through the sequencer.
    pub polls: u64,
}

/// Re-evaluates a recording by its own recipe after `change`.
pub fn compare(recording: &Recording, change: impl FnOnce(&RawRecipe, &RawRig) -> RawRecipe) -> RunComparison {
    let header = &recording.header;
    let raw = change(&header.recipe, &header.rig);
    let timeline = Timeline::of(recording);
    let mut compared = RunComparison {
        serial: header.serial.clone(),
        started_at: header.started_at.clone(),
        recorded: header.recipe,
        recipe: raw,
        sides: Vec::new(),
        polls: 0,
    };
    let none = |why: Unjudged| -> Vec<SideComparison> {
        let sides: Vec<Side> = timeline.sides.iter().map(|result| result.side).collect();
        let sides = if sides.is_empty() { vec![Side::First] } else { sides };
        let changed = |side| SideComparison {
            side,
            old: timeline.result(side).copied(),
            new: Err(why.clone()),
            way: VerdictShift::Unjudged,
        };
        sides.into_iter().map(changed).collect()
    };
    let describe = |errors: Errors| {
        let list: Vec<String> = errors.as_slice().iter().map(|error| say(error, None, raw.reference_pa)).collect();
        list.join("; ")
    };
    let checked = header.rig.validate().map_err(&describe);
    let checked = checked.and_then(|rig| Ok((rig, raw.validate(&rig).map_err(&describe)?)));
    compared.sides = match checked {
        Err(why) => none(Unjudged::Invalid(why)),
        Ok(_) if timeline.start.is_none() => none(Unjudged::NoRun),
        Ok((rig, recipe)) => {
            let rerun_result = rerun(recording, &timeline, rig, recipe);
            compared.polls = rerun_result.polls;
            let changed = |rerun_result: super::RerunSide| {
                let old = timeline.result(rerun_result.side).copied();
                let way = match (&old, &rerun_result.result) {
                    (_, Err(_)) => VerdictShift::Unjudged,
                    (Some(old), Ok(new)) => VerdictShift::between(old.verdict, new.verdict),
                    (None, Ok(new)) => VerdictShift::between(Verdict::Void, new.verdict),
                };
                SideComparison { side: rerun_result.side, old, new: rerun_result.result, way }
            };
            rerun_result.sides.into_iter().map(changed).collect()
        }
    };
    compared
}
