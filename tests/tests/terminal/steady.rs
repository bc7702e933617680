//! A screen without what is another in every run: the one place where that is masked.
//!
//! How long a person takes decides where on the rig's clock a reading falls, so these depend on the machine's speed: readings and
//! figures, the time left, the curve with its scale, strip of phases and the interval; and the dates of a register. Words, order,
//! places, limits and what is reversed into large letters stay.

/// What a number stands before, where it is a reading or a figure of a run.
const UNITS: [&str; 8] =
    [" bar", " Pa", " mm³/s", " s left", " min left", " s measured", " s on the rig's clock", " ± "];

/// A picture of the screen with those masked.
pub(crate) fn steady(picture: &str) -> String {
    let mut out = String::new();
    let mut strip = false;
    for line in picture.lines() {
        let masked = match line.split_once('│') {
            // The row below the curve is its strip of phases, or how long is measured.
            None if strip => "            (strip)".to_owned(),
            Some((_, curve)) => format!("          #│{}", figures(&curve.replace(is_braille, "")).trim_end()),
            None if line.starts_with(" time ") => {
                format!(" time     {}", figures(line.trim_start_matches(|c| !char::is_numeric(c))))
            }
            // The limit is the recipe's.
            None if line.contains("limit ") || line.contains("LIMIT ") => dates(line),
            // In the middle of its row, so that its place depends on its digits.
            None if line.contains(" bar   ") => figures(line).trim_start().to_owned(),
            None => figures(&dates(line)),
        };
        strip = line.contains('│');
        out.push_str(masked.trim_end());
        out.push('\n');
    }
    out
}

fn is_braille(c: char) -> bool {
    ('\u{2800}'..='\u{28ff}').contains(&c)
}

/// Numbers before a unit as "#".
fn figures(line: &str) -> String {
    let mut out = String::new();
    let mut rest = line;
    while let Some(at) = rest.find(|c: char| c.is_ascii_digit()) {
        let (before, number) = rest.split_at(at);
        let end = number.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(number.len());
        let (number, after) = number.split_at(end);
        // An uncertainty may be the last on its line, before its unit.
        let is_figure =
            UNITS.iter().any(|unit| after.starts_with(unit)) || (before.ends_with("± ") && after.is_empty());
        let before = if is_figure { before.trim_end_matches(['-', '+']) } else { before };
        out.push_str(before);
        out.push_str(if is_figure { "#" } else { number });
        rest = after;
    }
    out + rest
}

/// "2026-03-02 09:30" as "(date)"; and the port of a served rig, which is any that is free.
fn dates(line: &str) -> String {
    let words: Vec<&str> = line.split(' ').collect();
    let is = |word: &str, between: char, parts: &[usize]| {
        word.split(between).map(str::len).eq(parts.iter().copied())
            && word.chars().all(|c| c == between || c.is_ascii_digit())
    };
    let mut out: Vec<&str> = Vec::new();
    for word in words {
        if is(word, '-', &[4, 2, 2]) {
            out.push("(date)");
        } else if is(word, ':', &[2, 2, 2]) {
            out.push("(time)");
        } else if word.starts_with("tcp:127.0.0.1:") {
            out.push("(address)");
        } else if !(is(word, ':', &[2, 2]) && out.last() == Some(&"(date)")) {
            out.push(word);
        }
    }
    out.join(" ")
}
