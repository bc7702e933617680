//! Nominal sizes of valves as people write them: DN, or NPS in inches.

/// NPS below 4 in eighths of an inch, and the DN of each: ASME B36.10M beside ISO 6708 (from memory). From NPS 4 on the
/// DN is 25 times the NPS (the same).
const SMALL: [(u32, u32); 12] =
    [(1, 6), (2, 8), (3, 10), (4, 15), (6, 20), (8, 25), (10, 32), (12, 40), (16, 50), (20, 65), (24, 80), (28, 90)];
/// Whole sizes from NPS 4 on that there are (the same source).
const LARGE: [u32; 22] = [4, 5, 6, 8, 10, 12, 14, 16, 18, 20, 22, 24, 26, 28, 30, 32, 34, 36, 40, 42, 44, 48];

/// The DN of an NPS, given in eighths of an inch; `None` where there is no such size.
pub fn dn_of_nps(eighths: u32) -> Option<u32> {
    let small = SMALL.iter().find(|(nps, _)| *nps == eighths).map(|(_, dn)| *dn);
    small.or_else(|| (eighths.is_multiple_of(8) && LARGE.contains(&(eighths / 8))).then_some(eighths / 8 * 25))
}

/// Whether there is such a DN.
fn is_dn(size: u32) -> bool {
    SMALL.iter().any(|(_, dn)| *dn == size) || LARGE.iter().any(|nps| nps * 25 == size)
}

/// A size as it was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WrittenSize {
    /// A DN.
    Dn(u32),
    /// A number without a word: DN or NPS.
    Bare(u32),
}

/// What a bare number can be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Readings {
    /// There is such a DN.
    pub dn: bool,
    /// There is such an NPS.
    pub nps: bool,
}

/// What a bare number can be.
pub fn readings(size: u32) -> Readings {
    Readings { dn: is_dn(size), nps: size.checked_mul(8).and_then(dn_of_nps).is_some() }
}

/// Reads "DN 25", "25 mm", "NPS 1", `1"`, "1 1/2 in", "½" or a bare number.
///
/// # Errors
/// Says what it is not.
pub fn parse(text: &str) -> Result<WrittenSize, String> {
    let lower = text.to_lowercase().replace(['″', '”', '“'], "\"").replace("''", "\"");
    let lower = lower.trim();
    // A spreadsheet writes 25 as "25.0" where it takes the column for measures.
    let whole = |text: &str| {
        let text = text.trim();
        let digits =
            text.split_once(['.', ',']).filter(|(_, part)| !part.is_empty() && part.bytes().all(|b| b == b'0'));
        digits.map_or(text, |(digits, _)| digits).parse::<u32>().ok()
    };
    if let Some(dn) = lower.strip_prefix("dn").or_else(|| lower.strip_suffix("mm")) {
        return whole(dn).map(WrittenSize::Dn).ok_or_else(|| "no whole number of a DN".into());
    }
    let inches = ["inches", "inch", "in.", "in", "\""].into_iter().find_map(|unit| lower.strip_suffix(unit));
    let (number, is_nps) = match (lower.strip_prefix("nps"), inches) {
        (Some(rest), _) => (rest.strip_suffix('"').unwrap_or(rest), true),
        (None, Some(rest)) => (rest, true),
        (None, None) => (lower, false),
    };
    if !is_nps && let Some(bare) = whole(number) {
        return Ok(WrittenSize::Bare(bare));
    }
    let eighths = eighths(number.trim()).ok_or("neither a DN nor inches")?;
    dn_of_nps(eighths).map(WrittenSize::Dn).ok_or_else(|| "there is no such NPS".into())
}

/// A DN as an option takes it: "25", "DN 25", "NPS 1", "1 1/2 in". A bare number is a DN.
///
/// # Errors
/// Says what is taken.
pub fn dn(text: &str) -> Result<u32, String> {
    let unsaid = text.chars().all(|c| c.is_ascii_digit() || " .,/-".contains(c));
    match parse(text) {
        // In a column of inches that would be one; by itself it is a slip as likely.
        Ok(WrittenSize::Dn(_)) if unsaid => {
            Err(format!("\"{text}\" is no size like 25, \"DN 25\", \"NPS 1\" or \"1 1/2 in\": say NPS, or inches"))
        }
        Ok(WrittenSize::Dn(dn) | WrittenSize::Bare(dn)) => Ok(dn),
        Err(why) => Err(format!("\"{text}\" is no size like 25, \"DN 25\", \"NPS 1\" or \"1 1/2 in\": {why}")),
    }
}

