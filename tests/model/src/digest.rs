//! When two states of the sequencer are the same state at different times.
//!
//! The sequencer's clock only goes on, so no state would ever be met twice, and nothing could be explored to the end.
//! But the machine looks at moments only through differences, so what counts is how long ago each was. This module
//! writes a state down in that form.
//!
//! It starts from the `Debug` form of [`Sequencer`], which is derived: a field added there is automatically part of the
//! digest. Only three transformations are applied, each justified here:
//!
//! 1. **Moments become ages.** All comparisons of moments go through `since` (difference) or `<`. They are moments of
//!    the sequencer's own clock, its field `now`, and ages are taken from that: a given clock that went back does not
//!    take them with it. What must last at least so long is compared with its field `sure`, and ages with that. Only `clock`, the time last given, belongs to the world's clock and becomes an age on that.
//!    The time a model starts at is far from the ends of either, where `since` would saturate. Some moments are kept by
//!    the low half of the clock, which wraps in 71 minutes: no series compared is so long, and the interlock then waits
//!    for one changeover too many.
//! 2. **Ages beyond every threshold they are compared with are one age.** The greatest threshold is in `age_max` below.
//!    A sample's running number becomes its distance to the world's counter, and beyond 2 one distance: it is only ever
//!    compared with the last and the next.
//! 3. **Values never read again are omitted**: see `is_dead` below.
//!
//! `tests/digest.rs` checks the first two on random inputs: two machines started at different times and numbers, then
//! given the same inputs, have the same digest at every poll; and two states with the same digest, reached in different
//! ways, have the same digests and outputs from then on.

use core::fmt::Write;

use seathold_sequencer::event::Phase;
use seathold_sequencer::limits::PERSIST_MS;
use seathold_sequencer::step::Sequencer;

/// The canonical form of a state at time `now`, in microseconds, when the world's last sample had the given number.
pub fn canonical(sequencer: &Sequencer, now: u64, number: u32) -> String {
    let mut text = String::with_capacity(8_192);
    write!(text, "{sequencer:?}").expect("a string takes anything");
    let raw_rig = sequencer.rig().raw();
    let mut reader = Reader {
        text: text.as_bytes(),
        at: 0,
        out: String::with_capacity(2_048),
        muted: 0,
        of_supply: false,
        given: now,
        own: own_time(&text, " now"),
        sure: own_time(&text, " sure"),
        number,
        phase: sequencer.phase(),
        idle: sequencer.status().side.is_none(),
        latched: sequencer.status().fault.is_some(),
        flickers: text.contains(" flicker: Some("),
        poll_us: sequencer.recipe().map_or(100_000, |r| u64::from(r.raw().sample_period_ms) * 1_000),
        dwell_us: u64::from(raw_rig.safe_dwell_ms) * 1_000,
        changeover_us: u64::from(raw_rig.changeover_ms) * 1_000,
        // Without a recipe, the assumed longest stroke.
        stroke_us: sequencer.recipe().map_or(60_000_000, |r| u64::from(r.raw().stroke_time_ms) * 1_000),
    };
    reader.value("", "");
    assert_eq!(reader.at, text.len(), "the Debug form was not understood: {}", &text[reader.at..]);
    reader.out
}

/// A time of the sequencer's own: it comes after some of the moments that become ages, so it is searched for first.
fn own_time(text: &str, field: &str) -> u64 {
    let name = format!("{field}: MonotonicInstant {{ ticks: ");
    let mut found = text.match_indices(&name);
    let (at, _) = found.next().expect("a sequencer has times of its own");
    assert!(found.next().is_none(), "only one field is called `{field}`");
    let rest = &text[at + name.len()..];
    let end = rest.find(' ').expect("an instant ends");
    rest[..end].parse().expect("ticks")
}

