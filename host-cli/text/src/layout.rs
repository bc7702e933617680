//! Lines for a terminal of 80 columns, or of fewer where it has fewer.

use std::fmt::Write;
use std::sync::atomic::{AtomicUsize, Ordering};

use seathold_recording::plain::shown;

/// A ratio as a percentage without needless digits.
pub fn percent(ratio: f64) -> String {
    let text = format!("{:.2}", ratio * 100.0);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Text is wrapped here: a terminal of 80 columns, unless it was found to be narrower.
static WIDTH: AtomicUsize = AtomicUsize::new(WIDTH_MAX);
/// Longer lines are hard to read.
const WIDTH_MAX: usize = 80;
/// With less than that nothing is left beside a label.
const WIDTH_MIN: usize = 40;
/// Width of the labels in front.
const LABEL: usize = 15;

/// The terminal has so many columns.
pub fn fit_to(columns: usize) {
    WIDTH.store(columns.clamp(WIDTH_MIN, WIDTH_MAX), Ordering::Relaxed);
}

/// A labelled line, wrapped under its own text. Of somebody else's text it remains one line.
pub fn line(out: &mut String, label: &str, text: &str) {
    wrapped(out, &format!("  {label}"), LABEL, text);
}

/// A text beside a label of a given width, wrapped under itself.
pub fn wrapped(out: &mut String, label: &str, width: usize, text: &str) {
    wrapped_at(WIDTH.load(Ordering::Relaxed), out, (label, width), text);
}

fn wrapped_at(columns: usize, out: &mut String, (label, width): (&str, usize), text: &str) {
    let mut at = width;
    let (label, text) = (shown(label), shown(text));
    let _ = write!(out, "{label:width$}");
    for (i, word) in text.split(' ').enumerate() {
        let length = word.chars().count();
        if i > 0 && at + 1 + length > columns {
            let _ = write!(out, "\n{:width$}", "");
            at = width;
        } else if i > 0 {
            out.push(' ');
            at += 1;
        }
        // Of a narrow terminal alone: at 80 columns nothing that can be typed is too long beside its label.
        let mut word = word;
        while columns < WIDTH_MAX && at == width && word.chars().count() > columns.saturating_sub(width) {
            let (line, rest) = broken(word, columns.saturating_sub(width).max(1));
            let _ = write!(out, "{line}\n{:width$}", "");
            word = rest;
        }
        out.push_str(word);
        at += word.chars().count();
    }
    out.push('\n');
}

/// As much of a long word as there is room for, up to one of its own dividers where it has one there, and the rest.
fn broken(word: &str, room: usize) -> (&str, &str) {
    let end = word.char_indices().nth(room).map_or(word.len(), |(at, _)| at);
    let divider = word[..end].rfind(['-', '/', '.', '_', ':']).map(|at| at + 1);
    word.split_at(divider.unwrap_or(end))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(columns: usize, text: &str) -> String {
        let mut out = String::new();
        wrapped_at(columns, &mut out, ("", 2), text);
        out
    }

    #[test]
    fn what_is_longer_than_a_narrow_line_is_broken_at_its_own_dividers() {
        let serial = format!("LINE-7/{}-{}", "A".repeat(30), "B".repeat(20));
        let expected = format!("  next\n  LINE-7/{}-\n  {}: both sides\n", "A".repeat(30), "B".repeat(20));
        assert_eq!(at(50, &format!("next {serial}: both sides")), expected);
        let lines = at(40, &"x".repeat(64));
        assert_eq!(lines, format!("  {}\n  {}\n", "x".repeat(38), "x".repeat(26)));
        assert_eq!(at(80, &"x".repeat(100)), format!("  {}\n", "x".repeat(100)), "a file's name stays in one piece");
    }
}
