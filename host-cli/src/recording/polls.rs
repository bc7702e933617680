//! A block of polls as columns. What is regular costs nothing: polls at an even pace and conversions numbered one by
//! one are runs; readings are differences, mostly of half a byte.

use seathold_sequencer::input::{Ask, Command, Contacts, Inputs, Reading, Sample, SensorFault, Sides};
use seathold_sequencer::output::{Coil, Gate, Outputs, Pilot};
use seathold_sequencer::time::Instant;
use serde::{Deserialize, Serialize};

use super::Poll;
use super::nibbles::{Packer, Unpacker};
use super::tree::Node;

/// Polls in a block: a few seconds, which is what a power cut on the host can lose.
pub const BLOCK: usize = 256;

/// `(how many times, the step)`.
type Run<T> = (u32, T);

/// A block as serialised, by postcard 1.x in this order.
#[derive(Debug, Default, Serialize, Deserialize)]
pub struct Block {
    /// Names first used in this block's events.
    pub names: Vec<String>,
    /// How many polls.
    pub count: u32,
    /// Microseconds of the first poll.
    first_us: u64,
    /// Microseconds between polls.
    gaps: Vec<Run<u64>>,
    far: Column,
    supply: Column,
    thermometer: Column,
    /// `(poll, bits)` at the first poll and wherever they change: stop 1, guard closed 2, valve shut 4, link up 8.
    contacts: Vec<(u32, u8)>,
    /// `(poll, bits)` likewise: supply open 1, vent open 2, pilot fed 4.
    outputs: Vec<(u32, u8)>,
    /// `(poll, code)`.
    commands: Vec<(u32, u8)>,
    /// `(poll, event)`, in order.
    events: Vec<(u32, Node)>,
}

/// One analogue channel.
#[derive(Debug, Default, Serialize, Deserialize)]
struct Column {
    /// Polls from one conversion to the next, beginning one before the block.
    places: Vec<Run<u32>>,
    /// Running number of the first conversion, then differences.
    numbers: Vec<Run<u32>>,
    /// How many conversions.
    conversions: u32,
    /// Counts of the first conversion, then differences, in half bytes.
    counts: Vec<u8>,
    /// `(poll, fault code)`.
    sick: Vec<(u32, u8)>,
}

fn extend<T: PartialEq>(runs: &mut Vec<Run<T>>, step: T) {
    match runs.last_mut() {
        Some((times, last)) if *last == step => *times += 1,
        _ => runs.push((1, step)),
    }
}

/// The steps of a run-length list, as long as they are wanted; a count of four thousand million is never laid out.
fn steps<T: Copy>(runs: &[Run<T>]) -> impl Iterator<Item = T> + '_ {
    runs.iter().flat_map(|(times, step)| std::iter::repeat_n(*step, *times as usize))
}

