//! Faults of a channel on its way to the sequencer: sequencer and plant have no knowledge of them.

use seathold_sequencer::input::{Sample, SensorFault};

/// Fault of a channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
pub enum ChannelFault {
    /// Broken wire.
    Open,
    /// Short circuit.
    Short,
    /// The sensor's supply is too low.
    BrownOut,
    /// Constant counts, with running numbers.
    Stuck,
    /// Every conversion off by this many counts.
    Spike(i32),
    /// Conversions are made but do not arrive.
    Lost,
    /// The same conversion, number and all, is repeated.
    Repeated,
}

/// Fault injection into a channel on its way to the sequencer.
#[derive(Clone, Copy, Debug, Default)]
pub struct ChannelFaultInjector {
    /// The injected fault, if any.
    pub fault: Option<ChannelFault>,
    last: Option<Sample>,
}

impl ChannelFaultInjector {
    /// No fault.
    pub const SOUND: Self = Self { fault: None, last: None };

    /// Passes a reading on, with the fault applied.
    ///
    /// # Errors
    /// As for [`seathold_sequencer::io::Hardware::far`].
    pub fn pass(&mut self, reading: nb::Result<Sample, SensorFault>) -> nb::Result<Sample, SensorFault> {
        let sample = reading?;
        let last = *self.last.get_or_insert(sample);
        let arrives = match self.fault {
            None => sample,
            Some(ChannelFault::Open) => return Err(nb::Error::Other(SensorFault::Open)),
            Some(ChannelFault::Short) => return Err(nb::Error::Other(SensorFault::Short)),
            Some(ChannelFault::BrownOut) => return Err(nb::Error::Other(SensorFault::BrownOut)),
            Some(ChannelFault::Stuck) => Sample { counts: last.counts, ..sample },
            Some(ChannelFault::Spike(counts)) => {
                return Ok(Sample { counts: sample.counts.saturating_add(counts), ..sample });
            }
            Some(ChannelFault::Lost) => return Err(nb::Error::WouldBlock),
            Some(ChannelFault::Repeated) => return Ok(last),
        };
        self.last = Some(arrives);
        Ok(arrives)
    }
}
