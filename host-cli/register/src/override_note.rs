//! What an override says: for which limit it is, and what its valve had to meet then.

/// How far two limits may differ that are the same, as a ratio: a few roundings.
const SAME_WITHIN: f64 = 1e-9;

/// Whether two limits are the same, Pa·m³/s.
pub fn same_limit(one: f64, other: f64) -> bool {
    (one / other - 1.0).abs() < SAME_WITHIN
}

/// Around the limit that an override is for, and around what its valve had to meet then.
const JUDGED_BY: (&str, &str) = ("judged by ", " Pa·m³/s; ");
/// See above.
const REQUIRED: (&str, &str) = ("required ", "; ");

/// The text of an override: by which limit the run is to be judged, which one its valve must meet (Pa·m³/s), and in words what does not
/// fit, and why it is wanted all the same.
pub fn override_text(judged_by: f64, required: Option<f64>, words: &str) -> String {
    let required = required.map_or_else(|| "nothing".into(), |limit| format!("{limit} Pa·m³/s"));
    format!("{}{judged_by}{}{}{required}{}{words}", JUDGED_BY.0, JUDGED_BY.1, REQUIRED.0, REQUIRED.1)
}

/// The parts of such a text: judged by, required, words.
fn override_parts(text: &str) -> Option<(f64, Option<f64>, &str)> {
    let (judged_by, rest) = text.strip_prefix(JUDGED_BY.0)?.split_once(JUDGED_BY.1)?;
    let (required, words) = rest.strip_prefix(REQUIRED.0)?.split_once(REQUIRED.1)?;
    let required = match required {
        "nothing" => None,
        limit => Some(limit.strip_suffix(" Pa·m³/s")?.parse().ok()?),
    };
    Some((judged_by.parse().ok()?, required, words))
}

/// Whether an override with this text is for a run that was judged by this limit, of a valve that must meet `required` now: whoever answered
/// for it did so of that, and of nothing that was stated since.
pub fn override_is_for(text: &str, limit_pa_m3_s: f64, required: Option<f64>) -> bool {
    let Some((judged_by, answered_for, _)) = override_parts(text) else { return false };
    let as_then = match (answered_for, required) {
        (Some(then), Some(now)) => same_limit(then, now),
        (None, None) => true,
        _ => false,
    };
    as_then && same_limit(judged_by, limit_pa_m3_s)
}

/// An override's words, without the limits in front of them.
pub fn override_words(text: &str) -> &str {
    override_parts(text).map_or(text, |(.., words)| words)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_override_is_for_one_limit() {
        let text = override_text(2e-3, Some(7.5e-4), "drawing 7: judged by Ada; required");
        assert!(override_is_for(&text, 2e-3, Some(7.5e-4)), "{text}");
        for (judged_by, required) in [(1.5e-3, Some(7.5e-4)), (2e-3, Some(1e-4)), (2e-3, None)] {
            assert!(!override_is_for(&text, judged_by, required), "{judged_by} {required:?}");
        }
        assert_eq!(override_words(&text), "drawing 7: judged by Ada; required");
        let open = override_text(2e-3, None, "borrowed flange");
        assert!(override_is_for(&open, 2e-3, None) && !override_is_for(&open, 2e-3, Some(2e-3)));
        // What states no limit covers none.
        for text in ["borrowed flange", "judged by x Pa·m³/s; required nothing; y", "judged by 1 Pa·m³/s; y"] {
            assert!(!override_is_for(text, 1.0, None) && override_words(text) == text, "{text}");
        }
    }
}
