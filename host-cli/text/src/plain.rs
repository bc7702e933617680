//! The one way to a screen: what a recording, a list or a name holds must not act on it.

use std::io::{self, Write};

use seathold_recording::plain::{json, lines};

/// Passes text on to a screen, with everything that is_control on it written as its number, but for ends of lines and tabs of
/// the text itself. What is not UTF-8 is replaced by U+FFFD.
#[derive(Debug)]
pub struct PlainWriter<W> {
    to: W,
    /// The beginning of a character, the rest of which has not come yet.
    held: Vec<u8>,
    /// What passes is JSON.
    json: bool,
}

impl<W: Write> PlainWriter<W> {
    /// To a stream.
    pub const fn new(to: W) -> Self {
        Self { to, held: Vec::new(), json: false }
    }

    /// To a stream that gets JSON: it stays JSON, and of the same texts.
    pub const fn json(to: W) -> Self {
        Self { to, held: Vec::new(), json: true }
    }

    fn pass(&mut self, mut bytes: &[u8]) -> io::Result<()> {
        loop {
            let (text, bad) = match std::str::from_utf8(bytes) {
                Ok(text) => (text, None),
                Err(why) => {
                    let text = bytes.get(..why.valid_up_to()).unwrap_or_default();
                    (std::str::from_utf8(text).unwrap_or_default(), Some(why.error_len()))
                }
            };
            self.to.write_all(if self.json { json(text) } else { lines(text) }.as_bytes())?;
            let rest = bytes.get(text.len()..).unwrap_or_default();
            match bad {
                None => return Ok(()),
                Some(None) => {
                    self.held = rest.to_vec();
                    return Ok(());
                }
                Some(Some(length)) => {
                    self.to.write_all("\u{fffd}".as_bytes())?;
                    bytes = rest.get(length..).unwrap_or_default();
                }
            }
        }
    }
}

impl<W: Write> Write for PlainWriter<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        // Nearly all there is: nothing to look at twice.
        if self.held.is_empty() && bytes.iter().all(|byte| matches!(byte, b' '..=b'~' | b'\n')) {
            self.to.write_all(bytes)?;
        } else if self.held.is_empty() {
            self.pass(bytes)?;
        } else {
            let all = [std::mem::take(&mut self.held).as_slice(), bytes].concat();
            self.pass(&all)?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use seathold_recording::plain::{is_control, shown};

    #[test]
    fn what_acts_is_written_as_its_number() {
        assert_eq!(shown("HM-003 Ø 25 µm"), "HM-003 Ø 25 µm");
        assert_eq!(
            shown("a\u{1b}[2K\r\nb\u{202e}c\u{9b}d\u{2066}"),
            "a\\u{1b}[2K\\u{d}\\u{a}b\\u{202e}c\\u{9b}d\\u{2066}"
        );
        let mut out = Vec::new();
        PlainWriter::new(&mut out).write_all("one\ttwo\nthree\u{1b}[31m\u{202e}\n".as_bytes()).unwrap();
        assert_eq!(String::from_utf8(out).unwrap(), "one\ttwo\nthree\\u{1b}[31m\\u{202e}\n");
    }

    proptest! {
        /// However the bytes are divided into writes, and whatever they are.
        #[test]
        fn nothing_that_acts_passes(text in "[\\PC\\p{Cc}\u{202a}-\u{202e}\u{2066}-\u{2069}]{0,40}", bytes: Vec<u8>, cut in 1usize..9) {
            for bytes in [text.as_bytes(), &bytes] {
                let mut out = Vec::new();
                let mut writer = PlainWriter::new(&mut out);
                bytes.chunks(cut).for_each(|chunk| writer.write_all(chunk).unwrap());
                let out = String::from_utf8(out).unwrap();
                prop_assert!(!out.chars().any(|c| is_control(c) && !matches!(c, '\n' | '\t')), "{out:?}");
            }
            let mut out = Vec::new();
            let mut writer = PlainWriter::new(&mut out);
            text.as_bytes().chunks(cut).for_each(|chunk| writer.write_all(chunk).unwrap());
            let plain: String = text.chars().filter(|c| !is_control(*c) || matches!(c, '\n' | '\t')).collect();
            let out = String::from_utf8(out).unwrap();
            prop_assert!(out.len() >= plain.len());
            prop_assert!(!text.chars().any(is_control) || !shown(&text).chars().any(is_control));
            let mut out = Vec::new();
            serde_json::to_writer(PlainWriter::json(&mut out), &text).unwrap();
            prop_assert!(!String::from_utf8(out.clone()).unwrap().chars().any(is_control));
            prop_assert_eq!(serde_json::from_slice::<String>(&out).unwrap(), text);
        }
    }
}
