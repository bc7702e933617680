//! What a serial may be.

/// A serial becomes part of a file name.
///
/// # Errors
/// What it may be, where it is not.
pub fn serial(text: &str) -> Result<String, String> {
    let fits = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
    let ok =
        (1..=64).contains(&text.len()) && text.chars().all(fits) && !text.starts_with('.') && !text.starts_with('-');
    if ok {
        Ok(text.into())
    } else {
        Err("use up to 64 letters, digits, '-', '_' or '.', beginning with a letter or digit".into())
    }
}
