//! The text in a code on a valve: its serial first, so that a reader that types it finds the valve wherever a serial is asked for.
//!
//! A tag holds the serial alone. A label with a result holds `SERIAL  RESULT  DATE`, parted by two blanks: no serial of a list has two
//! blanks in a row, so nothing else reads so, and the few letters and signs are on every keyboard. Parts that a newer program adds behind
//! the date, parted in the same way, are passed over.

use seathold_language::Catalogue;
use seathold_register::batch::serial;
use serde::{Deserialize, Serialize};

/// Between the parts.
const BETWEEN: &str = "  ";

/// What a label can say of a valve.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LabelWord {
    /// Tight from both sides.
    Tight,
    /// A side leaks.
    Leaking,
    /// A side is too near the limit.
    Undecided,
    /// A side's test was disturbed.
    Void,
    /// A side has no result.
    NotProved,
    /// Taken out of the batch.
    SetAside,
    /// A record that counts is not what it was, or does not replay.
    NoVerdict,
}

impl LabelWord {
    const ALL: [Self; 7] =
        [Self::Tight, Self::Leaking, Self::Undecided, Self::Void, Self::NotProved, Self::SetAside, Self::NoVerdict];

    const fn text(self) -> &'static str {
        match self {
            Self::Tight => "TIGHT",
            Self::Leaking => "LEAKING",
            Self::Undecided => "UNDECIDED",
            Self::Void => "VOID",
            Self::NotProved => "NOT PROVED",
            Self::SetAside => "SET ASIDE",
            Self::NoVerdict => "NO VERDICT",
        }
    }
}

/// A result in words, with what must not be overlooked beside it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LabelResult {
    /// The word.
    pub word: LabelWord,
    /// It came about under an override.
    pub by_override: bool,
    /// The readings were simulated.
    pub simulated: bool,
}

const BY_OVERRIDE: &str = " BY OVERRIDE";
const SIMULATED: &str = " SIMULATED";

impl LabelResult {
    /// "TIGHT BY OVERRIDE".
    pub fn text(self) -> String {
        let over = if self.by_override { BY_OVERRIDE } else { "" };
        let simulated = if self.simulated { SIMULATED } else { "" };
        format!("{}{over}{simulated}", self.word.text())
    }

    /// The same in a language.
    pub fn words(self, catalogue: &Catalogue) -> String {
        let mut words = vec![catalogue.say(&format!("result-{}", seathold_register::word(&self.word)), &[])];
        let more = [(self.by_override, "by-override"), (self.simulated, "simulated")];
        words.extend(more.into_iter().filter(|(is, _)| *is).map(|(_, word)| catalogue.say(word, &[])));
        words.join(" ")
    }

    fn parse(text: &str) -> Option<Self> {
        let (text, simulated) = text.strip_suffix(SIMULATED).map_or((text, false), |text| (text, true));
        let (text, by_override) = text.strip_suffix(BY_OVERRIDE).map_or((text, false), |text| (text, true));
        let word = LabelWord::ALL.into_iter().find(|word| word.text() == text)?;
        Some(Self { word, by_override, simulated })
    }
}

/// What the code of a label with a result holds; the serial alone where it is none that a list can have, as of a record of another
/// program's.
pub fn label_text(serial_number: &str, result: LabelResult, date: &str) -> String {
    match serial::serial(serial_number) {
        Ok(serial_number) if is_date(date) => [&serial_number, &result.text(), date].join(BETWEEN),
        _ => serial_number.to_owned(),
    }
}

/// What the code of a certificate holds: of one valve the text of its label first, then the certificate's number and the beginning of
/// its hash.
pub(crate) fn certificate_text(label: Option<(&str, &str, &str)>, number: &str, fingerprint: &str) -> String {
    let label = label.and_then(|(serial_number, result, date)| {
        let result = LabelResult::parse(result)?;
        Some(label_text(serial_number, result, date)).filter(|text| split(text).is_some())
    });
    let parts = label.as_deref().into_iter().chain([number, fingerprint]);
    parts.collect::<Vec<_>>().join(BETWEEN)
}

fn is_date(text: &str) -> bool {
    text.len() == 10 && text.parse::<jiff::civil::Date>().is_ok()
}

/// The serial of a label's text, and what was typed behind it after one blank; `None` where it is no such text.
pub fn split(typed: &str) -> Option<(&str, &str)> {
    let (serial_number, rest) = typed.split_once(BETWEEN)?;
    let (result, rest) = rest.split_once(BETWEEN)?;
    serial::serial(serial_number).ok()?;
    LabelResult::parse(result)?;
    let (date, mut rest) = rest.split_at_checked(10)?;
    if !is_date(date) {
        return None;
    }
    let is_of_part = |c: char| c.is_ascii_alphanumeric() || c == '-';
    while let Some(more) = rest.strip_prefix(BETWEEN) {
        let after = more.trim_start_matches(is_of_part);
        if after.len() == more.len() {
            return None;
        }
        rest = after;
    }
    match rest.strip_prefix(' ') {
        Some(words) => Some((serial_number, words.trim())),
        None => rest.is_empty().then_some((serial_number, "")),
    }
}

