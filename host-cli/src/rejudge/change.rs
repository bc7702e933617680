//! What another recipe changes of the results of a run.

use seathold_sequencer::field::Errors;
use seathold_sequencer::input::Side;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::verdict::{SideResult, Verdict};
use serde::Serialize;

use super::again::{Unjudged, again};
use super::course::Course;
use crate::files::sheet::say;
use crate::recording::Recording;

/// Which way a verdict went.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Way {
    /// As recorded.
    Same,
    /// Accepted now, and not before.
    Accepted,
    /// Found leaking now, and not before.
    Rejected,
    /// Decided before, and not now.
    Open,
    /// It cannot be told from what was recorded.
    Unjudged,
}

impl Way {
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
pub struct Changed {
    /// The side.
    pub side: Side,
    /// As recorded.
    pub old: Option<SideResult>,
    /// By the other recipe.
    pub new: Result<SideResult, Unjudged>,
    /// Which way it went.
    pub way: Way,
}

/// A run, as recorded and as another recipe judges it.
#[derive(Clone, Debug, PartialEq)]
pub struct Compared {
    /// The valve.
    pub serial: String,
    /// When the run began.
    pub started_at: String,
    /// The recipe it was recorded with.
    pub recorded: RawRecipe,
    /// The recipe it was judged with.
    pub recipe: RawRecipe,
    /// Its sides.
    pub sides: Vec<Changed>,
    /// Polls that went through the sequencer.
    pub polls: u64,
}

/// Judges a recording by the recipe that `change` makes of its own.
pub fn compare(recording: &Recording, change: impl FnOnce(&RawRecipe, &RawRig) -> RawRecipe) -> Compared {
    let header = &recording.header;
    let raw = change(&header.recipe, &header.rig);
    let course = Course::of(recording);
    let mut compared = Compared {
        serial: header.serial.clone(),
        started_at: header.started_at.clone(),
        recorded: header.recipe,
        recipe: raw,
        sides: Vec::new(),
        polls: 0,
    };
    let none = |why: Unjudged| -> Vec<Changed> {
        let sides: Vec<Side> = course.sides.iter().map(|result| result.side).collect();
        let sides = if sides.is_empty() { vec![Side::First] } else { sides };
        let changed =
            |side| Changed { side, old: course.result(side).copied(), new: Err(why.clone()), way: Way::Unjudged };
        sides.into_iter().map(changed).collect()
    };
    let told = |errors: Errors| {
        let told: Vec<String> = errors.as_slice().iter().map(|error| say(error, None, raw.reference_pa)).collect();
        told.join("; ")
    };
    let checked = header.rig.validate().map_err(&told);
    let checked = checked.and_then(|rig| Ok((rig, raw.validate(&rig).map_err(&told)?)));
    compared.sides = match checked {
        Err(why) => none(Unjudged::Invalid(why)),
        Ok(_) if course.start.is_none() => none(Unjudged::NoRun),
        Ok((rig, recipe)) => {
            let told = again(recording, &course, rig, recipe);
            compared.polls = told.polls;
            let changed = |told: super::Told| {
                let old = course.result(told.side).copied();
                let way = match (&old, &told.result) {
                    (_, Err(_)) => Way::Unjudged,
                    (Some(old), Ok(new)) => Way::between(old.verdict, new.verdict),
                    (None, Ok(new)) => Way::between(Verdict::Void, new.verdict),
                };
                Changed { side: told.side, old, new: told.result, way }
            };
            told.sides.into_iter().map(changed).collect()
        }
    };
    compared
}
