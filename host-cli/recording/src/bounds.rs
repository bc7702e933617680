//! Bounds of what a recording says of itself: numbers, names, lengths. The frames' checksums say that a file is as it
//! was written; this says that what was written can be a run's.

use crate::Header;
use crate::header::ReadingSource;

/// Longest serial number, in characters.
pub const SERIAL_MAX: usize = 100;
/// Longest name of a person, a batch, a bench or a program, in characters.
pub const NAME_MAX: usize = 200;
/// Longest file name or other text, in characters: a path may be this long.
pub const TEXT_MAX: usize = 4_096;
/// Most texts in a list: calibrations, settings of a simulated valve.
pub const LIST_MAX: usize = 1_000;

/// Whether a character is for a terminal and not for a reader: control characters, and those that turn the direction of
/// what follows, so that it reads as something else.
pub fn is_control(c: char) -> bool {
    c.is_control() || matches!(c, '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// What is wrong with a text of at most so many characters, if anything.
pub fn text_fault(what: &str, text: &str, most: usize) -> Option<String> {
    if text.chars().take(most + 1).count() > most {
        return Some(format!("the {what} is longer than {most} characters"));
    }
    text.chars().any(is_control).then(|| format!("the {what} has control characters: {text:?}"))
}

/// What is wrong with a serial number, if anything.
pub fn serial_fault(serial: &str) -> Option<String> {
    if serial.trim().is_empty() {
        return Some("the serial is empty".into());
    }
    text_fault("serial", serial, SERIAL_MAX)
}

/// What is wrong with a time, if anything. The register compares times as texts, so they must be of one form.
pub fn time_fault(what: &str, text: &str) -> Option<String> {
    let bytes = text.as_bytes();
    let shaped = (20..=30).contains(&bytes.len())
        && bytes.iter().enumerate().all(|(i, b)| match i {
            4 | 7 => *b == b'-',
            10 => *b == b'T',
            13 | 16 => *b == b':',
            19 => matches!(b, b'.' | b'Z'),
            _ => b.is_ascii_digit() || (*b == b'Z' && i + 1 == bytes.len()),
        })
        && text.ends_with('Z');
    (!shaped).then(|| format!("{what} {text:?} is no time like 2026-03-02T09:30:00Z"))
}

/// What is out of bounds in a header, if anything: the first that is found.
pub fn header_fault(header: &Header) -> Option<String> {
    let (source, settings) = match &header.source {
        ReadingSource::Simulated { valve, settings, .. } => (valve, settings.as_slice()),
        ReadingSource::Controller { address, .. } => (address, &[][..]),
    };
    if let Some(why) = serial_fault(&header.serial).or_else(|| time_fault("started_at", &header.started_at)) {
        return Some(why);
    }
    let texts = [
        ("operator", &header.operator, NAME_MAX),
        ("program", &header.program, NAME_MAX),
        ("recipe's name", &header.recipe_name, TEXT_MAX),
        ("rig's name", &header.rig_name, TEXT_MAX),
        ("source", source, TEXT_MAX),
        ("unit of leaks", &header.display_units.leak, NAME_MAX),
        ("unit of pressures", &header.display_units.pressure, NAME_MAX),
    ];
    if let Some(why) = texts.into_iter().find_map(|(what, text, most)| text_fault(what, text, most)) {
        return Some(why);
    }
    if header.calibrations.len().max(settings.len()) > LIST_MAX {
        return Some(format!("more than {LIST_MAX} calibrations or settings"));
    }
    let listed = header.calibrations.iter().chain(settings.iter().flat_map(|(name, value)| [name, value]));
    if let Some(why) = listed.map(|text| text_fault("calibrations or settings", text, TEXT_MAX)).find_map(|why| why) {
        return Some(why);
    }
    let rig = match header.rig.validate() {
        Ok(rig) => rig,
        Err(errors) => return Some(format!("the rig is out of range: {errors}")),
    };
    header.recipe.validate(&rig).err().map(|errors| format!("the recipe is out of range: {errors}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_are_short_and_plain() {
        for text in ["HM-001", "Ünïté 7", "ножка", "/a path/with blanks", ""] {
            assert_eq!(text_fault("text", text, 40), None);
        }
        for text in ["a\nb", "a\tb", "\u{1b}[2J", "a\u{202e}b", "\0", "a\u{2028}b", &"x".repeat(41)] {
            assert!(text_fault("text", text, 40).is_some(), "{text:?}");
        }
        assert!(serial_fault(" ").is_some() && serial_fault("unmarked").is_none());
    }

    #[test]
    fn times_are_of_one_form() {
        for text in ["2026-03-02T09:30:00Z", "2026-03-02T09:30:00.123456Z", "0001-01-01T00:00:00Z"] {
            assert_eq!(time_fault("time", text), None);
        }
        for text in
            ["", "2026-03-02", "2026-03-02T09:30:00", "2026-03-02T09:30:00+01:00", "+12026-03-02T09:30:00Z", "Z"]
        {
            assert!(time_fault("time", text).is_some(), "{text}");
        }
    }
}
