//! Clock times as loggers write them: `09:30:00.5`, `9:30:00 PM`, `2026-03-02 09:30:00`, `02.03.2026 09:30:00,5`,
//! `2026-03-02T09:30:00Z`.

use jiff::civil::Date;

const SECOND_US: i64 = 1_000_000;
const DAY_US: i64 = 86_400 * SECOND_US;
/// A time of day that falls by more than this is of the next day.
const HALF_DAY_US: i64 = DAY_US / 2;

/// A clock time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct ClockTime {
    /// Microseconds from midnight, or from 1970-01-01 where it has a date.
    us: i64,
    dated: bool,
    /// How far it is ahead of UTC, in microseconds, where it says so.
    offset_us: Option<i64>,
}

/// Whether a cell looks like a clock time rather than a number.
pub(super) fn looks_like_one(cell: &str) -> bool {
    cell.contains(':')
}

impl ClockTime {
    /// Reads one.
    ///
    /// # Errors
    /// Says how to write it.
    pub(super) fn parse(text: &str) -> Result<Self, String> {
        let wrong = || format!("\"{text}\" is not a clock time like 09:30:00.5 or 2026-03-02 09:30:00.5");
        let upper = text.trim().to_uppercase();
        let (date, rest) = match upper.split_once([' ', 'T']) {
            // "9:30:00 PM" has a blank too.
            Some((date, rest)) if !date.contains(':') => {
                if date.contains('/') && date.find('/') != Some(4) {
                    return Err(format!(
                        "\"{text}\": which of the numbers is the month differs between countries; write the date as \
                         2026-03-02 or 02.03.2026"
                    ));
                }
                (Some(date_of(date).ok_or_else(wrong)?), rest.trim())
            }
            _ => (None, upper.as_str()),
        };
        let (rest, half_day) = match (rest.strip_suffix("AM"), rest.strip_suffix("PM")) {
            (Some(rest), _) => (rest.trim_end(), Some(0)),
            (_, Some(rest)) => (rest.trim_end(), Some(12)),
            _ => (rest, None),
        };
        let (rest, offset_us) = offset_of(rest, date.is_some()).ok_or_else(wrong)?;
        let mut parts = rest.split(':');
        let (Some(hour), Some(minute), Some(second), None) = (parts.next(), parts.next(), parts.next(), parts.next())
        else {
            return Err(format!("\"{text}\" is not a clock time with hours, minutes and seconds, like 09:30:00.5"));
        };
        let hour = match (number(hour, 23), half_day) {
            (Some(hour), None) => hour,
            (Some(hour @ 1..=12), Some(noon)) => hour % 12 + noon,
            _ => return Err(wrong()),
        };
        let minute = number(minute, 59).ok_or_else(wrong)?;
        let second_us = second_us(second).ok_or_else(wrong)?;
        let days = date.unwrap_or(0);
        let us = days * DAY_US + (hour * 3_600 + minute * 60) * SECOND_US + second_us;
        Ok(Self { us: us - offset_us.unwrap_or(0), dated: date.is_some(), offset_us })
    }
}

fn number(text: &str, most: i64) -> Option<i64> {
    let fits = matches!(text.len(), 1..=2) && text.bytes().all(|b| b.is_ascii_digit());
    text.parse().ok().filter(|n| fits && *n <= most)
}

/// Seconds with up to nine places.
fn second_us(text: &str) -> Option<i64> {
    let text = text.replace(',', ".");
    let (whole, places) = text.split_once('.').unwrap_or((&text, ""));
    if places.len() > 9 || !places.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let micro: i64 = format!("{places:0<9}").parse().ok()?;
    // 60 is a leap second.
    Some(number(whole, 60)? * SECOND_US + (micro + 500) / 1_000)
}