impl Column {
    fn pack(polls: &[Poll], channel: fn(&Inputs) -> Reading) -> Self {
        let mut column = Self::default();
        let mut differences = Packer::default();
        let (mut place, mut number, mut counts) = (0_u32, 0_u32, 0_i32);
        for (i, poll) in (0_u32..).zip(polls) {
            match channel(&poll.inputs) {
                Reading::Waiting => {}
                Reading::Sick(fault) => column.sick.push((i, fault_code(fault))),
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

    fn unpack(&self, polls: &mut [Poll], channel: fn(&mut Inputs) -> &mut Reading) -> Option<()> {
        let (mut place, mut number, mut counts) = (0_u32, 0_u32, 0_i32);
        let mut places = steps(&self.places);
        let mut numbers = steps(&self.numbers);
        let mut differences = Unpacker::new(&self.counts);
        for _ in 0..self.conversions {
            place = place.checked_add(places.next()?)?;
            number = number.wrapping_add(numbers.next()?);
            counts = counts.wrapping_add(differences.next()?);
            let poll = polls.get_mut(place.checked_sub(1)? as usize)?;
            *channel(&mut poll.inputs) = Reading::Sample(Sample { counts, number });
        }
        for (i, code) in &self.sick {
            *channel(&mut polls.get_mut(*i as usize)?.inputs) = Reading::Sick(fault(*code)?);
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

fn spread(list: &[(u32, u8)], polls: &mut [Poll], set: fn(&mut Poll, u8)) -> Option<()> {
    for (at, (i, bits)) in list.iter().enumerate() {
        let end = list.get(at + 1).map_or(polls.len(), |next| next.0 as usize);
        for poll in polls.get_mut(*i as usize..end)? {
            set(poll, *bits);
        }
    }
    Some(())
}

impl Block {
    /// Packs polls.
    pub fn pack(polls: &[Poll], names: Vec<String>) -> Self {
        let mut gaps = Vec::new();
        for pair in polls.windows(2) {
            extend(&mut gaps, pair[1].at.as_ticks().wrapping_sub(pair[0].at.as_ticks()));
        }
        let indexed = || (0_u32..).zip(polls);
        Self {
            names,
            count: polls.len() as u32,
            first_us: polls.first().map_or(0, |p| p.at.as_ticks()),
            gaps,
            far: Column::pack(polls, |i| i.far),
            supply: Column::pack(polls, |i| i.supply),
            thermometer: Column::pack(polls, |i| i.thermometer),
            contacts: changes(polls, |p| contact_bits(&p.inputs)),
            outputs: changes(polls, |p| output_bits(p.outputs)),
            commands: indexed().filter_map(|(i, p)| Some((i, command_code(p.inputs.command?)))).collect(),
            events: indexed().flat_map(|(i, p)| p.events.iter().map(move |e| (i, e.clone()))).collect(),
        }
    }

    /// Unpacks polls. `None` where the block contradicts itself.
    pub fn unpack(self) -> Option<Vec<Poll>> {
        if self.count as usize > BLOCK {
            return None;
        }
        let mut gaps = steps(&self.gaps);
        let mut at = self.first_us;
        let mut polls = Vec::with_capacity(self.count as usize);
        for i in 0..self.count {
            if i > 0 {
                at = at.wrapping_add(gaps.next()?);
            }
            let (inputs, outputs) = (Inputs::IDLE, Outputs::REST);
            polls.push(Poll { at: Instant::from_ticks(at), inputs, outputs, events: Vec::new() });
        }
        self.far.unpack(&mut polls, |i| &mut i.far)?;
        self.supply.unpack(&mut polls, |i| &mut i.supply)?;
        self.thermometer.unpack(&mut polls, |i| &mut i.thermometer)?;
        spread(&self.contacts, &mut polls, |p, bits| set_contacts(&mut p.inputs, bits))?;
        spread(&self.outputs, &mut polls, |p, bits| p.outputs = outputs(bits))?;
        for (i, code) in self.commands {
            polls.get_mut(i as usize)?.inputs.command = Some(command(code)?);
        }
        for (i, event) in self.events {
            polls.get_mut(i as usize)?.events.push(event);
        }
        Some(polls)
    }
}

fn contact_bits(inputs: &Inputs) -> u8 {
    let Contacts { stop, guard_closed, valve_shut } = inputs.contacts;
    u8::from(stop)
        | u8::from(guard_closed) << 1
        | u8::from(valve_shut) << 2
        | u8::from(inputs.link_up) << 3
        | u8::from(inputs.outputs_differ) << 4
}

fn set_contacts(inputs: &mut Inputs, bits: u8) {
    let is = |bit: u8| bits & bit != 0;
    inputs.contacts = Contacts { stop: is(1), guard_closed: is(2), valve_shut: is(4) };
    inputs.link_up = is(8);
    inputs.outputs_differ = is(16);
}

fn output_bits(outputs: Outputs) -> u8 {
    let supply = u8::from(outputs.supply == Gate::Open);
    let vent = u8::from(outputs.vent == Gate::Open);
    let pilot = u8::from(outputs.pilot == Pilot::Fed);
    supply | vent << 1 | pilot << 2
}

fn outputs(bits: u8) -> Outputs {
    let gate = |bit: u8| if bits & bit != 0 { Gate::Open } else { Gate::Shut };
    Outputs { supply: gate(1), vent: gate(2), pilot: if bits & 4 != 0 { Pilot::Fed } else { Pilot::Exhausted } }
}

/// Commands by code; a place in this list is part of the format.
const COMMANDS: [Command; 13] = [
    Command::Start(Sides::Both),
    Command::Start(Sides::First),
    Command::Start(Sides::Second),
    Command::Confirm(Ask::OpenValve),
    Command::Confirm(Ask::ShutValve),
    Command::Confirm(Ask::OpenToVent),
    Command::Confirm(Ask::WorkLever),
    Command::Confirm(Ask::SwapEnds),
    Command::Abort,
    Command::Acknowledge,
    Command::Work(Coil::Supply),
    Command::Work(Coil::Vent),
    Command::Work(Coil::Pilot),
];

/// Written out, not searched for in [`COMMANDS`], so that the compiler asks for a code when a command is added.
const fn command_code(command: Command) -> u8 {
    match command {
        Command::Start(Sides::Both) => 0,
        Command::Start(Sides::First) => 1,
        Command::Start(Sides::Second) => 2,
        Command::Confirm(Ask::OpenValve) => 3,
        Command::Confirm(Ask::ShutValve) => 4,
        Command::Confirm(Ask::OpenToVent) => 5,
        Command::Confirm(Ask::WorkLever) => 6,
        Command::Confirm(Ask::SwapEnds) => 7,
        Command::Abort => 8,
        Command::Acknowledge => 9,
        Command::Work(Coil::Supply) => 10,
        Command::Work(Coil::Vent) => 11,
        Command::Work(Coil::Pilot) => 12,
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

    fn reading() -> impl Strategy<Value = Reading> {
        prop_oneof![
            Just(Reading::Waiting),
            (any::<i32>(), any::<u32>()).prop_map(|(counts, number)| Reading::sample(counts, number)),
            (0..4usize).prop_map(|f| Reading::Sick(FAULTS[f])),
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
            events in proptest::collection::vec((any::<i64>(), any::<u32>()), 0..3),
        ) -> Poll {
            let mut inputs = Inputs { far, supply, thermometer, command: command.map(|c| COMMANDS[c]), ..Inputs::IDLE };
            set_contacts(&mut inputs, contacts);
            let events = events.into_iter().map(|(w, n)| Node::Map(vec![(n, Node::Whole(w))])).collect();
            Poll { at: Instant::from_ticks(at), inputs, outputs: outputs(set), events }
        }
    }

    proptest! {
        /// Whatever was polled comes back, clock jumps, repeats and all.
        #[test]
        fn any_polls_come_back(polls in proptest::collection::vec(poll(), 1..40)) {
            let bytes = postcard::to_stdvec(&Block::pack(&polls, vec!["x".into()])).unwrap();
            let block: Block = postcard::from_bytes(&bytes).unwrap();
            prop_assert_eq!(block.unpack().unwrap(), polls);
        }

        /// A block of any bytes unpacks or is refused.
        #[test]
        fn any_bytes_are_polls_or_refused(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            if let Ok(block) = postcard::from_bytes::<Block>(&bytes) {
                let _ = block.unpack();
            }
        }
    }
}
