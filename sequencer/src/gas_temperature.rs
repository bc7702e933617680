//! State of the gas temperature: the thermometer's last reading, and whether it is still valid.

use crate::input::Reading;
use crate::time::{Duration, millis};

/// A thermometer silent for longer than this is no longer valid for the gas: ten times its sample period, and short
/// against any warming that could be mistaken for a leak (our judgement, no source).
const SILENT: Duration = millis(1_000);

/// One silent or faulty for longer than this is not waited for by the window (likewise).
const LOST: Duration = millis(5_000);

/// The thermometer's counts, where one is fitted and they are valid.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum GasTemperature {
    /// None: the temperature is that of the recipe.
    NotFitted,
    /// The last reading.
    Counts(i32),
    /// One is fitted, and is silent or faulty at present.
    Unknown,
    /// One is fitted, and has been silent for so long that it is not waited for.
    Lost,
}

/// The last reading, its age, and its fault.
#[derive(Clone, Debug)]
pub(crate) struct ThermometerChannel {
    counts: i32,
    /// Running number of the last conversion: a repeated one is no new reading.
    number: Option<u32>,
    /// In µs; all of time before the first reading.
    silent_us: u32,
    faulty: bool,
}

impl ThermometerChannel {
    /// Nothing read yet.
    pub(crate) const NEW: Self = Self { counts: 0, number: None, silent_us: u32::MAX, faulty: false };

    pub(crate) fn update(&mut self, elapsed: Duration, reading: Reading) {
        match reading {
            Reading::Sample(sample) if self.number != Some(sample.number) => {
                *self = Self { counts: sample.counts, number: Some(sample.number), silent_us: 0, faulty: false };
            }
            Reading::Sample(_) | Reading::NoSample | Reading::SensorFault(_) => {
                let us = u32::try_from(elapsed.as_ticks()).unwrap_or(u32::MAX);
                self.silent_us = self.silent_us.saturating_add(us);
                // Until the next good one: the previous reading may be wrong already.
                self.faulty |= matches!(reading, Reading::SensorFault(_));
            }
        }
    }

    /// State, given whether one is `fitted`.
    pub(crate) fn state(&self, fitted: bool) -> GasTemperature {
        let silent = Duration::from_ticks(self.silent_us.into());
        if !fitted {
            GasTemperature::NotFitted
        } else if silent > LOST {
            GasTemperature::Lost
        } else if self.faulty || silent > SILENT {
            GasTemperature::Unknown
        } else {
            GasTemperature::Counts(self.counts)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::input::SensorFault;

    #[test]
    fn a_reading_holds_for_a_second_and_a_fault_until_the_next() {
        let mut thermometer = ThermometerChannel::NEW;
        assert_eq!(thermometer.state(false), GasTemperature::NotFitted);
        assert_eq!(thermometer.state(true), GasTemperature::Lost);
        thermometer.update(millis(10), Reading::sample(2_930, 1));
        thermometer.update(millis(600), Reading::NoSample);
        thermometer.update(millis(400), Reading::NoSample);
        assert_eq!(thermometer.state(true), GasTemperature::Counts(2_930));
        thermometer.update(millis(1), Reading::NoSample);
        assert_eq!(thermometer.state(true), GasTemperature::Unknown);
        thermometer.update(millis(3_999), Reading::NoSample);
        assert_eq!(thermometer.state(true), GasTemperature::Unknown);
        thermometer.update(Duration::from_ticks(1), Reading::NoSample);
        assert_eq!(thermometer.state(true), GasTemperature::Lost);
        thermometer.update(millis(10), Reading::sample(2_931, 2));
        thermometer.update(millis(10), Reading::SensorFault(SensorFault::Open));
        thermometer.update(millis(10), Reading::NoSample);
        assert_eq!(thermometer.state(true), GasTemperature::Unknown);
        thermometer.update(millis(5_000), Reading::SensorFault(SensorFault::Open));
        assert_eq!(thermometer.state(true), GasTemperature::Lost);
        thermometer.update(millis(10), Reading::sample(2_930, 3));
        assert_eq!(thermometer.state(true), GasTemperature::Counts(2_930));
    }

    /// A step repeated at the same moment changes nothing, and no length of silence wraps.
    #[test]
    fn silence_is_counted_once_and_never_wraps() {
        let mut thermometer = ThermometerChannel::NEW;
        thermometer.update(millis(10), Reading::sample(1, 1));
        for _ in 0..1_000 {
            thermometer.update(millis(0), Reading::NoSample);
        }
        assert_eq!(thermometer.state(true), GasTemperature::Counts(1));
        for _ in 0..3 {
            thermometer.update(Duration::from_ticks(u64::MAX), Reading::NoSample);
            assert_eq!(thermometer.state(true), GasTemperature::Lost);
        }
    }
}