/// Inches in eighths: "1", "1.5", "1,5", "3/4", "1 1/2", "1-1/2", "1½".
fn eighths(text: &str) -> Option<u32> {
    if text.starts_with('-') {
        return None;
    }
    let mut text = text.to_owned();
    for (one, fraction) in [('½', " 1/2"), ('¼', " 1/4"), ('¾', " 3/4"), ('⅛', " 1/8"), ('⅜', " 3/8")] {
        text = text.replace(one, fraction);
    }
    let parts: Vec<&str> = text.split([' ', '-']).filter(|part| !part.is_empty()).collect();
    let fraction = |part: &str| {
        let (above, below) = part.split_once('/')?;
        let (above, below) = (above.parse::<u32>().ok()?, below.parse::<u32>().ok()?);
        let eighths = above.checked_mul(8)?;
        (above < below && eighths.is_multiple_of(below)).then(|| eighths / below)
    };
    let number = |part: &str| {
        let value = part.replace(',', ".").parse::<f64>().ok()? * 8.0;
        (value.fract() == 0.0 && (0.0..1e6).contains(&value)).then_some(value as u32)
    };
    match parts.as_slice() {
        [one] if one.contains('/') => fraction(one),
        [one] => number(one),
        [whole, part] => Some(whole.parse::<u32>().ok()?.checked_mul(8)? + fraction(part)?),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn every_way_a_size_is_written() {
        for (text, dn) in [
            ("DN 25", 25),
            ("dn50", 50),
            ("25 mm", 25),
            ("NPS 1", 25),
            ("NPS 1\"", 25),
            ("1\"", 25),
            ("1 in", 25),
            ("1 1/2\"", 40),
            ("1-1/2 inch", 40),
            ("1½″", 40),
            ("½", 15),
            ("3/4", 20),
            ("2.5", 65),
            ("1,5 in.", 40),
            ("0.5''", 15),
            ("6\"", 150),
        ] {
            assert_eq!(parse(text), Ok(WrittenSize::Dn(dn)), "{text}");
        }
        assert_eq!(parse("25"), Ok(WrittenSize::Bare(25)));
        for wrong in ["", "big", "7\"", "1/3", "DN x", "5/4 in", "-1\"", "1 2 3", "NPS", "4294967295 1/2"] {
            assert!(parse(wrong).is_err(), "{wrong}: {:?}", parse(wrong));
        }
    }

    #[test]
    fn as_an_option() {
        for (text, size) in [
            ("25", 25),
            ("DN 25", 25),
            ("nps1", 25),
            ("NPS 1.5", 40),
            ("0,5 in", 15),
            ("NPS 2 1/2", 65),
            ("24 in", 600),
        ] {
            assert_eq!(dn(text), Ok(size), "{text}");
        }
        for text in ["", "big", "-25", "1.5", "3/4", "NPS 1.3", "7/0 in", "NPS 4 1/2", "NPS inf", "nan in", "NPS -1"] {
            assert!(dn(text).unwrap_err().contains("is no size like"), "{text}: {:?}", dn(text));
        }
    }

    proptest! {
        /// No text panics.
        #[test]
        fn any_text(text in "\\PC{0,20}", size in "[0-9/ .,-]{0,12}") {
            let _ = (dn(&text), dn(&format!("NPS {size}")));
        }
    }

    #[test]
    fn bare_numbers_that_can_be_both() {
        assert_eq!(readings(25), Readings { dn: true, nps: false });
        assert_eq!(readings(2), Readings { dn: false, nps: true });
        assert_eq!(readings(20), Readings { dn: true, nps: true });
        assert_eq!(readings(u32::MAX), Readings { dn: false, nps: false });
    }
}