/// Days since 1970-01-01 of "2026-03-02", "2026/03/02" or "02.03.2026".
fn date_of(text: &str) -> Option<i64> {
    let numbers = |by: char| {
        let parts: Vec<i16> = text.split(by).map(|part| part.parse().ok()).collect::<Option<_>>()?;
        <[i16; 3]>::try_from(parts).ok()
    };
    let [year, month, day] = match (text.contains('-'), text.contains('/')) {
        (true, _) => numbers('-')?,
        (_, true) => numbers('/')?,
        _ => numbers('.').map(|[day, month, year]| [year, month, day])?,
    };
    // Two digits of a year name no century.
    let date = Date::new(year, month.try_into().ok()?, day.try_into().ok()?).ok().filter(|_| year >= 1_900)?;
    Some(date.duration_since(Date::constant(1970, 1, 1)).as_secs() / 86_400)
}

/// The offset from UTC at the end of a time: "Z", "+01:00", "-0500". Only a time with a date has one.
fn offset_of(text: &str, dated: bool) -> Option<(&str, Option<i64>)> {
    if let Some(rest) = text.strip_suffix('Z') {
        return dated.then_some((rest, Some(0)));
    }
    let Some(at) = text.rfind(['+', '-']) else { return Some((text, None)) };
    let (rest, offset) = text.split_at(at);
    let digits = offset[1..].replace(':', "");
    let (hours, minutes) = digits.split_at_checked(2)?;
    let minutes = if minutes.is_empty() { 0 } else { number(minutes, 59)? };
    let us = (number(hours, 14)? * 60 + minutes) * 60 * SECOND_US;
    dated.then_some((rest.trim_end(), Some(if offset.starts_with('-') { -us } else { us })))
}

/// The clock of one trace: what it began at, and how often it went over midnight.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct TraceClock {
    first: ClockTime,
    last_us: i64,
    /// Where times of day began again, as lines.
    pub(super) midnights: Vec<u64>,
}

impl TraceClock {
    pub(super) fn new(first: ClockTime) -> Self {
        Self { first, last_us: first.us, midnights: Vec::new() }
    }

    /// Microseconds since the first reading, of the next one.
    ///
    /// # Errors
    /// When it has a date or an offset and the first one has none, or the other way round.
    pub(super) fn next(&mut self, line: u64, time: ClockTime) -> Result<i64, String> {
        if (time.dated, time.offset_us.is_some()) != (self.first.dated, self.first.offset_us.is_some()) {
            return Err("is not written as the first one is: with a date or an offset, or without".into());
        }
        let mut us = time.us;
        if !time.dated {
            us += DAY_US * self.midnights.len() as i64;
            // More midnights than a window can be long are mistakes of the clock.
            if us < self.last_us - HALF_DAY_US && self.midnights.len() < 400 {
                self.midnights.push(line);
                us += DAY_US;
            }
        }
        self.last_us = us;
        Ok(us - self.first.us)
    }

