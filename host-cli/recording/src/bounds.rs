//! Bounds of what a recording says of itself: numbers, names, lengths. The frames' checksums say that a file is as it
//! was written; this says that what was written can be a run's.

use jiff::Timestamp;

use crate::Header;
use crate::limits::{NAME_MAX, TYPED_NAME_MAX};
use crate::plain::is_control;

/// What is wrong with a text of at most so many characters, if anything.
pub fn text_fault(what: &str, text: &str, most: usize) -> Option<String> {
    if text.chars().take(most + 1).count() > most {
        return Some(format!("the {what} is longer than {most} characters"));
    }
    text.chars().any(is_control).then(|| format!("the {what} has control characters: {text:?}"))
}

/// What is wrong with the name of a valve, a person, a batch or a bench, if anything.
pub fn name_fault(what: &str, name: &str) -> Option<String> {
    let long = name.len() > NAME_MAX;
    text_fault(what, name, TYPED_NAME_MAX)
        .or_else(|| long.then(|| format!("the {what} is longer than {NAME_MAX} bytes")))
}

/// What is wrong with a serial number, if anything.
pub fn serial_fault(serial: &str) -> Option<String> {
    if serial.trim().is_empty() {
        return Some("the serial is empty".into());
    }
    name_fault("serial", serial)
}

/// What is wrong with a time, if anything. The register compares times as texts, so they must be of one form.
pub fn time_fault(what: &str, text: &str) -> Option<String> {
    let is_one = text.ends_with('Z') && text.parse::<Timestamp>().is_ok_and(|at| at.to_string() == text);
    (!is_one).then(|| format!("{what} {text:?} is no time like 2026-03-02T09:30:00Z"))
}

/// What is out of bounds in a header, if anything: the first that is found. How long its texts may be, a reader has seen
/// to already ([`crate::limits`]).
pub fn header_fault(header: &Header) -> Option<String> {
    let names = serial_fault(&header.serial)
        .or_else(|| time_fault("started_at", &header.started_at))
        .or_else(|| name_fault("operator", &header.operator));
    let control = || {
        let (what, text, _) = header.texts().into_iter().find(|(_, text, _)| text.chars().any(is_control))?;
        Some(format!("control characters among the {what}: {text:?}"))
    };
    let beyond = || header.beyond().map(|(what, most)| format!("more than {most} {what}"));
    if let Some(why) = names.or_else(control).or_else(beyond) {
        return Some(why);
    }
    let rig = match header.rig.validate() {
        Ok(rig) => rig,
        Err(errors) => return Some(format!("the rig is out of range: {errors}")),
    };
    header.recipe.validate(&rig).err().map(|errors| format!("the recipe is out of range: {errors}"))
}
