//! When two states of the sequencer are the same state at different times.
//!
//! The sequencer's clock only goes on, so no state would ever be met twice, and nothing could be explored to the end.
//! But the machine looks at moments only through differences, so what counts is how long ago each was. This module
//! writes a state down in that form.
//!
//! It starts from the `Debug` form of [`Sequencer`], which is derived: a field added there is part of the digest
//! without anyone thinking of it. Only three things are done to it, and each is argued here:
//!
//! 1. **Moments become ages.** All comparisons of moments go through `since` (difference) or `<`. The time a model
//!    starts at is far from the ends of the clock, where `since` would saturate.
//! 2. **Ages beyond every threshold they are compared with are one age.** Which is the greatest threshold stands at
//!    `age_max` below. A sample's running number becomes its distance to the world's counter, and beyond 2 one distance: it
//!    is only ever compared with the last and the next.
//! 3. **What is never read again is left out**: see `is_dead` below.
//!
//! `tests/digest.rs` checks the first two on random inputs: two machines started at different times and numbers, then
//! given the same inputs, have the same digest at every poll; and two states with the same digest, reached in
//! different ways, have the same digests and outputs ever after.

use core::fmt::Write;

use seathold_sequencer::event::Phase;
use seathold_sequencer::step::Sequencer;

/// The canonical form of a state at time `now`, in microseconds, when the world's last sample had the given number.
pub fn canonical(sequencer: &Sequencer, now: u64, number: u32) -> String {
    let mut text = String::with_capacity(8_192);
    write!(text, "{sequencer:?}").expect("a string takes anything");
    let mut reader = Reader {
        text: text.as_bytes(),
        at: 0,
        out: String::with_capacity(2_048),
        muted: 0,
        of_supply: false,
        now,
        number,
        phase: sequencer.phase(),
        poll_us: sequencer.recipe().map_or(100_000, |r| u64::from(r.raw().sample_ms) * 1_000),
        dwell_us: u64::from(sequencer.rig().raw().safe_dwell_ms) * 1_000,
    };
    reader.value("", "");
    assert_eq!(reader.at, text.len(), "the Debug form was not understood: {}", &text[reader.at..]);
    reader.out
}

/// A field whose value has no bearing on any later output, phase, fault or verdict.
fn is_dead(owner: &str, field: &str, phase: Phase, of_supply: bool) -> bool {
    match (owner, field) {
        // The same in every state of a model.
        ("Sequencer", "rig" | "recipe") => true,
        // Set at the head of every step before it is read.
        ("Sequencer", "elapsed") | ("Channel", "fresh" | "trouble") => true,
        // Read only together with `fresh`, and replaced whenever that is set.
        ("Channel", "before") => true,
        // Only the far side is asked for holes, and for how fast it rises.
        ("Channel", "number" | "anchors") if of_supply => true,
        // The rate is asked for while filling, and looks back less than the precheck lasts.
        ("Channel", "anchors") => !matches!(phase, Phase::Precheck | Phase::Fill),
        // Only decides when a waiting state reminds: an event, which no property here looks at.
        ("Sequencer", "reminded") => true,
        // Set anew on the way into measuring; read nowhere else.
        ("Sequencer", "measure") => !matches!(phase, Phase::Measure),
        // States that wait for a person have no limit and no deadline.
        ("Sequencer", "entered") => matches!(phase, Phase::Ready | Phase::Fault | Phase::Trapped | Phase::Held),
        // Read from venting to measuring; afterwards only copied into the result as figures for people.
        ("Run", "isolated") => !matches!(phase, Phase::Vent | Phase::Settle | Phase::Measure),
        // Figures for people: copied, printed, never decided on after the verdict.
        ("SideResult", "figure" | "isolated_at" | "fall_pa" | "after_ms") | ("Measure", "figure") => true,
        _ => false,
    }
}

/// The greatest threshold an age is compared with, in microseconds; `None` where all are kept.
fn age_max(owner: &str, field: &str, poll_us: u64) -> Option<u64> {
    match (owner, field) {
        // Stale after five samples or 50 ms; a hole after two and a half. One more, as staleness is "longer than". The
        // slew between samples so far apart lies below its limit whatever their pressures (asserted in `world.rs`).
        ("Good", "at") | ("Channel", "sick_since") => Some((5 * poll_us).max(50_000) + poll_us),
        // A rate is taken over 0.1 to 0.4 s and not over more.
        ("Anchor", "at") => Some(400_000 + poll_us),
        // Phases and their stages end before these grow large.
        _ => None,
    }
}

