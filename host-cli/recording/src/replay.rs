//! Replay of a recording through the sequencer: it must give the same outputs and events at every poll.

use std::fmt;

use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::Instant;
use serde_json::Value;

use crate::Recording;
use crate::value::{NameTable, RecordValue};

/// Where a replay first differs.
#[derive(Clone, Debug, PartialEq)]
pub struct Difference {
    /// Number of the poll, from 0.
    pub poll: usize,
    /// When, on the rig's clock.
    pub at: Instant,
    /// What differs.
    pub what: &'static str,
    /// As recorded.
    pub recorded: String,
    /// As the sequencer does it now.
    pub now: String,
}

impl fmt::Display for Difference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let seconds = self.at.as_ticks() as f64 / 1e6;
        writeln!(f, "differs at poll {} ({seconds:.3} s): {}", self.poll, self.what)?;
        writeln!(f, "  recorded  {}", self.recorded)?;
        write!(f, "  now       {}", self.now)
    }
}

/// Why a recording cannot be replayed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Invalid(pub String);

/// Runs every poll again, up to the first discontinuity. `None` when nothing differs.
///
/// # Errors
/// When the recorded rig or recipe is not valid for this sequencer.
pub fn replay(recording: &Recording) -> Result<Option<Difference>, Invalid> {
    let rig =
        recording.header.rig.validate().map_err(|errors| Invalid(format!("the rig in it is not valid: {errors}")))?;
    let recipe = recording.header.recipe.validate(&rig);
    let recipe = recipe.map_err(|errors| Invalid(format!("the recipe in it is not valid: {errors}")))?;
    let mut sequencer = Sequencer::new(rig, Some(recipe));
    let mut names = recording.names.clone();
    let mut next_event = recording.event_log.follow();
    for (number, poll) in recording.polls.iter().take(recording.whole()).enumerate() {
        let step = sequencer.step(poll.at, &poll.inputs);
        let differs = |what, recorded, now| Some(Difference { poll: number, at: poll.at, what, recorded, now });
        if step.outputs != poll.outputs {
            return Ok(differs("outputs", format!("{:?}", poll.outputs), format!("{:?}", step.outputs)));
        }
        let events: Vec<RecordValue> = step.events.iter().filter_map(|event| names.tree(event)).collect();
        let recorded: Vec<RecordValue> = std::iter::from_fn(|| next_event(number)).map(|event| event.node()).collect();
        if let Some((recorded, now)) = first_difference(&recorded, &events, &names) {
            return Ok(differs("events", recorded, now));
        }
    }
    Ok(None)
}

fn first_difference(recorded: &[RecordValue], now: &[RecordValue], names: &NameTable) -> Option<(String, String)> {
    let say = |node: Option<&RecordValue>| {
        node.map_or_else(|| "nothing".into(), |node| names.value(node).unwrap_or(Value::Null).to_string())
    };
    (0..recorded.len().max(now.len())).find_map(|i| {
        let (recorded, now) = (recorded.get(i), now.get(i));
        let same = matches!((recorded, now), (Some(recorded), Some(now)) if covers(now, recorded));
        (!same).then(|| (say(recorded), say(now)))
    })
}

/// Whether everything that was recorded is there now, bit for bit. Fields that the recording lacks are ignored, so that
/// old recordings stay replayable when events gain a field.
fn covers(now: &RecordValue, recorded: &RecordValue) -> bool {
    match (now, recorded) {
        (RecordValue::Map(now), RecordValue::Map(recorded)) => {
            recorded.iter().all(|(name, value)| now.iter().any(|(other, now)| other == name && covers(now, value)))
        }
        (RecordValue::List(now), RecordValue::List(recorded)) => {
            now.len() == recorded.len() && now.iter().zip(recorded).all(|(now, recorded)| covers(now, recorded))
        }
        _ => now == recorded,
    }
}
