//! Texts of somebody else's, made harmless: a recording, a list or a name may hold characters that move the cursor, clear
//! a line, or turn the direction of what follows, and so show another verdict than the one that is there.

use std::borrow::Cow;
use std::fmt::Write as _;

/// Whether a screen does something else with it than show it: control characters (ISO 6429), and those of Unicode that
/// turn or isolate a direction, or end a line.
pub fn is_control(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{200e}' | '\u{200f}' | '\u{61c}')
        || matches!(c, '\u{2028}' | '\u{2029}')
}

/// The first character of a text that acts on a screen, or that nobody sees: what is not there for whoever reads it must not be there for
/// a program either. Variation selectors and joiners, which belong to what stands before them, are none.
pub fn hidden(text: &str) -> Option<char> {
    let unseen = |c: char| {
        matches!(c, '\u{ad}' | '\u{34f}' | '\u{115f}' | '\u{1160}' | '\u{17b4}' | '\u{17b5}' | '\u{180e}' | '\u{200b}')
            || matches!(c, '\u{2060}'..='\u{206f}' | '\u{3164}' | '\u{feff}' | '\u{ffa0}' | '\u{e0000}'..='\u{e0fff}')
    };
    text.chars().find(|c| is_control(*c) || unseen(*c))
}

/// That a text has such a character, in words; none where it has not.
pub fn hidden_fault(text: &str) -> Option<String> {
    let c = hidden(text)?;
    Some(format!("has the character U+{:04X}, which acts on a screen or is not seen", u32::from(c)))
}

fn escape(text: &str, stays: impl Fn(char) -> bool, as_json: bool) -> Cow<'_, str> {
    if !text.chars().any(|c| is_control(c) && !stays(c)) {
        return text.into();
    }
    let mut out = String::with_capacity(text.len() + 8);
    for c in text.chars() {
        let number = u32::from(c);
        let _ = match is_control(c) && !stays(c) {
            false => out.write_char(c),
            // All of them are below U+FFFF: one such number each (RFC 8259, section 7).
            true if as_json => write!(out, "\\u{number:04x}"),
            true => write!(out, "\\u{{{number:x}}}"),
        };
    }
    out.into()
}

/// A text as a part of one line: what acts on a screen is written as its number, `\u{1b}`, and so is the end of a line.
pub fn shown(text: &str) -> Cow<'_, str> {
    escape(text, |_| false, false)
}

/// A text of several lines: the same, but for ends of lines and tabs.
pub fn lines(text: &str) -> Cow<'_, str> {
    escape(text, |c| matches!(c, '\n' | '\t'), false)
}

/// JSON: the same, with numbers as JSON writes them, so that whoever reads it has the text as it was.
pub fn json(text: &str) -> Cow<'_, str> {
    escape(text, |c| matches!(c, '\n' | '\t'), true)
}
