//! What a converter makes of the plant: noise, quantisation, a sample period, numbered conversions.

use crate::config::{examine, real, whole};
use crate::noise::{Noise, Stream};
use seathold_sequencer::field::{Errors, Field, Unit};
use seathold_sequencer::input::Sample;
use seathold_sequencer::rig::Transducer;

/// A pressure channel as written down, not yet checked. Ranges and meanings are in [`SENSOR_FIELDS`].
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[allow(missing_docs, reason = "each field is described once, in SENSOR_FIELDS")]
pub struct RawSensor {
    pub noise_pa: f64,
    pub period_ms: u32,
}

impl RawSensor {
    /// A 10 bar transducer on a quiet bench, 100 conversions a second. Ours, for the demonstration.
    pub const DEMO: Self = Self { noise_pa: 20.0, period_ms: 10 };
}

impl Default for RawSensor {
    fn default() -> Self {
        Self::DEMO
    }
}

/// The channel's fields in the order they are checked and written.
pub const SENSOR_FIELDS: &[Field<RawSensor>] = &[
    real!("noise", "white noise, standard deviation", PascalRms, 0.0, 20_000.0, noise_pa),
    whole!("period", "time between conversions", Millisecond, 1.0, 10_000.0, period_ms),
];

impl RawSensor {
    /// Checks every field.
    ///
    /// # Errors
    /// All that is wrong, at once.
    pub fn validate(&self) -> Result<SensorSpec, Errors> {
        examine(self, SENSOR_FIELDS, |_, _| {}).map(|()| SensorSpec { raw: *self })
    }
}

/// A pressure channel that has been checked. The only way to one is [`RawSensor::validate`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensorSpec {
    raw: RawSensor,
}

/// A channel in use.
#[derive(Clone, Debug)]
pub struct Channel {
    transducer: Transducer,
    noise_pa: f64,
    period: u64,
    /// When the next conversion is due, µs.
    next: u64,
    number: u32,
    waiting: Option<Sample>,
    noise: Noise,
}

impl Channel {
    /// A channel read through `transducer`; its first conversion comes after one period.
    pub fn new(spec: &SensorSpec, transducer: Transducer, seed: u64, stream: Stream) -> Self {
        let period = u64::from(spec.raw.period_ms) * 1_000;
        Self {
            transducer,
            noise_pa: spec.raw.noise_pa,
            period,
            next: period,
            number: 0,
            waiting: None,
            noise: Noise::new(seed, stream),
        }
    }

    /// When the next conversion is due, µs.
    pub const fn due(&self) -> u64 {
        self.next
    }

    /// The conversion due now, of a gauge pressure in Pa.
    #[inline]
    pub fn convert(&mut self, gauge: f64) {
        self.next += self.period;
        self.number = self.number.wrapping_add(1);
        let seen = gauge + self.noise_pa * self.noise.normal();
        self.waiting = Some(Sample { counts: self.transducer.counts(seen), number: self.number });
    }

    /// The last conversion, once.
    pub fn take(&mut self) -> Option<Sample> {
        self.waiting.take()
    }
}