struct Reader<'a> {
    text: &'a [u8],
    at: usize,
    out: String,
    /// Depth of dead fields.
    muted: u32,
    /// Inside the supply channel.
    of_supply: bool,
    now: u64,
    number: u32,
    phase: Phase,
    poll_us: u64,
    dwell_us: u64,
}

impl Reader<'_> {
    fn put(&mut self, text: &str) {
        if self.muted == 0 {
            self.out.push_str(text);
        }
    }

    /// A word up to one of the signs of the derived form.
    fn word(&mut self) -> (usize, usize) {
        let begin = self.at;
        while let Some(sign) = self.text.get(self.at) {
            if matches!(sign, b' ' | b',' | b':' | b'{' | b'}' | b'(' | b')' | b'[' | b']') {
                break;
            }
            self.at += 1;
        }
        (begin, self.at)
    }

    fn take(&mut self, sign: &str) -> bool {
        let is = self.text[self.at..].starts_with(sign.as_bytes());
        if is {
            self.at += sign.len();
        }
        is
    }

    /// One value, standing in the given field of the given struct.
    fn value(&mut self, owner: &str, field: &str) {
        let text = self.text;
        let (begin, end) = self.word();
        let word = core::str::from_utf8(&text[begin..end]).expect("text");
        if word == "MonotonicInstant" {
            assert!(self.take(" { ticks: "), "an instant has ticks");
            let (begin, end) = self.word();
            let ticks = core::str::from_utf8(&text[begin..end]).expect("text").parse::<u64>().expect("ticks");
            assert!(self.take(" }"));
            // A moment ahead of now would be a new idea; ages could not tell it.
            assert!(self.muted > 0 || ticks <= self.now, "{owner}.{field} lies ahead of now");
            let age = self.now.saturating_sub(ticks);
            let age = age.min(age_max(owner, field, self.poll_us).unwrap_or(u64::MAX));
            if self.muted == 0 {
                write!(self.out, "{age}").expect("a string takes anything");
            }
            return;
        }
        if (owner, field) == ("Channel", "number")
            && let Ok(number) = word.parse::<u32>()
        {
            let behind = self.number.wrapping_sub(number).min(2);
            if self.muted == 0 {
                write!(self.out, "{behind}").expect("a string takes anything");
            }
            return;
        }
        if word == "Dwell" {
            self.dwell();
            return;
        }
        self.put(word);
        if self.take(" { ") {
            self.put("{");
            loop {
                let (begin, end) = self.word();
                let name = core::str::from_utf8(&text[begin..end]).expect("text");
                assert!(self.take(": "), "a field has a value");
                if word == "Sequencer" {
                    self.of_supply = name == "supply";
                }
                let dead = is_dead(word, name, self.phase, self.of_supply);
                self.muted += u32::from(dead);
                self.value(word, name);
                self.put(",");
                self.muted -= u32::from(dead);
                if !self.take(", ") {
                    assert!(self.take(" }"));
                    break;
                }
            }
            self.put("}");
        } else if self.take("(") {
            self.list(")", owner, field);
        } else if self.take("[") {
            self.list("]", owner, field);
        }
    }

    /// A dwell counts from its first reading to its last. Once that is long enough it stays so until it is forgotten.
    fn dwell(&mut self) {
        assert!(self.take(" { readings: "), "a dwell has readings");
        if self.take("None }") {
            self.put("none");
            return;
        }
        let moment = |reader: &mut Self| {
            assert!(reader.take("MonotonicInstant { ticks: "), "a dwell has two moments");
            let text = reader.text;
            let (begin, end) = reader.word();
            assert!(reader.take(" }"));
            core::str::from_utf8(&text[begin..end]).expect("text").parse::<u64>().expect("ticks")
        };
        assert!(self.take("Some(("));
        let first = moment(self);
        assert!(self.take(", "));
        let last = moment(self);
        assert!(self.take(")) }"));
        if last - first >= self.dwell_us {
            self.put("lasted");
        } else if self.muted == 0 {
            write!(self.out, "{} to {}", self.now - first, self.now - last).expect("a string takes anything");
        }
    }

    /// The values up to `end`; they stand in the field the list stands in.
    fn list(&mut self, end: &str, owner: &str, field: &str) {
        self.put("(");
        while !self.take(end) {
            self.value(owner, field);
            self.put(",");
            self.take(", ");
        }
        self.put(")");
    }
}
