//! A block of polls as columns. What is regular costs nothing: polls at an even period and conversions numbered one by
//! one are runs; readings are differences, mostly of half a byte. After a block follow its events
//! ([`EventLog`](super::EventLog)).

use std::fmt;
use std::marker::PhantomData;

use seathold_sequencer::input::{Command, Contacts, Inputs, Prompt, Reading, Sample, SensorFault, Sides};
use seathold_sequencer::output::{Coil, GasValve, Outputs, Pilot};
use seathold_sequencer::time::Instant;
use serde::de::{Error as _, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize};

use super::Poll;
use super::nibbles::{NibbleWriter, sums};

/// Polls in a block: a few seconds, which is what a power cut on the host can lose.
pub(crate) const BLOCK: usize = 256;

/// `(how many times, the step)`.
type RunLength<T> = (u32, T);

/// A block as serialised, by postcard 1.x in this order. In the file the names first used in its events go before it.
#[derive(Debug, Default, Serialize, Deserialize)]
pub(crate) struct PollBlock {
    /// How many polls.
    count: u32,
    /// Microseconds of the first poll.
    first_us: u64,
    /// Microseconds between polls.
    #[serde(deserialize_with = "one_a_poll")]
    gaps: Vec<RunLength<u64>>,
    far: ChannelColumn,
    supply: ChannelColumn,
    thermometer: ChannelColumn,
    /// `(poll, bits)` at the first poll and wherever they change: stop 1, guard closed 2, valve shut 4, link up 8.
    #[serde(deserialize_with = "one_a_poll")]
    contacts: Vec<(u32, u8)>,
    /// `(poll, bits)` likewise: supply open 1, vent open 2, pilot fed 4.
    #[serde(deserialize_with = "one_a_poll")]
    outputs: Vec<(u32, u8)>,
    /// `(poll, code)`.
    #[serde(deserialize_with = "one_a_poll")]
    commands: Vec<(u32, u8)>,
}

/// One analogue channel.
#[derive(Debug, Default, Serialize, Deserialize)]
struct ChannelColumn {
    /// Polls from one conversion to the next, beginning one before the block.
    #[serde(deserialize_with = "one_a_poll")]
    places: Vec<RunLength<u32>>,
    /// Running number of the first conversion, then differences.
    #[serde(deserialize_with = "one_a_poll")]
    numbers: Vec<RunLength<u32>>,
    /// How many conversions.
    conversions: u32,
    /// Counts of the first conversion, then differences, in half bytes.
    #[serde(with = "serde_bytes")]
    counts: Vec<u8>,
    /// `(poll, fault code)`.
    #[serde(deserialize_with = "one_a_poll")]
    sensor_faults: Vec<(u32, u8)>,
}

/// No list of a block has more items than the block has polls; in memory they take many times their bytes in the file.
fn one_a_poll<'de, D: Deserializer<'de>, T: Deserialize<'de>>(from: D) -> Result<Vec<T>, D::Error> {
    struct List<T>(PhantomData<T>);

    impl<'de, T: Deserialize<'de>> Visitor<'de> for List<T> {
        type Value = Vec<T>;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            write!(f, "at most {BLOCK} items")
        }

        fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Vec<T>, A::Error> {
            let mut list = Vec::new();
            while let Some(item) = items.next_element()? {
                if list.len() == BLOCK {
                    return Err(A::Error::invalid_length(list.len() + 1, &self));
                }
                list.push(item);
            }
            Ok(list)
        }
    }

    from.deserialize_seq(List(PhantomData))
}

fn extend<T: PartialEq>(runs: &mut Vec<RunLength<T>>, step: T) {
    match runs.last_mut() {
        Some((times, last)) if *last == step => *times += 1,
        _ => runs.push((1, step)),
    }
}

