//! Somebody at the keyboard of `seathold doctor`.

use std::cell::RefCell;
use std::io::{self, Write};
use std::rc::Rc;
use std::sync::atomic::AtomicUsize;
use std::time::{Duration, Instant};

use seathold::console::KeyboardInput;
use seathold::console::Keys;

use crate::served_kit::{Ear, Rig, program};

/// In place of what is typed: nothing is.
pub const NOTHING: &str = "\0";

/// Longest between two answers on the wall's clock, on a busy machine.
const PATIENCE: Duration = Duration::from_secs(600);

/// What a program says, for whoever answers it.
#[derive(Clone, Default)]
struct Talk(Rc<RefCell<String>>);

impl Write for Talk {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.borrow_mut().push_str(&String::from_utf8_lossy(bytes));
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Somebody who answers each prompt as it comes.
struct Answers<'a> {
    talk: Talk,
    heard: usize,
    /// Enter, so often too many, behind every answer.
    ahead: usize,
    too_many: usize,
    /// When this somebody gives up: a program that waits for what nobody will do is to fail, not to hang.
    until: Instant,
    /// A prompt, and what is typed then; the first that fits counts.
    to: &'a [(&'a str, &'a str)],
    /// Done when something is typed.
    then: &'a mut dyn FnMut(&str),
}

impl Keys for Answers<'_> {
    fn line(&mut self) -> KeyboardInput {
        if self.ahead > 0 {
            self.ahead -= 1;
            return KeyboardInput::Line(String::new());
        }
        let said = self.talk.0.borrow().split_whitespace().collect::<Vec<_>>().join(" ");
        let fresh = said.get(self.heard..).unwrap_or_default();
        let next = self.to.iter().filter_map(|(prompt, typed)| Some((fresh.find(prompt)? + prompt.len(), *typed)));
        let Some((end, typed)) = next.min_by_key(|(end, _)| *end) else {
            assert!(Instant::now() < self.until, "nobody answers this: {fresh}");
            return KeyboardInput::Nothing;
        };
        (self.then)(&fresh[..end]);
        self.heard += end;
        self.ahead = self.too_many;
        self.until = Instant::now() + PATIENCE;
        if typed == NOTHING { KeyboardInput::Nothing } else { KeyboardInput::Line(typed.into()) }
    }
}

/// Somebody who hears everything that moves; nobody can reach the contacts and plugs of a rig that is simulated elsewhere.
const PROMPTS: [(&str, &str); 7] = [
    ("or n to stop here (q at any time).", "y"),
    ("Open it. It is seen by itself", "n"),
    ("It is seen by itself", "s"),
    ("then Enter acknowledges", ""),
    ("then Enter)", ""),
    ("Enter works it", ""),
    ("Did it move?", "y"),
];

/// Has the rig at this address checked by that somebody: code, table, talk.
pub fn at(address: &str, interrupts: &AtomicUsize, then: &mut dyn FnMut(&str)) -> (u8, String, String) {
    answered(&["doctor", "--rig", address], interrupts, &PROMPTS, 2, then)
}

/// What hands at the rig do, and what is typed then.
const HANDS: [(&str, &str); 11] = [
    ("or n to stop here (q at any time).", "y"),
    ("Press it and hold it pressed. It is seen by itself", "a"),
    ("seen. Release it", "a"),
    ("Open it. It is seen by itself", "a"),
    ("seen. Close it", "a"),
    ("Pull its plug. It is seen by itself", "a"),
    ("seen. Put it back", "a"),
    ("then Enter acknowledges", ""),
    ("then Enter)", ""),
    ("Enter works it", ""),
    ("Did it move?", "y"),
];

/// Has a served rig checked by somebody who stands at it, shuts its air off and works its contacts and plugs.
pub fn by_hand(rig: &Rig) -> (u8, String, String) {
    let mut plugs = ["far", "supply"].into_iter().cycle();
    let mut pulled = "";
    let address = format!("tcp:{}", rig.at);
    // No Enter too many: where something is waited for, it would say that it was done and not seen.
    answered(&["doctor", "--rig", &address], &AtomicUsize::new(0), &HANDS, 0, &mut |said| {
        let work = match () {
            () if said.ends_with(HANDS[0].0) => "air",
            () if said.ends_with(HANDS[1].0) || said.ends_with(HANDS[2].0) => "stop",
            () if said.ends_with(HANDS[3].0) || said.ends_with(HANDS[4].0) => "guard",
            () if said.ends_with(HANDS[5].0) => {
                pulled = plugs.next().unwrap_or_default();
                pulled
            }
            () if said.ends_with(HANDS[6].0) => pulled,
            () => return,
        };
        rig.hands(work);
    })
}

/// Any command, with somebody who gives these answers to these prompts, and types Enter so often too many: code, results,
/// talk. What is passed to `then` ends in the prompt.
///
/// # Panics
/// When it asks for nothing that there is an answer to, and does not end either.
pub fn answered(
    arguments: &[&str],
    interrupts: &AtomicUsize,
    to: &[(&str, &str)],
    too_many: usize,
    then: &mut dyn FnMut(&str),
) -> (u8, String, String) {
    let (mut out, mut err) = (Ear::default(), Talk::default());
    let mut keys =
        Answers { talk: err.clone(), heard: 0, ahead: 0, too_many, until: Instant::now() + PATIENCE, to, then };
    let code = program(arguments, interrupts, &mut out, &mut err, &mut keys);
    let err = err.0.borrow().clone();
    (code, out.text, err)
}

/// The table without its line breaks.
pub fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}
