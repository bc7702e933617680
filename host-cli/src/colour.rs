//! Colour: words that must not be missed, on a terminal or where it is asked for. Letters say the same without it.

use std::io::{self, Write};

use anstyle::{AnsiColor, Style};
use clap::ValueEnum;

use crate::environment::{Environment, SettingSource};

/// `--color`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum ColourArg {
    /// On a terminal.
    #[default]
    Auto,
    /// Always.
    Always,
    /// Never.
    Never,
}

impl ColourArg {
    /// What holds: what is typed, then the environment, then the settings file.
    pub fn of(typed: Option<Self>, environment: &Environment) -> Self {
        let setting = environment.settings.get("color");
        let of_setting = || Self::from_str(&setting?.value, false).ok();
        let from_file = setting.is_some_and(|found| matches!(found.source, SettingSource::File(_)));
        match (typed, environment.said("NO_COLOR")) {
            (Some(typed), _) => typed,
            (None, Some(_)) if setting.is_none() || from_file => Self::Never,
            (None, _) => of_setting().unwrap_or_default(),
        }
    }

    /// Whether a stream has it.
    pub fn on(self, is_terminal: bool, environment: &Environment) -> bool {
        match self {
            Self::Always => true,
            Self::Never => false,
            Self::Auto => is_terminal && !environment.plain_terminal(),
        }
    }
}

/// Whole words that are painted. `error` only where a line begins.
const WORDS: &[(&str, AnsiColor)] = &[
    ("TIGHT", AnsiColor::Green),
    ("LEAKING", AnsiColor::Red),
    ("FAULT", AnsiColor::Red),
    ("PRESSURISED", AnsiColor::Red),
    ("error", AnsiColor::Red),
    ("UNDECIDED", AnsiColor::Yellow),
    ("VOID", AnsiColor::Yellow),
    ("CAUTION", AnsiColor::Yellow),
    ("caution", AnsiColor::Yellow),
];

/// Longer than any of them.
const LONGEST: usize = 12;

/// Paints words of a plain text on its way to a stream.
#[derive(Debug)]
pub struct Painter<W> {
    to: W,
    on: bool,
    /// A word whose end has not come yet.
    word: Vec<u8>,
    /// It is longer than any that is painted, and has been passed on.
    long: bool,
    /// Nothing but blanks stands before it on its line.
    first: bool,
}

impl<W: Write> Painter<W> {
    /// To a stream; with `on` false everything passes as it is.
    pub const fn new(to: W, on: bool) -> Self {
        Self { to, on, word: Vec::new(), long: false, first: true }
    }

    fn end_word(&mut self, out: &mut Vec<u8>) {
        let word = std::mem::take(&mut self.word);
        let known = WORDS.iter().find(|(known, _)| known.as_bytes() == word);
        let (before, after) = match known {
            // Small letters are only a heading where a line begins.
            Some((known, colour)) if self.first || known.chars().all(char::is_uppercase) => {
                let style = Style::new().fg_color(Some((*colour).into())).bold();
                (style.render().to_string(), style.render_reset().to_string())
            }
            _ => Default::default(),
        };
        out.extend([before.as_bytes(), &word, after.as_bytes()].concat());
        self.first &= word.is_empty();
    }
}

impl<W: Write> Write for Painter<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if !self.on {
            return self.to.write(bytes);
        }
        let mut out = Vec::with_capacity(bytes.len() + 16);
        for &byte in bytes {
            if byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'_') || !byte.is_ascii() {
                if self.long {
                    out.push(byte);
                } else {
                    self.word.push(byte);
                }
                if self.word.len() > LONGEST {
                    out.append(&mut self.word);
                    (self.long, self.first) = (true, false);
                }
                continue;
            }
            self.end_word(&mut out);
            self.long = false;
            self.first = byte == b'\n' || (self.first && byte == b' ');
            out.push(byte);
        }
        self.to.write_all(&out)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        if !self.word.is_empty() {
            let mut out = Vec::new();
            self.end_word(&mut out);
            // What may still come of it is not painted.
            self.long = true;
            self.to.write_all(&out)?;
        }
        self.to.flush()
    }
}

/// A text with its words painted, where that is wanted.
pub fn painted(text: &str, on: bool) -> String {
    let mut painter = Painter::new(Vec::new(), on);
    // Into memory, where nothing fails.
    let _ = painter.write_all(text.as_bytes()).and_then(|()| painter.flush());
    String::from_utf8_lossy(&painter.to).into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const GREEN: &str = "\u{1b}[1m\u{1b}[32mTIGHT\u{1b}[0m";

    #[test]
    fn whole_words_are_painted_and_nothing_else() {
        assert_eq!(painted("HM-001  TIGHT\n", true), format!("HM-001  {GREEN}\n"));
        assert_eq!(painted("HM-001  TIGHT\n", false), "HM-001  TIGHT\n");
        for plain in [
            "TIGHTER\n",
            "UN-TIGHT\n",
            "tight\n",
            "an error: x\n",
            "µTIGHT",
            "file_TIGHT.hold\n".trim_end_matches(".hold\n"),
        ] {
            assert_eq!(painted(plain, true), plain, "{plain}");
        }
        assert!(painted("x\n  error: y", true).starts_with("x\n  \u{1b}[1m\u{1b}[31merror\u{1b}[0m: y"));
    }

    proptest! {
        /// However the text is divided into writes: the same letters, and the same paint.
        #[test]
        fn the_letters_stay(text in "[A-Zµ \n:_-]{0,20}(TIGHT|LEAKING|error)?[ a\n:]{0,9}", cut in 1usize..7) {
            let mut painter = Painter::new(Vec::new(), true);
            text.as_bytes().chunks(cut).for_each(|chunk| painter.write_all(chunk).unwrap());
            painter.flush().unwrap();
            let said = String::from_utf8(painter.to).unwrap();
            prop_assert_eq!(&said, &painted(&text, true));
            let mut letters = said;
            for paint in ["\u{1b}[0m", "\u{1b}[1m", "\u{1b}[31m", "\u{1b}[32m", "\u{1b}[33m"] {
                letters = letters.replace(paint, "");
            }
            prop_assert_eq!(letters, text);
        }
    }
}
