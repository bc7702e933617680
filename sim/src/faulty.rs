//! Faults of the far-side channel as a wrapper over any rig: nothing in the core or the plant knows of them.

use seathold_sequencer::input::{Contacts, Sample, SensorFault};
use seathold_sequencer::io::Hardware;
use seathold_sequencer::output::Outputs;
use seathold_sequencer::time::Instant;

/// What is wrong with a channel.
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
    /// The same counts over and over, with running numbers.
    Stuck,
    /// Every conversion off by this many counts.
    Spike(i32),
    /// Conversions are made but do not arrive.
    Lost,
    /// The same conversion, number and all, comes again and again.
    Repeated,
}

/// A channel on its way to the sequencer, sound or broken.
#[derive(Clone, Copy, Debug, Default)]
pub struct Wire {
    /// What is wrong, if anything.
    pub fault: Option<ChannelFault>,
    last: Option<Sample>,
}

impl Wire {
    /// A sound one.
    pub const SOUND: Self = Self { fault: None, last: None };

    /// What arrives of a reading.
    ///
    /// # Errors
    /// As for [`Hardware::far`].
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

/// A rig with a fault in its far-side channel.
#[derive(Clone, Debug)]
pub struct Faulty<H> {
    /// The rig.
    pub inner: H,
    far: Wire,
}

impl<H> Faulty<H> {
    /// A rig that is sound so far.
    pub const fn new(inner: H) -> Self {
        Self { inner, far: Wire::SOUND }
    }

    /// Breaks the channel, or mends it.
    pub const fn set(&mut self, fault: Option<ChannelFault>) {
        self.far.fault = fault;
    }
}

impl<H: Hardware> Hardware for Faulty<H> {
    type Error = H::Error;

    fn now(&mut self) -> Instant {
        self.inner.now()
    }

    fn far(&mut self) -> nb::Result<Sample, SensorFault> {
        let reading = self.inner.far();
        self.far.pass(reading)
    }

    fn supply(&mut self) -> nb::Result<Sample, SensorFault> {
        self.inner.supply()
    }

    fn thermometer(&mut self) -> nb::Result<Sample, SensorFault> {
        self.inner.thermometer()
    }

    fn contacts(&mut self) -> Contacts {
        self.inner.contacts()
    }

    fn apply(&mut self, outputs: Outputs) -> Result<(), Self::Error> {
        self.inner.apply(outputs)
    }

    fn alive(&mut self) {
        self.inner.alive();
    }
}
