//! Lines made of bytes from a keyboard, a barcode reader or a pipe.

/// Longest line, in bytes; what is beyond it is dropped.
const LINE_MAX: usize = 64 << 10;

/// What a byte came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Keystroke {
    /// Nothing yet.
    None,
    /// A line.
    Line(String),
    /// Ctrl-C.
    Interrupt,
    /// The end of input: Ctrl-D on an empty line.
    End,
}

/// Where in a control sequence, as cursor keys send them, the last byte was.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Sequence {
    #[default]
    None,
    Escape,
    Parameters,
}

/// The line that is being typed.
#[derive(Debug, Default)]
pub struct LineEditor {
    bytes: Vec<u8>,
    /// As far as it is text, for display.
    text: String,
    sequence: Sequence,
    /// A line ended with a carriage return, so that a line feed right after it belongs to that end; and whether keys were raw then. The
    /// Enter key is a carriage return where they are and a line feed where they are not: from one to the other it is another Enter.
    returned: Option<bool>,
}

impl LineEditor {
    /// Takes a byte. `raw`: keys as they are pressed, so that some of them edit the line; otherwise the terminal has done that, or it is
    /// a pipe.
    pub fn push(&mut self, byte: u8, raw: bool) -> Keystroke {
        let returned = self.returned.take() == Some(raw);
        match byte {
            b'\n' if returned => return Keystroke::None,
            b'\n' | b'\r' => {
                self.returned = (byte == b'\r').then_some(raw);
                return Keystroke::Line(self.take());
            }
            _ if !raw => {}
            _ if self.sequence != Sequence::None || byte == 0x1b => {
                let before = self.sequence;
                self.sequence = match (before, byte) {
                    (_, 0x1b) => Sequence::Escape,
                    (Sequence::Escape, b'[' | b'O') => Sequence::Parameters,
                    (Sequence::Parameters, 0x20..=0x3f) => Sequence::Parameters,
                    _ => Sequence::None,
                };
                // Behind a lone escape a key is what it is.
                if before != Sequence::Escape || self.sequence != Sequence::None {
                    return Keystroke::None;
                }
                return self.push(byte, raw);
            }
            0x03 => return Keystroke::Interrupt,
            0x04 if self.bytes.is_empty() => return Keystroke::End,
            0x7f | 0x08 => {
                // The whole of the last letter.
                while self.bytes.pop().is_some_and(|byte| byte & 0xc0 == 0x80) {}
                self.show();
                return Keystroke::None;
            }
            0x15 => {
                let _ = self.take();
                return Keystroke::None;
            }
            0..0x20 => return Keystroke::None,
            _ => {}
        }
        if self.bytes.len() < LINE_MAX {
            self.bytes.push(byte);
            self.show();
        }
        Keystroke::None
    }

    /// No more has come for now. A cursor key sends its sequence in one go: what comes after is a key of its own, and an abort must not be
    /// swallowed as the end of a sequence.
    pub const fn paused(&mut self) {
        self.sequence = Sequence::None;
    }

    /// Forgets what has been typed: it was for another question.
    pub fn forget(&mut self) {
        let _ = self.take();
    }

    /// What has been typed.
    pub fn typed(&self) -> &str {
        &self.text
    }

    /// A last line without an end.
    pub fn rest(&mut self) -> Option<String> {
        (!self.bytes.is_empty()).then(|| self.take())
    }

    fn show(&mut self) {
        // Of a long one, as a pipe may send, nobody sees it grow.
        if self.bytes.len() < 1_000 {
            self.text = String::from_utf8_lossy(&self.bytes).into_owned();
        }
    }

    fn take(&mut self) -> String {
        self.sequence = Sequence::None;
        self.text.clear();
        let bytes = std::mem::take(&mut self.bytes);
        String::from_utf8(bytes).unwrap_or_else(|why| String::from_utf8_lossy(why.as_bytes()).into_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn lines(bytes: &[u8], raw: bool) -> Vec<Keystroke> {
        let mut editor = LineEditor::default();
        bytes.iter().map(|byte| editor.push(*byte, raw)).filter(|stroke| *stroke != Keystroke::None).collect()
    }

    fn line(text: &str) -> Keystroke {
        Keystroke::Line(text.into())
    }

    #[test]
    fn keys_edit_a_line_where_they_come_one_by_one() {
        assert_eq!(lines(b"ax\x7f\r", true), [line("a")]);
        assert_eq!(lines("HM-ä\u{7f}1/A\r\n".as_bytes(), true), [line("HM-1/A")]);
        assert_eq!(lines(b"abc\x15ack\n", true), [line("ack")]);
        // Cursor keys, function keys and a lone escape are no letters.
        assert_eq!(lines(b"\x1b[A\x1bOP\x1b[15~a\x1b\r", true), [line("a")]);
        assert_eq!(lines(b"\x03", true), [Keystroke::Interrupt]);
        assert_eq!(lines(b"\x04", true), [Keystroke::End]);
        // In a pipe they are what they are.
        assert_eq!(lines(b"\x03\x7f\r\n\n", false), [line("\u{3}\u{7f}"), line("")]);
    }

    /// Whoever strikes Esc and then aborts has aborted.
    #[test]
    fn an_escape_swallows_no_key() {
        assert_eq!(lines(b"\x1ba\r", true), [line("a")]);
        assert_eq!(lines(b"\x1b\r", true), [line("")]);
        for cut in [&b"\x1b"[..], b"\x1b[", b"\x1bO", b"\x1b[1;"] {
            let mut editor = LineEditor::default();
            cut.iter().for_each(|byte| drop(editor.push(*byte, true)));
            editor.paused();
            assert_eq!(editor.push(b'a', true), Keystroke::None);
            assert_eq!(editor.push(b'\r', true), line("a"), "{cut:?}");
        }
    }

    #[test]
    fn what_was_typed_is_forgotten() {
        let mut editor = LineEditor::default();
        editor.push(b'a', true);
        editor.forget();
        assert_eq!(editor.typed(), "");
        assert_eq!(editor.push(b'\r', true), line(""));
    }

    /// The last Enter of a bench screen, and the first after it.
    #[test]
    fn an_enter_after_the_keys_were_raw_is_one_more() {
        let mut editor = LineEditor::default();
        assert_eq!(editor.push(b'\r', true), line(""));
        assert_eq!(editor.push(b'\n', false), line(""));
    }

    #[test]
    fn a_last_line_needs_no_end() {
        let mut editor = LineEditor::default();
        assert_eq!(editor.push(b'a', false), Keystroke::None);
        assert_eq!(editor.typed(), "a");
        assert_eq!((editor.rest(), editor.rest()), (Some("a".into()), None));
    }

    proptest! {
        /// Whatever comes: no panic, and no more kept than a line may have.
        #[test]
        fn any_bytes(bytes in proptest::collection::vec(any::<u8>(), 0..300), raw: bool) {
            let mut editor = LineEditor::default();
            for byte in bytes {
                let _ = editor.push(byte, raw);
            }
            prop_assert!(editor.rest().is_none_or(|rest| rest.len() <= 900));
        }

        /// Of a pipe the lines are those of the text.
        #[test]
        fn a_text_comes_back(text in "[a-zäß ]{0,9}(\n[a-zäß ]{0,9}){0,5}\n") {
            let expected: Vec<Keystroke> = text.lines().map(line).collect();
            prop_assert_eq!(lines(text.as_bytes(), false), expected);
        }
    }
}
