//! The gate. Whatever is to become a record passes it, wherever it comes from: a run just made, a recording imported, a
//! record of another register.
//!
//! A recording is let in when the sequencer of this program comes to every event and result in it from its readings,
//! and all that it says of itself is within bounds. What is refused goes into quarantine ([`super::quarantine`]).

use rusqlite::types::Value;
use seathold_recording::bounds;
use seathold_recording::hash::sha256;
use seathold_recording::limits::TEXT_MAX;
use seathold_recording::timeline::Timeline;
use seathold_recording::{Damage, Header, Recording, replay};

use super::batch::sealed_list;
use super::extract::RecordingExtract;
use super::record::{ChainRecord, SealedRecord, as_kept};

/// Longest text of a note, in characters.
pub const NOTE_MAX: usize = 20_000;
/// Most valves of a batch.
pub const VALVES_MAX: usize = 10_000;
/// Longest list of a batch, in bytes: twice what a file of one may have ([`seathold_recording::file::TABLE_MAX`]).
const LIST_MAX: usize = 2 << 20;
/// Greatest number of a record.
const NUMBER_MAX: i64 = 1 << 53;

/// Why the gate is shut.
#[derive(Debug)]
pub(crate) enum Refusal {
    /// These bytes are no recording, or one of a newer program: nothing to keep, the file stays where it is.
    NotOurs(Damage),
    /// To be kept in quarantine, for this reason.
    Quarantine(String),
}

/// Reads a recording if it may become a record.
pub(crate) fn recording(bytes: &[u8]) -> Result<RecordingExtract, Refusal> {
    let refuse = |why: String| Err(Refusal::Quarantine(why));
    let recording = match seathold_recording::read_bytes(bytes) {
        Ok(recording) => recording,
        Err(damage @ (Damage::Foreign | Damage::Newer(_))) => return Err(Refusal::NotOurs(damage)),
        Err(damage) => return refuse(damage.to_string()),
    };
    if let Some(damage @ Damage::Altered(..)) = &recording.damage {
        return refuse(damage.to_string());
    }
    if let Some(why) = bounds::header_fault(&recording.header).or_else(|| contradiction(&recording)) {
        return refuse(why);
    }
    RecordingExtract::from_read(sha256(bytes), recording, bytes).or_else(|damage| refuse(damage.to_string()))
}

/// Why a run that is in a register already would not be let in today, if it would not.
pub(crate) fn run_fault(bytes: &[u8]) -> Option<String> {
    let why = match recording(bytes) {
        Ok(_) => return None,
        Err(Refusal::NotOurs(damage)) => damage.to_string(),
        Err(Refusal::Quarantine(why)) => why,
    };
    Some(format!("would not be let in today: {why}"))
}

/// Where a recording contradicts itself: its readings do not lead to its events.
fn contradiction(recording: &Recording) -> Option<String> {
    match replay::replay(recording) {
        Ok(None) => {}
        Ok(Some(difference)) => {
            let text = difference.to_string();
            let first = text.lines().next().unwrap_or_default();
            return Some(format!("does not replay: {first}"));
        }
        Err(invalid) => return Some(format!("does not replay: {}", invalid.0)),
    }
    // An event that lacks a field still fits what the replay gave, and cannot be made out as one: a result would be
    // left out by it.
    let whole = recording.whole();
    let unknown = |node| recording.names.typed::<seathold_sequencer::event::Event>(&node).is_none();
    let replayed = recording.event_log.iter().take_while(|(number, _)| *number < whole);
    for (number, event) in replayed {
        if unknown(event.node()) {
            return Some(format!("does not replay: an event at poll {number} cannot be made out"));
        }
    }
    let (asked, started) = (recording.header.sides, Timeline::of(recording).start);
    started.filter(|(_, sides)| *sides != asked).map(|(_, sides)| {
        use super::extract::sides_word;
        format!("says sides {}, and was started with {}", sides_word(asked), sides_word(sides))
    })
}

/// What is wrong with the names of a run that is yet to be made, if anything.
pub fn header_fault(header: &Header) -> Option<String> {
    bounds::header_fault(header)
}

