//! Lines for a terminal of 80 columns.

use std::fmt::Write;

use seathold_recording::plain::shown;

/// A ratio as a percentage without needless digits.
pub fn percent(ratio: f64) -> String {
    let text = format!("{:.2}", ratio * 100.0);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Text is wrapped here: a terminal of 80 columns.
const WIDTH: usize = 80;
/// Width of the labels in front.
const LABEL: usize = 15;

/// A labelled line, wrapped under its own text. Of somebody else's text it remains one line.
pub fn line(out: &mut String, label: &str, text: &str) {
    wrapped(out, &format!("  {label}"), LABEL, text);
}

/// A text beside a label of a given width, wrapped under itself.
pub fn wrapped(out: &mut String, label: &str, width: usize, text: &str) {
    let mut at = width;
    let (label, text) = (shown(label), shown(text));
    let _ = write!(out, "{label:width$}");
    for (i, word) in text.split(' ').enumerate() {
        let length = word.chars().count();
        if i > 0 && at + 1 + length > WIDTH {
            let _ = write!(out, "\n{:width$}", "");
            at = width;
        } else if i > 0 {
            out.push(' ');
            at += 1;
        }
        out.push_str(word);
        at += length;
    }
    out.push('\n');
}
