//! Recordings read back, whole or up to their damage.

use std::path::Path;
use std::sync::LazyLock;

use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::time::{Duration, Instant};
use serde_json::Value;
use sha2::{Digest, Sha256};

use super::event_log::EventDefect;
use super::frame::{self, Damage, FrameKind, HEAD};
use super::limits::{BREAKS_MAX, EVENT_MAX, EVENTS_MAX, FILE_MAX, HEADER_MAX, NAMES_MAX, POLLS_MAX};
use super::value::{self, NameTable, RecordValue};
use super::writer::EndFrame;
use super::{EventLog, Header, PollLog, RecordingGap, file};
use crate::Discontinuity;
use crate::{Error, Summary};

/// A recording read back.
#[derive(Clone, Debug)]
pub struct Recording {
    /// Who, what, with which recipe, on which rig.
    pub header: Header,
    /// Every intact poll.
    pub polls: PollLog,
    /// The event log.
    pub event_log: EventLog,
    /// Its discontinuities.
    pub breaks: Vec<RecordingGap>,
    /// Names the events' trees use.
    pub names: NameTable,
    /// The damage after the last intact poll, if any.
    pub damage: Option<Damage>,
}

impl Recording {
    /// All events with their times, as the sequencer's own type. An event this program does not know is left out, and
    /// so is every result after a discontinuity: the readings here do not support it.
    pub fn events(&self) -> impl Iterator<Item = (Instant, Event)> + '_ {
        self.numbered_events().map(|(_, at, event)| (at, event))
    }

    /// As [`events`](Self::events), with the number of the poll they belong to.
    pub fn numbered_events(&self) -> impl Iterator<Item = (usize, Instant, Event)> + '_ {
        let whole = self.whole();
        self.event_log
            .timed()
            .filter_map(|(number, at, event)| Some((number, at, self.names.typed(&event.node())?)))
            .filter(move |(number, _, event)| {
                *number < whole
                    || !matches!(event, Event::SideFinished(_) | Event::RunFinished { .. } | Event::InterimEstimate(_))
            })
    }

    /// Polls before the first discontinuity: these can be replayed.
    pub fn whole(&self) -> usize {
        self.breaks.first().map_or(self.polls.len(), |it| usize::try_from(it.polls).unwrap_or(usize::MAX))
    }

    /// Its result.
    pub fn summary(&self) -> Summary {
        let mut summary = Summary::of(self.events().map(|(_, event)| event));
        let voids = self.breaks.iter().find(|it| it.why.voids());
        let gap = voids.or(self.breaks.first());
        summary.broken = gap.map(|it| it.why);
        summary.broken_at = gap.and_then(|it| self.stood_before(it));
        summary
    }

    /// When the last poll before a discontinuity was, and the phase then.
    fn stood_before(&self, gap: &RecordingGap) -> Option<(Instant, Phase)> {
        let polls = usize::try_from(gap.polls).ok()?;
        let last = self.polls.iter().take(polls).last()?.at;
        let entered =
            self.numbered_events().take_while(|(number, ..)| *number < polls).filter_map(|(_, _, event)| match event {
                Event::Entered { phase, .. } => Some(phase),
                _ => None,
            });
        Some((last, entered.last()?))
    }

    /// An event as JSON.
    pub fn json(&self, node: &RecordValue) -> serde_json::Value {
        self.names.value(node).unwrap_or_default()
    }

    /// Polls before the controller's clock began again, as it does with a reset: only these are on one axis of time.
    pub fn on_first_clock(&self) -> usize {
        let restarted = self.breaks.iter().filter(|it| it.why == Discontinuity::Restarted);
        let mut at = restarted.map(|it| usize::try_from(it.polls).unwrap_or(usize::MAX));
        let went_back = |number: &usize| {
            let before = number.checked_sub(1).and_then(|number| self.polls.get(number));
            matches!((before, self.polls.get(*number)), (Some(before), Some(after)) if after.at < before.at)
        };
        at.find(went_back).unwrap_or(self.polls.len())
    }

    /// From the first poll to the last; where the controller was reset, to the last before that.
    pub fn length(&self) -> Duration {
        let last = self.on_first_clock().checked_sub(1).and_then(|number| self.polls.get(number));
        match (self.polls.first(), last) {
            (Some(first), Some(last)) => Duration::from_ticks(last.at.as_ticks().saturating_sub(first.at.as_ticks())),
            _ => Duration::from_ticks(0),
        }
    }
}

/// The bytes of a recording's file.
///
/// # Errors
/// When it cannot be read, or is longer than a recording may be.
pub fn file_bytes(path: &Path) -> Result<Vec<u8>, Error> {
    Ok(file::read_at_most(path, FILE_MAX)?)
}

/// Reads a recording, as far as it is intact.
///
/// # Errors
/// When the file cannot be read, or not even its header can be decoded.
pub fn read(path: &Path) -> Result<Recording, Error> {
    read_bytes(&file_bytes(path)?).map_err(|why| Error::Damaged { path: path.into(), why })
}

