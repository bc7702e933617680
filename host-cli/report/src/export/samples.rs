//! Polls as rows.

use seathold_recording::{Poll, Recording};
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Reading, Side};

/// A poll with its readings in physical units, and its phase.
#[derive(Clone, Copy, Debug)]
pub struct SampleRow {
    /// As recorded.
    pub poll: Poll,
    /// Far side, gauge pressure in pascals.
    pub far_pa: Option<i32>,
    /// The converter's counts and its number of the conversion.
    pub far: Option<(i32, u32)>,
    /// Supply side, gauge pressure in pascals.
    pub supply_pa: Option<i32>,
    /// Gas or wall temperature in kelvin.
    pub temperature_k: Option<f64>,
    /// The phase.
    pub phase: Option<Phase>,
    /// The side under test, where one is.
    pub side: Option<Side>,
}

/// Every poll of a recording.
pub fn samples(recording: &Recording) -> impl Iterator<Item = SampleRow> {
    let rig = &recording.header.rig;
    let mut next_event = recording.event_log.follow();
    recording.polls.iter().enumerate().scan((None, None), move |(phase, side), (number, poll)| {
        while let Some(event) = next_event(number) {
            if let Some(Event::Entered { phase: now, side: of }) = recording.names.typed(&event.node()) {
                (*phase, *side) = (Some(now), of);
            }
        }
        let far = match poll.inputs.far {
            Reading::Sample(sample) => Some((sample.counts, sample.number)),
            Reading::NoSample | Reading::SensorFault(_) => None,
        };
        let supply_pa = match (poll.inputs.supply, &rig.supply) {
            (Reading::Sample(s), Some(transducer)) => Some(transducer.pressure(s.counts).pascals()),
            _ => None,
        };
        let temperature_k = match (poll.inputs.thermometer, &rig.thermometer) {
            (Reading::Sample(s), Some(thermometer)) => Some(thermometer.temperature(s.counts).kelvin()),
            _ => None,
        };
        let far_pa = far.map(|(counts, _)| rig.far.pressure(counts).pascals());
        Some(SampleRow { poll, far_pa, far, supply_pa, temperature_k, phase: *phase, side: *side })
    })
}