impl ChannelColumn {
    fn pack(polls: &[Poll], channel: fn(&Inputs) -> Reading) -> Self {
        let mut column = Self::default();
        let mut differences = NibbleWriter::default();
        let (mut place, mut number, mut counts) = (0_u32, 0_u32, 0_i32);
        for (i, poll) in (0_u32..).zip(polls) {
            match channel(&poll.inputs) {
                Reading::NoSample => {}
                Reading::SensorFault(fault) => column.sensor_faults.push((i, fault_code(fault))),
                Reading::Sample(sample) => {
                    extend(&mut column.places, i + 1 - place);
                    extend(&mut column.numbers, sample.number.wrapping_sub(number));
                    differences.push(sample.counts.wrapping_sub(counts));
                    column.conversions += 1;
                    (place, number, counts) = (i + 1, sample.number, sample.counts);
                }
            }
        }
        column.counts = differences.finish();
        column
    }

    /// Into prepared polls; `counts` is a work buffer.
    fn unpack(
        &self,
        polls: &mut [Poll],
        counts: &mut Vec<i32>,
        channel: impl Fn(&mut Inputs) -> &mut Reading,
    ) -> Option<()> {
        let conversions = self.conversions as usize;
        // One a poll at most.
        if conversions > polls.len() {
            return None;
        }
        sums(&self.counts, conversions, counts)?;
        let mut counts = counts.as_slice();
        let (mut places, mut numbers) = (self.places.iter().copied(), self.numbers.iter().copied());
        let (mut place_run, mut number_run) = ((0_u32, 0_u32), (0_u32, 0_u32));
        let (mut next, mut number) = (0_usize, 0_u32);
        while !counts.is_empty() {
            while place_run.0 == 0 {
                place_run = places.next()?;
            }
            while number_run.0 == 0 {
                number_run = numbers.next()?;
            }
            let step = (place_run.1 as usize).checked_sub(1)?;
            let alike = (place_run.0.min(number_run.0) as usize).min(counts.len());
            let (now, rest) = counts.split_at_checked(alike)?;
            // At least as many polls as conversions.
            let last = (place_run.1 as usize).checked_mul(alike)?.checked_add(next)?.checked_sub(1)?;
            let there = polls.get_mut(next.checked_add(step)?..=last)?;
            for (poll, counts) in there.iter_mut().step_by(step + 1).zip(now) {
                number = number.wrapping_add(number_run.1);
                *channel(&mut poll.inputs) = Reading::Sample(Sample { counts: *counts, number });
            }
            (next, counts) = (last + 1, rest);
            place_run.0 -= alike as u32;
            number_run.0 -= alike as u32;
        }
        for (i, code) in &self.sensor_faults {
            *channel(&mut polls.get_mut(*i as usize)?.inputs) = Reading::SensorFault(fault(*code)?);
        }
        Some(())
    }
}

/// `(poll, bits)` at the first poll and at each change.
fn changes(polls: &[Poll], bits: fn(&Poll) -> u8) -> Vec<(u32, u8)> {
    let mut list: Vec<(u32, u8)> = Vec::new();
    for (i, poll) in (0_u32..).zip(polls) {
        let now = bits(poll);
        if list.last().is_none_or(|(_, last)| *last != now) {
            list.push((i, now));
        }
    }
    list
}

fn spread(list: &[(u32, u8)], polls: &mut [Poll], set: impl Fn(&mut Poll, u8)) -> Option<()> {
    for (at, (i, bits)) in list.iter().enumerate() {
        let end = list.get(at + 1).map_or(polls.len(), |next| next.0 as usize);
        for poll in polls.get_mut(*i as usize..end)? {
            set(poll, *bits);
        }
    }
    Some(())
}

impl PollBlock {
    /// Packs polls.
    pub(crate) fn pack(polls: &[Poll]) -> Self {
        let mut gaps = Vec::new();
        for pair in polls.windows(2) {
            extend(&mut gaps, pair[1].at.as_ticks().wrapping_sub(pair[0].at.as_ticks()));
        }
        let indexed = || (0_u32..).zip(polls);
        Self {
            count: polls.len() as u32,
            first_us: polls.first().map_or(0, |p| p.at.as_ticks()),
            gaps,
            far: ChannelColumn::pack(polls, |i| i.far),
            supply: ChannelColumn::pack(polls, |i| i.supply),
            thermometer: ChannelColumn::pack(polls, |i| i.thermometer),
            contacts: changes(polls, |p| contact_bits(&p.inputs)),
            outputs: changes(polls, |p| output_bits(p.outputs)),
            commands: indexed().filter_map(|(i, p)| Some((i, command_code(p.inputs.command?)))).collect(),
        }
    }