/// Reads a recording from bytes, as far as it is intact.
///
/// # Errors
/// When not even the header can be decoded.
pub fn read_bytes(bytes: &[u8]) -> Result<Recording, Damage> {
    let (names, node, next) = first_frame(bytes)?;
    let header = names.value(&node).and_then(|value| serde_json::from_value(filled(value)).ok());
    let header: Header = header.ok_or(Damage::Altered(HEAD as u64, "the header lacks a field"))?;
    if let Some((what, most)) = header.beyond() {
        return Err(Damage::Beyond { at: HEAD as u64, what, most: most as u64 });
    }
    let mut recording = Recording {
        header,
        // The polls of a file take no more than the file.
        polls: PollLog::with_room(bytes.len() - next),
        event_log: EventLog::default(),
        breaks: Vec::new(),
        names,
        damage: None,
    };
    recording.damage = recording.read_polls(bytes, next).err();
    Ok(recording)
}

/// The header as it was recorded, without fields that were added later.
///
/// # Errors
/// When it cannot be decoded.
pub fn header_as_recorded(bytes: &[u8]) -> Result<Value, Damage> {
    let (names, node, _) = first_frame(bytes)?;
    names.value(&node).ok_or(Damage::Altered(HEAD as u64, "the header cannot be read"))
}

/// The header's frame: its names, its tree, and where the polls begin.
fn first_frame(bytes: &[u8]) -> Result<(NameTable, RecordValue, usize), Damage> {
    frame::read_head(bytes)?;
    if bytes.len() as u64 > FILE_MAX {
        return Err(Damage::Beyond { at: 0, what: "bytes", most: FILE_MAX });
    }
    let (kind, payload, next) = frame::read_frame(bytes, HEAD)?;
    let bad = |what| Damage::Altered(HEAD as u64, what);
    if kind != FrameKind::Header {
        return Err(bad("the first frame is not a header"));
    }
    if payload.len() > HEADER_MAX {
        return Err(Damage::Beyond { at: HEAD as u64, what: "bytes of header", most: HEADER_MAX as u64 });
    }
    let read = || {
        let (first, tree) = postcard::take_from_bytes(payload).ok()?;
        value::pass(tree)?;
        let mut names = NameTable::default();
        if !names.extend(first) {
            return None;
        }
        Some((names, postcard::from_bytes(tree).ok()?))
    };
    let (names, header) = read().ok_or(bad("the header cannot be read"))?;
    Ok((names, header, next))
}

/// A recipe or rig recorded before a field was added takes the built-in value for it; if that made a difference, replay
/// would show it.
fn filled(mut header: Value) -> Value {
    static BUILT_IN: LazyLock<[(&str, Option<Value>); 2]> = LazyLock::new(|| {
        [("recipe", serde_json::to_value(RawRecipe::DEMO).ok()), ("rig", serde_json::to_value(RawRig::DEMO).ok())]
    });
    for (part, built_in) in &*BUILT_IN {
        let (Some(Value::Object(recorded)), Some(Value::Object(built_in))) = (header.get_mut(*part), built_in) else {
            continue;
        };
        for (name, value) in built_in {
            if !recorded.contains_key(name) {
                recorded.insert(name.clone(), value.clone());
            }
        }
    }
    header
}

impl Recording {
    fn read_polls(&mut self, bytes: &[u8], mut at: usize) -> Result<(), Damage> {
        loop {
            let (kind, payload, next) = frame::read_frame(bytes, at)?;
            let bad = |what| Damage::Altered(at as u64, what);
            let beyond = |what, most: usize| Damage::Beyond { at: at as u64, what, most: most as u64 };
            match kind {
                FrameKind::Header => return Err(bad("a second header")),
                FrameKind::Polls => {
                    let (names, block): (Vec<String>, _) =
                        postcard::take_from_bytes(payload).map_err(|_| bad("polls cannot be read"))?;
                    if !self.names.extend(names) {
                        return Err(beyond("names, or bytes of them", NAMES_MAX));
                    }
                    let first = self.polls.len();
                    let (polls, events) = self.polls.unpack(block).map_err(bad)?;
                    if polls.len() > POLLS_MAX - first {
                        return Err(beyond("polls", POLLS_MAX));
                    }
                    self.event_log.take(first, polls, events).map_err(|why| match why {
                        EventDefect::Unreadable => bad("events of polls cannot be read"),
                        EventDefect::TooMany => beyond("events", EVENTS_MAX),
                        EventDefect::TooLong => beyond("bytes of an event", EVENT_MAX),
                    })?;
                    self.polls.keep(&block[..block.len() - events.len()]);
                }
                FrameKind::Break => {
                    let it: RecordingGap =
                        postcard::from_bytes(payload).map_err(|_| bad("a discontinuity cannot be read"))?;
                    if it.polls != self.polls.len() as u64 {
                        return Err(bad("a discontinuity counts other polls than are here"));
                    }
                    if self.breaks.len() == BREAKS_MAX {
                        return Err(beyond("discontinuities", BREAKS_MAX));
                    }
                    self.breaks.push(it);
                }
                FrameKind::End => {
                    let end: EndFrame = postcard::from_bytes(payload).map_err(|_| bad("the end cannot be read"))?;
                    if end.polls != self.polls.len() as u64 {
                        return Err(bad("the end counts other polls than are here"));
                    }
                    if end.sha256 != <[u8; 32]>::from(Sha256::digest(&bytes[..at])) {
                        return Err(bad("the hash over the file does not match"));
                    }
                    if next != bytes.len() {
                        return Err(Damage::Altered(next as u64, "bytes after the end"));
                    }
                    return Ok(());
                }
            }
            at = next;
        }
    }
}
