//! A batch worked at the keyboard, line by line, in a folder of its own.

use std::collections::VecDeque;
use std::path::Path;

use seathold::console::{KeyboardInput, Keys};
use serde_json::Value;

use crate::cli_kit::{Said, Stage, seathold, seathold_on};

/// Somebody who types these lines, and goes.
#[derive(Debug)]
pub struct Lines {
    left: VecDeque<&'static str>,
    /// Only at every thirtieth or so look: as at a terminal, where what was typed ahead is thrown away.
    slow: bool,
    looks: usize,
}

/// Half a second of looks, and some more.
const LOOKS: usize = 30;

impl Lines {
    /// One at each look.
    pub fn new(lines: &[&'static str]) -> Self {
        Self { left: lines.iter().copied().collect(), slow: false, looks: 0 }
    }

    /// Each after so many looks that nobody takes it for a key that was pressed too soon.
    pub fn slowly(lines: &[&'static str]) -> Self {
        Self { slow: true, ..Self::new(lines) }
    }
}

impl Keys for Lines {
    fn line(&mut self) -> KeyboardInput {
        if self.slow && self.looks < LOOKS {
            self.looks += 1;
            return KeyboardInput::Nothing;
        }
        self.looks = 0;
        self.left.pop_front().map_or(KeyboardInput::Closed, |line| KeyboardInput::Line(line.into()))
    }
}

/// What happens before a line is typed, and the line.
pub type Slow<'a> = (Box<dyn Fn() + 'a>, &'static str);

/// Somebody while whose hands are elsewhere something happens.
#[allow(missing_debug_implementations, reason = "what happens has nothing to show")]
pub struct Meanwhile<'a>(pub VecDeque<Slow<'a>>);

impl Keys for Meanwhile<'_> {
    fn line(&mut self) -> KeyboardInput {
        let Some((happens, line)) = self.0.pop_front() else { return KeyboardInput::Closed };
        happens();
        KeyboardInput::Line(line.into())
    }
}

/// The register in the folder.
pub const AT: [&str; 2] = ["--register", "[DIR]/bench.sqlite"];

/// `seathold batch test`, at which these lines are typed.
pub fn typed(dir: &Path, lines: &[&'static str], more: &[&str]) -> Said {
    test_with(dir, &mut Lines::new(lines), more, false)
}

/// The same with somebody of one's own, at a terminal or not.
pub fn test_with(dir: &Path, keys: &mut dyn Keys, more: &[&str], live: bool) -> Said {
    let arguments = [&["batch", "test", "-q", "--out", "[DIR]/recordings"], &AT[..], more].concat();
    seathold_on(dir, &arguments, Stage { interrupt_at: Vec::new(), keys, out_breaks: None, live })
}

/// Another command on that register.
pub fn say(dir: &Path, arguments: &[&str]) -> Said {
    seathold(dir, &[arguments, &AT[..]].concat())
}

/// A batch "spring" of air-operated valves of DN 25.
pub fn opened(dir: &Path, serials: &str) {
    let said = say(dir, &["batch", "open", "spring", "--serials", serials, "--actuation", "air", "--dn", "25"]);
    assert_eq!(said.code, 0, "{}", said.err);
}

/// "HM-001 next" for each valve of the batch that is open.
pub fn stands(dir: &Path) -> Vec<String> {
    words(&say(dir, &["batch", "status", "--json"]))
}

/// The same of batch "spring" in some register.
pub fn stands_in(dir: &Path, register: &str) -> Vec<String> {
    words(&seathold(dir, &["batch", "status", "--json", "--batch", "spring", "--register", register]))
}

fn words(said: &Said) -> Vec<String> {
    let word = |line: &str| {
        let value: Value = serde_json::from_str(line).unwrap();
        format!("{} {}", value["serial"].as_str().unwrap(), value["stand"].as_str().unwrap())
    };
    said.out.lines().map(word).collect()
}