    /// Adds the polls to those that came before. `None` where the block contradicts itself; then none are added.
    pub(crate) fn unpack(self, onto: &mut Vec<Poll>) -> Option<()> {
        let before = onto.len();
        let whole = self.lay_out(onto, before);
        if whole.is_none() {
            onto.truncate(before);
        }
        whole
    }

    fn lay_out(self, onto: &mut Vec<Poll>, before: usize) -> Option<()> {
        let count = self.count as usize;
        if count > BLOCK {
            return None;
        }
        let mut at = self.first_us;
        let poll = |at| {
            let (inputs, outputs) = (Inputs::IDLE, Outputs::REST);
            Poll { at: Instant::from_ticks(at), inputs, outputs }
        };
        onto.extend((count > 0).then(|| poll(at)));
        for (times, gap) in self.gaps {
            // No memory is reserved for a count of four thousand million.
            let left = before + count - onto.len();
            onto.extend((0..left.min(times as usize)).map(|_| {
                at = at.wrapping_add(gap);
                poll(at)
            }));
        }
        let polls = onto.get_mut(before..)?;
        if polls.len() != count {
            return None;
        }
        let mut counts = Vec::new();
        self.far.unpack(polls, &mut counts, |i| &mut i.far)?;
        self.supply.unpack(polls, &mut counts, |i| &mut i.supply)?;
        self.thermometer.unpack(polls, &mut counts, |i| &mut i.thermometer)?;
        spread(&self.contacts, polls, |p, bits| set_contacts(&mut p.inputs, bits))?;
        spread(&self.outputs, polls, |p, bits| p.outputs = outputs(bits))?;
        for (i, code) in self.commands {
            polls.get_mut(i as usize)?.inputs.command = Some(command(code)?);
        }
        Some(())
    }
}

fn contact_bits(inputs: &Inputs) -> u8 {
    let Contacts { stop, guard_closed, valve_shut } = inputs.contacts;
    u8::from(stop)
        | u8::from(guard_closed) << 1
        | u8::from(valve_shut) << 2
        | u8::from(inputs.link_up) << 3
        | u8::from(inputs.readback_mismatch) << 4
}

fn set_contacts(inputs: &mut Inputs, bits: u8) {
    let is = |bit: u8| bits & bit != 0;
    inputs.contacts = Contacts { stop: is(1), guard_closed: is(2), valve_shut: is(4) };
    inputs.link_up = is(8);
    inputs.readback_mismatch = is(16);
}

fn output_bits(outputs: Outputs) -> u8 {
    let supply = u8::from(outputs.supply == GasValve::Open);
    let vent = u8::from(outputs.vent == GasValve::Open);
    let pilot = u8::from(outputs.pilot == Pilot::Fed);
    supply | vent << 1 | pilot << 2
}

fn outputs(bits: u8) -> Outputs {
    let gate = |bit: u8| if bits & bit != 0 { GasValve::Open } else { GasValve::Shut };
    Outputs { supply: gate(1), vent: gate(2), pilot: if bits & 4 != 0 { Pilot::Fed } else { Pilot::Exhausted } }
}

/// Commands by code; a position in this list is part of the format.
const COMMANDS: [Command; 14] = [
    Command::Start(Sides::Both),
    Command::Start(Sides::First),
    Command::Start(Sides::Second),
    Command::Confirm(Prompt::OpenValve),
    Command::Confirm(Prompt::ShutValve),
    Command::Confirm(Prompt::OpenToVent),
    Command::Confirm(Prompt::WorkLever),
    Command::Confirm(Prompt::SwapEnds),
    Command::Abort,
    Command::Acknowledge,
    Command::TestOutput(Coil::Supply),
    Command::TestOutput(Coil::Vent),
    Command::TestOutput(Coil::Pilot),
    Command::Confirm(Prompt::OpenBleed),
];