/// The serial of a label's text; anything else as it is.
pub fn serial_of(typed: &str) -> &str {
    match split(typed.trim()) {
        Some((serial_number, "")) => serial_number,
        _ => typed,
    }
}

/// The serial that is meant, where it is on a list: what was typed, whatever it looks like, or else the one of a label, or of the tag of
/// an end. Anything else as it was typed.
pub fn listed(typed: &str, is_listed: impl Fn(&str) -> bool) -> &str {
    let of_end = || typed.strip_suffix("/A").or_else(|| typed.strip_suffix("/B"));
    let meant = [Some(typed), Some(serial_of(typed)), of_end()];
    meant.into_iter().flatten().find(|serial_number| is_listed(serial_number)).unwrap_or(typed)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn results() -> impl Iterator<Item = LabelResult> {
        let flags = [(false, false), (false, true), (true, false), (true, true)];
        let of = move |word| {
            flags.into_iter().map(move |(by_override, simulated)| LabelResult { word, by_override, simulated })
        };
        LabelWord::ALL.into_iter().flat_map(of)
    }

    /// Any serial that a list takes.
    fn serials() -> impl Strategy<Value = String> {
        "[A-Za-z0-9_][A-Za-z0-9_./+#() -]{0,63}".prop_filter("a serial", |text| serial::serial(text).is_ok())
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn what_a_label_holds_is_read_back(serial in serials(), at in 0_usize..28, more in "(  [A-Za-z0-9-]{1,20}){0,3}") {
            let result = results().nth(at).unwrap();
            let text = label_text(&serial, result, "2026-03-02");
            prop_assert_eq!(serial_of(&text), &serial);
            let with_words = format!("{text}{more} new seat");
            prop_assert_eq!(split(&with_words), Some((serial.as_str(), "new seat")));
            // Parts of a newer program's.
            let newer = format!("{text}{more}");
            prop_assert_eq!(serial_of(&newer), &serial);
        }

        /// No serial of a list is taken for a label's text, also one that looks like it but for the blanks.
        #[test]
        fn a_serial_is_itself(serial in serials()) {
            prop_assert_eq!(serial_of(&serial), &serial);
            let close = format!("{serial} TIGHT 2026-03-02");
            prop_assert_eq!(serial_of(&close), &close);
            let only = |listed: &str| listed == serial;
            let end = format!("{serial}/B");
            prop_assert_eq!(listed(&end, only), &serial);
        }

        #[test]
        fn any_text_is_no_label_and_no_mishap(text in any::<String>()) {
            prop_assert_eq!(serial_of(&text), &text);
        }
    }

    #[test]
    fn only_the_form_of_a_label_is_one() {
        assert_eq!(serial_of("HM-001  TIGHT BY OVERRIDE SIMULATED  2026-03-02"), "HM-001");
        for other in [
            "HM-001  tight  2026-03-02",
            "HM-001  TIGHT  2026-02-30",
            "HM-001  TIGHT",
            "HM-001  TIGHT  2026-03-02x",
            "HM-001  TIGHT  2026-03-02  ",
            "HM-001  TIGHT SIMULATED BY OVERRIDE  2026-03-02",
            "  TIGHT  2026-03-02",
            "HM-001   TIGHT  2026-03-02",
            "HM-001  TIGHT  2026-03-02  a;b",
        ] {
            assert_eq!(split(other), None, "{other}");
        }
    }

    /// What is on the list is meant, even if it could be a label's.
    #[test]
    fn the_list_is_asked_first() {
        let text = "HM-001  TIGHT  2026-03-02";
        assert_eq!(listed(text, |serial| [text, "HM-001"].contains(&serial)), text);
        assert_eq!(listed(text, |serial| serial == "HM-001"), "HM-001");
        assert_eq!(listed(text, |serial| serial == "HM-002"), text);
        assert_eq!(listed("HM-001/A", |serial| ["HM-001", "HM-001/A"].contains(&serial)), "HM-001/A");
    }

    #[test]
    fn a_serial_of_another_program_is_held_alone() {
        let result = LabelResult { word: LabelWord::Tight, by_override: false, simulated: false };
        assert_eq!(label_text("ÄÖ  1", result, "2026-03-02"), "ÄÖ  1");
        assert_eq!(label_text("HM-001", result, ""), "HM-001");
    }
}
