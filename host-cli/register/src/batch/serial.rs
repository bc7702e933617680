//! What a serial may be.

/// Words that are typed where serials are scanned, each with what it would do there: a valve of that name could not be told from it.
pub const DIALOGUE_WORDS: [&str; 23] = [
    "a",
    "abort",
    "ack",
    "again",
    "enter",
    "handover",
    "list",
    "move",
    "n",
    "no",
    "order",
    "override",
    "q",
    "quit",
    "recipe",
    "remark",
    "rework",
    "s",
    "set-aside",
    "skip",
    "strike",
    "y",
    "yes",
];

/// Whether a serial is one of those, in small letters or large.
pub fn is_dialogue_word(serial: &str) -> bool {
    DIALOGUE_WORDS.iter().any(|word| word.eq_ignore_ascii_case(serial))
}

/// As it is stamped on plates: blanks and strokes may be within it. In a file name they become something else.
///
/// # Errors
/// What it may be, where it is not.
pub fn serial(text: &str) -> Result<String, String> {
    let fits = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.' | '/' | ' ' | '+' | '#' | '(' | ')');
    let ok = (1..=64).contains(&text.len())
        && text.chars().all(fits)
        && text.starts_with(|c: char| c.is_ascii_alphanumeric() || c == '_')
        && !text.ends_with(' ')
        && !text.contains("  ");
    if ok {
        Ok(text.into())
    } else {
        Err("use up to 64 letters, digits, '-', '_', '.', '/', '+', '#', round brackets or single blanks, beginning with a letter or digit".into())
    }
}
