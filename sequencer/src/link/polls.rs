//! A series of polls in a few bytes each: differences from the poll before.
//!
//! ```text
//! varint   time of the first poll, in microseconds
//! then for each poll:
//!   head   bit 0     the time step has changed: signed varint of the change, in microseconds
//!          bits 1-2  far side: 0 no sample; 1 the next conversion: signed varint of the change in counts;
//!                    2 any other conversion: varint of the step in its number, then as 1; 3 a sensor fault
//!          bits 3-4  supply side, the same
//!          bit 5     the thermometer's reading follows
//!          bit 6     contacts, link or outputs have changed: a byte of bits follows
//!          bit 7     a command follows
//!   the items announced by the head, in the order of its bits
//! ```
//!
//! Varints, signed varints (zigzag), faults, readings and commands are postcard's. The bits are, from the lowest: stop,
//! guard closed, valve shut, link up, supply open, vent open, pilot fed, read-back mismatch. A series begins as if the
//! poll before had step, counts, numbers and bits of zero, so each can be read without any other.

use super::write;
use crate::input::{Contacts, Inputs, Reading, Sample, SensorFault};
use crate::output::{GasValve, Outputs, Pilot};
use crate::poll_loop::PollRecord;
use crate::time::Instant;
use serde::{Deserialize, Serialize};

/// Longest series, in bytes.
pub(crate) const SERIES_MAX: usize = 160;

/// Longest time a series covers, in microseconds: the greatest lag of a display.
pub(crate) const SPAN_MAX_US: u64 = 250_000;

/// Room for the longest single poll: head, 10 + 2·(5 + 5) for time and samples, 11 for a thermometer, 1 for bits, 3 for
/// a command.
const POLL_MAX: usize = 48;

/// The stored part of one poll.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Poll {
    /// Time.
    pub at: Instant,
    /// Inputs read.
    pub inputs: Inputs,
    /// Outputs set.
    pub outputs: Outputs,
}

impl From<&PollRecord> for Poll {
    fn from(record: &PollRecord) -> Self {
        Self { at: record.at, inputs: record.inputs, outputs: record.outputs }
    }
}

/// The reference of the differences.
#[derive(Clone, Copy, Debug)]
struct Before {
    at: u64,
    step: u64,
    far: Sample,
    supply: Sample,
    bits: u8,
}

impl Before {
    const NOTHING: Self =
        Self { at: 0, step: 0, far: Sample { counts: 0, number: 0 }, supply: Sample { counts: 0, number: 0 }, bits: 0 };
}

/// Packs polls into a series.
#[derive(Debug)]
pub struct Packer {
    bytes: [u8; SERIES_MAX],
    len: usize,
    began: u64,
    before: Before,
}

impl Default for Packer {
    fn default() -> Self {
        Self { bytes: [0; SERIES_MAX], len: 0, began: 0, before: Before::NOTHING }
    }
}

impl Packer {
    /// Adds a poll. False when the series is full: take it, and add the poll to the next.
    #[must_use]
    pub fn push(&mut self, poll: &Poll) -> bool {
        if self.len + POLL_MAX > SERIES_MAX {
            return false;
        }
        let len = self.len;
        let fitted = self.write(poll).is_some();
        if !fitted {
            self.len = len;
        }
        fitted
    }

    /// Whether the series has lasted long enough to be sent.
    pub(crate) fn is_due(&self) -> bool {
        self.len > 0 && self.before.at.wrapping_sub(self.began) >= SPAN_MAX_US
    }

    /// The series so far, or `None` if it is empty.
    pub fn series(&self) -> Option<&[u8]> {
        self.bytes.get(..self.len).filter(|bytes| !bytes.is_empty())
    }

    /// Begins the next series.
    pub fn clear(&mut self) {
        self.len = 0;
        self.before = Before::NOTHING;
    }

