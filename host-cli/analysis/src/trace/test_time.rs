//! A hold of a length, or readings at intervals, that no pressure hold has: its times are most likely in another unit than the
//! file says, and every leak computed from it would be wrong by the same factor. Times read as longer than they are, as
//! milliseconds under a header of seconds, hide a leak.

use std::ops::RangeInclusive;

use seathold_quantity::{Dimension, UnitDef};
use seathold_sequencer::field::Unit;

/// Readings further apart than this are asked about, in seconds: loggers of pressure holds are faster, and milliseconds of one
/// that reads a hundred times a second look so under a header of seconds (our judgement, no source).
const SLOW_S: f64 = 5.0;

/// Refuses such a window. `unit` is the one that the file says.
///
/// # Errors
/// Says what is strange, the units in which the same figures would be a hold, and what to say if it is right.
pub(super) fn refuse(span_s: f64, usual_s: f64, unit: UnitDef, allowed: &RangeInclusive<f64>) -> Result<(), String> {
    let strange = if !allowed.contains(&span_s) {
        let (least, most) = (shown(*allowed.start()), shown(*allowed.end()));
        format!("the window is {} long, and a hold is to be within {least} to {most}", shown(span_s))
    } else if usual_s > SLOW_S {
        format!("readings come every {}, which is slow for a pressure hold", shown(usual_s))
    } else {
        return Ok(());
    };
    let right = format!("if {} is right, say --time-unit {}", unit.text, unit.text);
    Err(match likely(span_s, usual_s, unit, allowed).as_slice() {
        [] => format!("{strange}; {right}"),
        [one] => format!("{strange}; if the times are in {one}, say --time-unit {one}; {right}"),
        several => format!("{strange}; if the times are in {}, say so with --time-unit; {right}", several.join(" or ")),
    })
}

/// The units in which the same figures would be a hold.
pub(super) fn likely(span_s: f64, usual_s: f64, unit: UnitDef, allowed: &RangeInclusive<f64>) -> Vec<&'static str> {
    let figures = [span_s, usual_s].map(|seconds| unit.from_base(seconds, 1.0));
    let fits = |other: &UnitDef| {
        let [span, usual] = figures.map(|figure| other.to_base(figure));
        allowed.contains(&span) && usual <= SLOW_S
    };
    let others = Dimension(Unit::Second).symbols().iter().filter(|other| other.text != unit.text && fits(other));
    others.map(|other| other.text).collect()
}

/// A time in words.
fn shown(seconds: f64) -> String {
    let (figure, unit) = match seconds {
        s if s < 1.0 => (s * 1e3, "ms"),
        s if s < 600.0 => (s, "s"),
        s if s < 3_600.0 => (s / 60.0, "min"),
        s => (s / 3_600.0, "h"),
    };
    let text = format!("{figure:.2}");
    format!("{} {unit}", text.trim_end_matches('0').trim_end_matches('.'))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(span_s: f64, usual_s: f64, unit: &str) -> String {
        let unit = Dimension(Unit::Second).symbol(unit).unwrap();
        refuse(span_s, usual_s, unit, &(0.4..=3_600.0)).err().unwrap_or_default()
    }

    #[test]
    fn what_no_hold_is_like_is_asked_about() {
        assert_eq!(told(40.0, 0.1, "s"), "");
        assert_eq!(told(1_200.0, 5.0, "s"), "");
        // Three seconds at a hundred readings a second, in milliseconds under a header of seconds.
        assert_eq!(
            told(3_000.0, 10.0, "s"),
            "readings come every 10 s, which is slow for a pressure hold; if the times are in ms, say --time-unit ms; if s is \
             right, say --time-unit s"
        );
        // Forty seconds under a header of milliseconds.
        let said = told(0.04, 1e-4, "ms");
        assert!(said.starts_with("the window is 40 ms long, and a hold is to be within 400 ms to 1 h;"), "{said}");
        assert!(
            said.ends_with("if the times are in s, say --time-unit s; if ms is right, say --time-unit ms"),
            "{said}"
        );
        // Seconds under a header of minutes.
        assert!(told(2_400.0, 60.0, "min").contains("if the times are in s, say --time-unit s"));
    }
}