/// Written out, not searched for in [`COMMANDS`], so that the compiler asks for a code when a command is added.
const fn command_code(command: Command) -> u8 {
    match command {
        Command::Start(Sides::Both) => 0,
        Command::Start(Sides::First) => 1,
        Command::Start(Sides::Second) => 2,
        Command::Confirm(Prompt::OpenValve) => 3,
        Command::Confirm(Prompt::ShutValve) => 4,
        Command::Confirm(Prompt::OpenToVent) => 5,
        Command::Confirm(Prompt::WorkLever) => 6,
        Command::Confirm(Prompt::SwapEnds) => 7,
        Command::Abort => 8,
        Command::Acknowledge => 9,
        Command::TestOutput(Coil::Supply) => 10,
        Command::TestOutput(Coil::Vent) => 11,
        Command::TestOutput(Coil::Pilot) => 12,
        Command::Confirm(Prompt::OpenBleed) => 13,
    }
}

fn command(code: u8) -> Option<Command> {
    COMMANDS.get(usize::from(code)).copied()
}

/// Sensor faults by code, likewise.
const FAULTS: [SensorFault; 4] = [SensorFault::Open, SensorFault::Short, SensorFault::BrownOut, SensorFault::Device];

const fn fault_code(fault: SensorFault) -> u8 {
    match fault {
        SensorFault::Open => 0,
        SensorFault::Short => 1,
        SensorFault::BrownOut => 2,
        SensorFault::Device => 3,
    }
}

fn fault(code: u8) -> Option<SensorFault> {
    FAULTS.get(usize::from(code)).copied()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn codes_and_lists_agree() {
        for (code, command) in (0u8..).zip(COMMANDS) {
            assert_eq!(command_code(command), code);
        }
        for (code, fault) in (0u8..).zip(FAULTS) {
            assert_eq!(fault_code(fault), code);
        }
    }

    /// Recordings of before were written, and are read by others, as lists.
    #[test]
    fn bytes_on_disk_are_those_of_a_list() {
        #[derive(Debug, PartialEq, Serialize, Deserialize)]
        struct Whole(#[serde(with = "serde_bytes")] Vec<u8>);

        let list: Vec<u8> = (0..=255).collect();
        let written = postcard::to_stdvec(&list).unwrap();
        assert_eq!(postcard::to_stdvec(&Whole(list.clone())).unwrap(), written);
        assert_eq!(postcard::from_bytes::<Whole>(&written).unwrap(), Whole(list));
        assert!(postcard::from_bytes::<Whole>(&written[..9]).is_err());
    }

    fn reading() -> impl Strategy<Value = Reading> {
        prop_oneof![
            Just(Reading::NoSample),
            (any::<i32>(), any::<u32>()).prop_map(|(counts, number)| Reading::sample(counts, number)),
            (0..4usize).prop_map(|f| Reading::SensorFault(FAULTS[f])),
        ]
    }

    prop_compose! {
        fn poll()(
            at: u64,
            far in reading(),
            supply in reading(),
            thermometer in reading(),
            contacts in 0u8..16,
            set in 0u8..8,
            command in proptest::option::of(0usize..10),
        ) -> Poll {
            let mut inputs = Inputs { far, supply, thermometer, command: command.map(|c| COMMANDS[c]), ..Inputs::IDLE };
            set_contacts(&mut inputs, contacts);
            Poll { at: Instant::from_ticks(at), inputs, outputs: outputs(set) }
        }
    }

    proptest! {
        /// Whatever was polled comes back, clock jumps, repeats and all.
        #[test]
        fn any_polls_come_back(polls in proptest::collection::vec(poll(), 1..40)) {
            let bytes = postcard::to_stdvec(&PollBlock::pack(&polls)).unwrap();
            let block: PollBlock = postcard::from_bytes(&bytes).unwrap();
            let mut back = polls.clone();
            block.unpack(&mut back).unwrap();
            prop_assert_eq!(&back[polls.len()..], &polls[..]);
        }

        /// A block of any bytes unpacks or is refused.
        #[test]
        fn any_bytes_are_polls_or_refused(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            if let Ok(block) = postcard::from_bytes::<PollBlock>(&bytes) {
                let mut polls = Vec::new();
                if block.unpack(&mut polls).is_none() {
                    prop_assert_eq!(polls, []);
                }
            }
        }
    }
}