    fn write(&mut self, poll: &Poll) -> Option<()> {
        let at = poll.at.as_ticks();
        if self.len == 0 {
            self.put(&at)?;
            self.began = at;
            self.before.at = at;
        }
        let before = self.before;
        let step = at.wrapping_sub(before.at);
        let bits = bits(poll);
        let (far, supply) = (kind(poll.inputs.far, before.far), kind(poll.inputs.supply, before.supply));
        let thermometer = poll.inputs.thermometer != Reading::NoSample;
        let head = u8::from(step != before.step)
            | far << 1
            | supply << 3
            | u8::from(thermometer) << 5
            | u8::from(bits != before.bits) << 6
            | u8::from(poll.inputs.command.is_some()) << 7;
        self.put(&head)?;
        if step != before.step {
            self.put(&(step.wrapping_sub(before.step) as i64))?;
        }
        self.put_reading(poll.inputs.far, before.far)?;
        self.put_reading(poll.inputs.supply, before.supply)?;
        if thermometer {
            self.put(&poll.inputs.thermometer)?;
        }
        if bits != before.bits {
            self.put(&bits)?;
        }
        if let Some(command) = poll.inputs.command {
            self.put(&command)?;
        }
        self.before = Before {
            at,
            step,
            far: sample_or(poll.inputs.far, before.far),
            supply: sample_or(poll.inputs.supply, before.supply),
            bits,
        };
        Some(())
    }

    fn put_reading(&mut self, reading: Reading, before: Sample) -> Option<()> {
        match reading {
            Reading::NoSample => Some(()),
            Reading::SensorFault(fault) => self.put(&fault),
            Reading::Sample(sample) => {
                let numbers = sample.number.wrapping_sub(before.number);
                if numbers != 1 {
                    self.put(&numbers)?;
                }
                self.put(&sample.counts.wrapping_sub(before.counts))
            }
        }
    }

    fn put<T: Serialize>(&mut self, value: &T) -> Option<()> {
        let room = self.bytes.get_mut(self.len..)?;
        self.len += write::to_slice(value, room)?.len();
        Some(())
    }
}

fn kind(reading: Reading, before: Sample) -> u8 {
    match reading {
        Reading::NoSample => 0,
        Reading::Sample(sample) if sample.number.wrapping_sub(before.number) == 1 => 1,
        Reading::Sample(_) => 2,
        Reading::SensorFault(_) => 3,
    }
}

fn sample_or(reading: Reading, before: Sample) -> Sample {
    if let Reading::Sample(sample) = reading { sample } else { before }
}

fn bits(poll: &Poll) -> u8 {
    let Contacts { stop, guard_closed, valve_shut } = poll.inputs.contacts;
    u8::from(stop)
        | u8::from(guard_closed) << 1
        | u8::from(valve_shut) << 2
        | u8::from(poll.inputs.link_up) << 3
        | u8::from(poll.outputs.supply == GasValve::Open) << 4
        | u8::from(poll.outputs.vent == GasValve::Open) << 5
        | u8::from(poll.outputs.pilot == Pilot::Fed) << 6
        | u8::from(poll.inputs.readback_mismatch) << 7
}

/// The polls of a series. Ends early, with [`Polls::is_broken`], where the bytes are invalid.
#[derive(Clone, Debug)]
pub struct Polls<'a> {
    rest: &'a [u8],
    before: Before,
    broken: bool,
}

impl<'a> Polls<'a> {
    /// Reads a series.
    pub fn new(series: &'a [u8]) -> Self {
        let mut polls = Self { rest: series, before: Before::NOTHING, broken: false };
        match polls.get() {
            Some(at) => polls.before.at = at,
            None => polls.broken = true,
        }
        polls
    }

    /// Whether the bytes were invalid at some place.
    pub const fn is_broken(&self) -> bool {
        self.broken
    }

    fn get<T: Deserialize<'a>>(&mut self) -> Option<T> {
        let (value, rest) = postcard::take_from_bytes(self.rest).ok()?;
        self.rest = rest;
        Some(value)
    }

    fn read(&mut self) -> Option<Poll> {
        let head: u8 = self.get()?;
        let mut now = self.before;
        if head & 1 != 0 {
            now.step = now.step.wrapping_add(self.get::<i64>()? as u64);
        }
        now.at = now.at.wrapping_add(now.step);
        let far = self.reading(head >> 1 & 3, &mut now.far)?;
        let supply = self.reading(head >> 3 & 3, &mut now.supply)?;
        let thermometer = if head & 1 << 5 != 0 { self.get()? } else { Reading::NoSample };
        if head & 1 << 6 != 0 {
            now.bits = self.get()?;
        }
        let command = if head & 1 << 7 != 0 { Some(self.get()?) } else { None };
        self.before = now;
        let bit = |n: u8| now.bits & 1 << n != 0;
        let valve = |open| if open { GasValve::Open } else { GasValve::Shut };
        Some(Poll {
            at: Instant::from_ticks(now.at),
            inputs: Inputs {
                far,
                supply,
                thermometer,
                contacts: Contacts { stop: bit(0), guard_closed: bit(1), valve_shut: bit(2) },
                readback_mismatch: bit(7),
                link_up: bit(3),
                command,
            },
            outputs: Outputs {
                supply: valve(bit(4)),
                vent: valve(bit(5)),
                pilot: if bit(6) { Pilot::Fed } else { Pilot::Exhausted },
            },
        })
    }

    fn reading(&mut self, kind: u8, before: &mut Sample) -> Option<Reading> {
        let numbers = match kind {
            0 => return Some(Reading::NoSample),
            1 => 1,
            2 => self.get()?,
            _ => return Some(Reading::SensorFault(self.get::<SensorFault>()?)),
        };
        let change: i32 = self.get()?;
        before.number = before.number.wrapping_add(numbers);
        before.counts = before.counts.wrapping_add(change);
        Some(Reading::Sample(*before))
    }
}