/// What is wrong with a note that is to be written, if anything.
pub(crate) fn note_fault(serial: Option<&str>, operator: &str, about: Option<&str>, text: &str) -> Option<String> {
    serial
        .and_then(bounds::serial_fault)
        .or_else(|| bounds::name_fault("operator", operator))
        .or_else(|| bounds::name_fault("record it is about", about.unwrap_or_default()))
        .or_else(|| bounds::text_fault("note", text, NOTE_MAX))
}

/// What is wrong with a list that a note seals, if anything: its lines may have tabs between their fields.
pub(crate) fn list_fault(text: &str) -> Option<String> {
    let long = (text.len() > LIST_MAX).then(|| "the list is too long".to_owned());
    long.or_else(|| text.split(['\t', '\n']).find_map(|field| bounds::text_fault("list", field, TEXT_MAX)))
}

/// What is wrong with a batch, if anything. Its valves are looked at one by one, by [`valve_fault`].
pub(crate) fn batch_fault(name: &str, check_digit: &str, valves: usize) -> Option<String> {
    if valves > VALVES_MAX {
        return Some(format!("a list of more than {VALVES_MAX} valves"));
    }
    bounds::name_fault("batch's name", name).or_else(|| bounds::name_fault("kind of check digit", check_digit))
}

/// What is wrong with what is said of a valve, if anything.
pub(crate) fn valve_fault(serial: &str, actuation: &str, notes: &str) -> Option<String> {
    bounds::serial_fault(serial)
        .or_else(|| bounds::name_fault("actuation", actuation))
        .or_else(|| bounds::text_fault("valve's notes", notes, TEXT_MAX))
}

/// Where the columns of a run contradict its recording, if anywhere.
pub(crate) fn column_fault(sealed: &SealedRecord, extract: &RecordingExtract) -> Option<String> {
    for (column, value) in sealed.table.columns.iter().zip(&sealed.record.values) {
        if let Some(true_value) = extract.column(column).map(as_kept)
            && true_value != *value
        {
            return Some(format!("says {column} {}, its recording {}", shown(value), shown(&true_value)));
        }
    }
    let sides = ChainRecord::new(Vec::new(), extract.sides()).sides;
    (sides != sealed.record.sides).then(|| "says other results of its sides than its recording".into())
}

fn shown(value: &Value) -> String {
    match value {
        Value::Null => "nothing".into(),
        Value::Integer(n) => n.to_string(),
        Value::Real(x) => x.to_string(),
        Value::Text(text) => format!("{text:?}"),
        Value::Blob(_) => "bytes".into(),
    }
}

/// What is wrong with a record of another register, if anything. That it is as it was sealed has been seen already.
pub(crate) fn record_fault(sealed: &SealedRecord) -> Option<String> {
    if !(1..NUMBER_MAX).contains(&sealed.number()) {
        return Some(format!("has the number {}", sealed.number()));
    }
    let short = ["batch", "after_rework", "about"];
    let names = short.map(|column| bounds::name_fault(column, sealed.text(column)));
    if let Some(why) = names.into_iter().find_map(|why| why) {
        return Some(why);
    }
    if let Some(bytes) = &sealed.bytes {
        if let Some(why) = bounds::time_fault("appended_at", sealed.text("appended_at")) {
            return Some(why);
        }
        return match recording(bytes) {
            Ok(extract) => column_fault(sealed, &extract),
            Err(Refusal::NotOurs(damage)) => Some(damage.to_string()),
            Err(Refusal::Quarantine(why)) => Some(why),
        };
    }
    let serial = Some(sealed.text("serial")).filter(|serial| !serial.is_empty());
    if let Some(why) = serial.and_then(bounds::serial_fault) {
        return Some(why);
    }
    let text = sealed.text("text");
    let text = if sealed_list::is_list(sealed.text("kind")) {
        list_fault(text)
    } else {
        bounds::text_fault("note", text, NOTE_MAX)
    };
    bounds::time_fault("written_at", sealed.text("written_at"))
        .or_else(|| bounds::name_fault("operator", sealed.text("operator")))
        .or_else(|| bounds::name_fault("kind", sealed.text("kind")))
        .or(text)
}
