//! Figures and moments as a language writes them.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::Language;

impl Language {
    /// A figure of ours, as "0.42 ± 0.31 mm³/s", with the decimal mark of the language. For figures alone: a point in a name or a
    /// material number is none.
    pub fn figure(self, text: &str) -> String {
        match self {
            Self::English => text.to_owned(),
            Self::German => {
                let bytes = text.as_bytes();
                let digit = |at: Option<usize>| at.and_then(|at| bytes.get(at)).is_some_and(u8::is_ascii_digit);
                let is_mark = |at: usize| digit(at.checked_sub(1)) && digit(Some(at + 1));
                text.char_indices().map(|(at, c)| if c == '.' && is_mark(at) { ',' } else { c }).collect()
            }
        }
    }

    /// "2026-03-02"; "02.03.2026".
    pub fn date(self, date: jiff::civil::Date) -> String {
        match self {
            Self::English => date.to_string(),
            Self::German => date.strftime("%d.%m.%Y").to_string(),
        }
    }

    /// "2026-03-02 10:30 UTC+01 (09:30 UTC)"; as it is where it is no time.
    pub fn moment(self, rfc3339: &str, zone: &TimeZone) -> String {
        let Ok(at) = rfc3339.parse::<Timestamp>() else { return rfc3339.into() };
        let (local, utc) = (zone.to_datetime(at), TimeZone::UTC.to_datetime(at));
        let written = |at: jiff::civil::DateTime| format!("{} {}", self.date(at.date()), at.strftime("%H:%M"));
        let offset = zone.to_offset(at);
        if offset.is_zero() {
            return format!("{} UTC", written(utc));
        }
        let beside = if local.date() == utc.date() { utc.strftime("%H:%M").to_string() } else { written(utc) };
        format!("{} UTC{offset} ({beside} UTC)", written(local))
    }

    /// The local date of a moment; empty where it is none.
    pub fn day(self, rfc3339: &str, zone: &TimeZone) -> String {
        rfc3339.parse::<Timestamp>().map(|at| self.date(zone.to_datetime(at).date())).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_and_a_moment_are_written_as_the_language_writes_them() {
        let zone = TimeZone::fixed(jiff::tz::offset(1));
        let (english, german) = (Language::English, Language::German);
        assert_eq!(english.figure("0.42 ± 0.31 mm³/s"), "0.42 ± 0.31 mm³/s");
        assert_eq!(german.figure("(−1.5 ± 0.3)e2 mm³/s. 6.000 bar."), "(−1,5 ± 0,3)e2 mm³/s. 6,000 bar.");
        let at = "2026-03-02T23:30:00Z";
        assert_eq!(english.moment(at, &zone), "2026-03-03 00:30 UTC+01 (2026-03-02 23:30 UTC)");
        assert_eq!(german.moment(at, &zone), "03.03.2026 00:30 UTC+01 (02.03.2026 23:30 UTC)");
        assert_eq!(german.moment(at, &TimeZone::UTC), "02.03.2026 23:30 UTC");
        assert_eq!((german.day(at, &zone).as_str(), german.moment("then", &zone).as_str()), ("03.03.2026", "then"));
    }
}