impl Iterator for Polls<'_> {
    type Item = Poll;

    fn next(&mut self) -> Option<Poll> {
        if self.broken || self.rest.is_empty() {
            return None;
        }
        let poll = self.read();
        self.broken = poll.is_none();
        poll
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use crate::input::{Command, Prompt, Sides};
    use proptest::prelude::*;
    use std::vec::Vec;

    fn reading() -> impl Strategy<Value = Reading> {
        let fault = prop_oneof![
            Just(SensorFault::Open),
            Just(SensorFault::Short),
            Just(SensorFault::BrownOut),
            Just(SensorFault::Device)
        ];
        prop_oneof![
            Just(Reading::NoSample),
            (any::<i32>(), any::<u32>()).prop_map(|(c, n)| Reading::sample(c, n)),
            fault.prop_map(Reading::SensorFault)
        ]
    }

    fn command() -> impl Strategy<Value = Option<Command>> {
        prop_oneof![
            3 => Just(None),
            1 => Just(Some(Command::Start(Sides::Both))),
            1 => Just(Some(Command::Confirm(Prompt::SwapEnds))),
            1 => Just(Some(Command::Abort))
        ]
    }

    prop_compose! {
        fn poll()(at in any::<u64>(), far in reading(), supply in reading(), thermometer in reading(), bits in any::<u8>(), command in command()) -> Poll {
            let bit = |n: u8| bits >> n & 1 != 0;
            let valve = |open| if open { GasValve::Open } else { GasValve::Shut };
            Poll {
                at: Instant::from_ticks(at),
                inputs: Inputs {
                    far, supply, thermometer,
                    contacts: Contacts { stop: bit(0), guard_closed: bit(1), valve_shut: bit(2) },
                    readback_mismatch: bit(7),
                    link_up: bit(3),
                    command,
                },
                outputs: Outputs { supply: valve(bit(4)), vent: valve(bit(5)), pilot: if bit(6) { Pilot::Fed } else { Pilot::Exhausted } },
            }
        }
    }

    proptest! {
        /// Any polls, even ones no rig could give, are decoded bit for bit.
        #[test]
        fn polls_are_decoded(polls in prop::collection::vec(poll(), 1..80)) {
            let mut packer = Packer::default();
            let mut back = Vec::new();
            for poll in &polls {
                if !packer.push(poll) {
                    back.extend(Polls::new(packer.series().unwrap()));
                    packer.clear();
                    prop_assert!(packer.push(poll), "an empty series has room for any poll");
                }
            }
            back.extend(Polls::new(packer.series().unwrap()));
            prop_assert_eq!(back, polls);
        }

        /// Any bytes end in polls or in `is_broken`, never in a panic or an endless series.
        #[test]
        fn any_bytes_end(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
            let mut polls = Polls::new(&bytes);
            let count = polls.by_ref().count();
            prop_assert!(count <= bytes.len());
            prop_assert!(polls.is_broken() || count > 0 || !bytes.is_empty());
        }
    }

    #[test]
    fn an_ordinary_poll_takes_three_bytes() {
        let mut packer = Packer::default();
        let at = |i: u32| Poll {
            at: Instant::from_ticks(1_000_000 + u64::from(i) * 10_000),
            inputs: Inputs {
                far: Reading::sample(38_000 + (i % 5) as i32, i),
                supply: Reading::sample(3_277 - (i % 3) as i32, i),
                ..Inputs::IDLE
            },
            outputs: Outputs::REST,
        };
        for i in 0..25 {
            assert!(packer.push(&at(i)));
        }
        let series = packer.series().unwrap().len();
        // A time of three bytes, a first poll of 13 with absolute values, a step of three in the second.
        assert!(series <= 25 * 3 + 20, "{series} bytes for 25 polls");
    }
}