    /// Microseconds since the first reading, of a time that somebody typed: of the first one's day and offset, where it
    /// has none, or of the next day where that is nearer.
    ///
    /// # Errors
    /// When it has what the trace has not.
    pub(super) fn of(&self, typed: ClockTime) -> Result<i64, String> {
        let mut us = typed.us;
        if typed.dated && !self.first.dated {
            return Err("has a date, and the trace's clock times have none".into());
        }
        if typed.offset_us.is_some() && self.first.offset_us.is_none() {
            return Err("has an offset from UTC, and the trace's clock times have none".into());
        }
        let ahead = self.first.offset_us.filter(|_| typed.offset_us.is_none()).unwrap_or(0);
        if self.first.dated && !typed.dated {
            us += (self.first.us + ahead).div_euclid(DAY_US) * DAY_US;
        }
        us -= ahead;
        if !typed.dated && us < self.first.us - HALF_DAY_US {
            us += DAY_US;
        }
        Ok(us - self.first.us)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn us(text: &str) -> i64 {
        ClockTime::parse(text).unwrap().us
    }

    #[test]
    fn forms() {
        let half_past_nine = 34_200_500_000;
        for text in ["09:30:00.5", "9:30:00,5", "09:30:00.500000000", "9:30:00.5 AM", "9:30:00.5am"] {
            assert_eq!(us(text), half_past_nine, "{text}");
        }
        assert_eq!((us("12:00:00 AM"), us("12:00:00 PM"), us("1:00:00 pm")), (0, DAY_US / 2, 13 * 3_600 * SECOND_US));
        // 2026-03-02 is day 20 514 (`date -u -d 2026-03-02 +%s` / 86 400).
        let dated = 20_514 * DAY_US + half_past_nine;
        for text in
            ["2026-03-02 09:30:00.5", "2026-03-02T09:30:00.5", "02.03.2026 09:30:00,5", "2026/03/02 9:30:00.5 AM"]
        {
            assert_eq!(us(text), dated, "{text}");
        }
        for text in [
            "2026-03-02T09:30:00.5Z",
            "2026-03-02 10:30:00.5+01:00",
            "2026-03-02T04:00:00.5-0530",
            "2026-03-02T10:30:00.5+01",
        ] {
            assert_eq!(us(text), dated, "{text}");
        }
    }

    #[test]
    fn what_is_none_says_so() {
        for (text, said) in [
            ("3/2/2026 09:30:00", "which of the numbers is the month"),
            ("09:30", "with hours, minutes and seconds"),
            ("09:30:00:500", "with hours, minutes and seconds"),
            ("24:00:00", "is not a clock time"),
            ("13:00:00 PM", "is not a clock time"),
            ("09:60:00", "is not a clock time"),
            ("09:30:61", "is not a clock time"),
            ("09:30:00Z", "is not a clock time"),
            ("2026-02-30 09:30:00", "is not a clock time"),
            ("02.03.26 09:30:00", "is not a clock time"),
            ("-9:30:00", "is not a clock time"),
            ("09:30:0x", "is not a clock time"),
            (":::", "with hours, minutes and seconds"),
            ("::", "is not a clock time"),
        ] {
            let why = ClockTime::parse(text).unwrap_err();
            assert!(why.contains(said), "{text}: {why}");
        }
    }

    #[test]
    fn a_day_ends() {
        let at = |text: &str| ClockTime::parse(text).unwrap();
        let mut clock = TraceClock::new(at("23:59:59.5"));
        assert_eq!(clock.next(2, at("23:59:59.5")), Ok(0));
        assert_eq!(clock.next(3, at("00:00:00.5")), Ok(SECOND_US));
        assert_eq!(clock.next(4, at("00:00:01.5")), Ok(2 * SECOND_US));
        assert_eq!(clock.midnights, [3]);
        assert_eq!(clock.of(at("00:00:10.5")), Ok(11 * SECOND_US));
        assert_eq!(clock.of(at("23:59:50.5")), Ok(-9 * SECOND_US));
        assert!(clock.next(5, at("2026-03-02 09:30:00")).is_err());
        assert!(clock.of(at("2026-03-02 09:30:00")).is_err());
        // A clock that is set back a little is no midnight, and the reader refuses the time.
        assert_eq!(TraceClock::new(at("09:30:00")).next(3, at("09:29:59")), Ok(-SECOND_US));
        let zoned = TraceClock::new(at("2026-03-02T00:30:00+01:00"));
        assert_eq!(zoned.of(at("00:30:05")), Ok(5 * SECOND_US));
        assert_eq!(zoned.of(at("2026-03-01T23:30:05Z")), Ok(5 * SECOND_US));
    }

    proptest! {
        /// No text panics.
        #[test]
        fn any_text(text in "[0-9:.,TZ+\\-/ apmAPM]{0,30}", other in "\\PC{0,30}") {
            let _ = (ClockTime::parse(&text), ClockTime::parse(&other));
        }
    }
}