impl Reader<'_> {
    /// A field whose value has no bearing on any later output, phase, fault or verdict.
    fn is_dead(&self, owner: &str, field: &str) -> bool {
        let phase = self.phase;
        match (owner, field) {
            // The same in every state of a model.
            ("Sequencer", "rig") | ("Channel", "transducer") => true,
            // The same in every state that has one. Its presence is kept, as `Some` or `None`.
            ("Recipe", _) => true,
            // Set at the head of every step before it is read.
            ("Sequencer", "elapsed") | ("Channel", "fresh" | "disturbance") => true,
            // Read only together with `fresh`, and replaced whenever that is set.
            ("Channel", "before") => true,
            // Only the far side is checked for gaps, its rate, and constant codes.
            ("Channel", "number" | "anchors" | "same_code") if self.of_supply => true,
            // And that only where the last digits moved in the precheck.
            ("Channel", "same_code") | ("BlockedTrace", "equal") => !self.flickers,
            // The rate is used while filling, and spans less than the precheck.
            ("Channel", "anchors") => !matches!(phase, Phase::Precheck | Phase::Fill),
            // Only decides when a waiting state reminds: an event, which no property here uses.
            ("Sequencer", "reminded") => true,
            // What is compared with it becomes an age.
            ("Sequencer", "sure") => true,
            // Reset on the way into measuring; read nowhere else, but for its estimate, which is for display.
            ("Sequencer", "measure") => !matches!(phase, Phase::Measure),
            // States that wait for a person have no limit and no deadline.
            ("Sequencer", "entered") => {
                matches!(phase, Phase::Ready | Phase::Fault | Phase::Trapped | Phase::EmergencyStopped)
            }
            // Read together with a latched fault, and made false whenever one is latched.
            ("Sequencer", "acknowledged") => !self.latched,
            // Read from venting to measuring; afterwards only copied into the result for display, or noted in
            // `gross_fall`.
            ("Run", "isolated") => !matches!(phase, Phase::Vent | Phase::Settle | Phase::Measure),
            // Reset on the way into venting, and read from there to measuring.
            ("Sequencer", "gross_fall") => !matches!(phase, Phase::Vent | Phase::Settle | Phase::Measure),
            // Those of the present run, for its result; a start clears them.
            ("Sequencer", "results") => self.idle,
            // For display: copied, printed, no decisions after the verdict.
            ("SideResult", "estimate" | "isolated_at" | "fall_pa" | "after_ms")
            | ("Ended", "fall_pa" | "after_ms")
            | ("End", "measured")
            | ("Measure", "estimate") => true,
            _ => false,
        }
    }

    /// The greatest threshold an age is compared with, in microseconds; `None` where all are kept.
    fn age_max(&self, owner: &str, field: &str) -> Option<u64> {
        match (owner, field) {
            // Stale after five samples or 50 ms; a gap after two and a half. One more, as staleness is "longer than".
            // The slew between samples so far apart lies below its limit whatever their pressures (asserted in
            // `world.rs`).
            ("FreshSample", "at") | ("Channel", "fault_since") => Some((5 * self.poll_us).max(50_000) + self.poll_us),
            // A rate is taken over 0.1 to 0.4 s and not over more.
            ("Anchor", "at") => Some(400_000 + self.poll_us),
            // Only whether the first of the series lies this far back at the next reading.
            ("Persist", "began") => Some(u64::from(PERSIST_MS) * 1_000),
            // Whether the changeover is over. Once it is, it is as if nothing had been shut yet: see `value`.
            ("Interlock", "supply_shut" | "vent_shut") => Some(self.changeover_us),
            // At rest for a stroke and half as long again.
            ("Sequencer", "rested") => Some(self.stroke_us + self.stroke_us / 2),
            // Phases and their stages end before these grow large.
            _ => None,
        }
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
    /// The time last given.
    given: u64,
    /// The sequencer's own, and of it what has passed for certain.
    own: u64,
    sure: u64,
    number: u32,
    phase: Phase,
    /// No run is under way.
    idle: bool,
    /// A fault is latched.
    latched: bool,
    /// A frozen reading would show.
    flickers: bool,
    poll_us: u64,
    dwell_us: u64,
    changeover_us: u64,
    stroke_us: u64,
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

    /// One value, of the given field of the given struct.
    fn value(&mut self, owner: &str, field: &str) {
        let from = self.out.len();
        self.any(owner, field);
        if owner == "Interlock" && self.out[from..] == format!("Some({},)", self.changeover_us) {
            self.out.truncate(from);
            self.out.push_str("None");
        }
    }

    fn any(&mut self, owner: &str, field: &str) {
        let text = self.text;
        let (begin, end) = self.word();
        let word = core::str::from_utf8(&text[begin..end]).expect("text");
        if word == "MonotonicInstant" {
            assert!(self.take(" { ticks: "), "an instant has ticks");
            let (begin, end) = self.word();
            let ticks = core::str::from_utf8(&text[begin..end]).expect("text").parse::<u64>().expect("ticks");
            assert!(self.take(" }"));
            // A moment ahead of now cannot be expressed as an age.
            let now = match (owner, field) {
                ("Sequencer", "clock") => self.given,
                ("Sequencer", "rested") | ("SafeVent", "since") => self.sure,
                _ => self.own,
            };
            assert!(self.muted > 0 || ticks <= now, "{owner}.{field} lies ahead of now");
            let age = now.saturating_sub(ticks);
            let age = age.min(self.age_max(owner, field).unwrap_or(u64::MAX));
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
        if matches!((owner, field), ("Interlock", "supply_shut" | "vent_shut") | ("Fill", "mark"))
            && let Ok(low) = word.parse::<u32>()
        {
            self.low_half(owner, field, low);
            return;
        }
        if word == "Dwell" {
            self.dwell();
            return;
        }
        if word == "Persist" {
            self.persist();
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
                let dead = self.is_dead(word, name);
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
            // The wrapper of a moment does not matter.
            let owner = if matches!(word, "" | "Some") { owner } else { word };
            self.list(")", owner, field);
        } else if self.take("[") {
            self.list("]", owner, field);
        }
    }

    /// A dwell counts from its first reading to its last. Once that is long enough it stays so until reset; before,
    /// only the first counts, as the next reading becomes the last.
    fn dwell(&mut self) {
        let first = self.number_in(" { first: MonotonicInstant { ticks: ");
        let span_us = self.number_in(" }, span_us: ");
        let begun = self.flag_in(", begun: ");
        if !begun {
            self.put("none");
        } else if span_us >= self.dwell_us {
            self.put("lasted");
        } else if self.muted == 0 {
            write!(self.out, "for {}", self.sure - first).expect("a string takes anything");
        }
    }

    /// A series counts from its first reading. Once it has persisted it stays so until it is broken.
    fn persist(&mut self) {
        let began = self.number_in(" { began: ");
        let readings = self.number_in(", readings: ");
        let persisted = self.flag_in(", persisted: ");
        if readings == 0 {
            self.put("none");
        } else if persisted {
            self.put("persisted");
        } else {
            self.low_half("Persist", "began", began as u32);
            if self.muted == 0 {
                write!(self.out, " of {readings}").expect("a string takes anything");
            }
        }
    }

    /// A moment kept by the low half of the clock.
    fn low_half(&mut self, owner: &str, field: &str, low: u32) {
        let now = if owner == "Interlock" { self.sure } else { self.own };
        let age = u64::from((now as u32).wrapping_sub(low));
        let age = age.min(self.age_max(owner, field).unwrap_or(u64::MAX));
        if self.muted == 0 {
            write!(self.out, "{age}").expect("a string takes anything");
        }
    }

    /// The number that must follow these words.
    fn number_in(&mut self, words: &str) -> u64 {
        assert!(
            self.take(words),
            "{words} is not there: {}",
            core::str::from_utf8(&self.text[self.at..]).expect("text")
        );
        let text = self.text;
        let (begin, end) = self.word();
        core::str::from_utf8(&text[begin..end]).expect("text").parse().expect("a number")
    }

    /// Whether `true` follows these words, which end a struct.
    fn flag_in(&mut self, words: &str) -> bool {
        assert!(self.take(words));
        let is = self.take("true }");
        assert!(is || self.take("false }"));
        is
    }

    /// The values up to `end`; they belong to the list's field.
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
