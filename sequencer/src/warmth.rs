//! What is known of the gas's temperature: the thermometer's last reading, and whether that still says anything.

use crate::input::Reading;
use crate::time::{Duration, millis};

/// A thermometer silent for longer than this says nothing of the gas any more: ten times as long as between two of its
/// readings, and short against any warming that could be mistaken for a leak (our judgement, no source).
const SILENT: Duration = millis(1_000);

/// One silent or sick for longer than this does not come back while the window waits for it (likewise).
const LOST: Duration = millis(5_000);

/// The thermometer's counts, where one is fitted and they can be relied on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Warmth {
    /// There is none: the gas is as the recipe says.
    NotFitted,
    /// The last reading.
    Counts(i32),
    /// One is fitted, and is silent or sick for the moment.
    Unknown,
    /// One is fitted, and has said nothing for so long that it is not waited for.
    Lost,
}

/// The last reading, how long ago it was, and what is wrong.
#[derive(Clone, Debug)]
pub(crate) struct Thermometer {
    counts: i32,
    /// Running number of the last conversion: one that comes again says nothing new.
    number: Option<u32>,
    /// In µs; all of time before the first reading.
    silent_us: u32,
    sick: bool,
}

impl Thermometer {
    /// Nothing read yet.
    pub(crate) const NEW: Self = Self { counts: 0, number: None, silent_us: u32::MAX, sick: false };

    pub(crate) fn update(&mut self, elapsed: Duration, reading: Reading) {
        match reading {
            Reading::Sample(sample) if self.number != Some(sample.number) => {
                *self = Self { counts: sample.counts, number: Some(sample.number), silent_us: 0, sick: false };
            }
            Reading::Sample(_) | Reading::Waiting | Reading::Sick(_) => {
                let us = u32::try_from(elapsed.as_ticks()).unwrap_or(u32::MAX);
                self.silent_us = self.silent_us.saturating_add(us);
                // Until the next good one: what it said before may be wrong already.
                self.sick |= matches!(reading, Reading::Sick(_));
            }
        }
    }

    /// What can be said where one is `fitted`.
    pub(crate) fn known(&self, fitted: bool) -> Warmth {
        let silent = Duration::from_ticks(self.silent_us.into());
        if !fitted {
            Warmth::NotFitted
        } else if silent > LOST {
            Warmth::Lost
        } else if self.sick || silent > SILENT {
            Warmth::Unknown
        } else {
            Warmth::Counts(self.counts)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::input::SensorFault;

    #[test]
    fn a_reading_holds_for_a_second_and_sickness_until_the_next() {
        let mut thermometer = Thermometer::NEW;
        assert_eq!(thermometer.known(false), Warmth::NotFitted);
        assert_eq!(thermometer.known(true), Warmth::Lost);
        thermometer.update(millis(10), Reading::sample(2_930, 1));
        thermometer.update(millis(600), Reading::Waiting);
        thermometer.update(millis(400), Reading::Waiting);
        assert_eq!(thermometer.known(true), Warmth::Counts(2_930));
        thermometer.update(millis(1), Reading::Waiting);
        assert_eq!(thermometer.known(true), Warmth::Unknown);
        thermometer.update(millis(4_000), Reading::Waiting);
        assert_eq!(thermometer.known(true), Warmth::Lost);
        thermometer.update(millis(10), Reading::sample(2_931, 2));
        thermometer.update(millis(10), Reading::Sick(SensorFault::Open));
        thermometer.update(millis(10), Reading::Waiting);
        assert_eq!(thermometer.known(true), Warmth::Unknown);
        thermometer.update(millis(5_000), Reading::Sick(SensorFault::Open));
        assert_eq!(thermometer.known(true), Warmth::Lost);
        thermometer.update(millis(10), Reading::sample(2_930, 3));
        assert_eq!(thermometer.known(true), Warmth::Counts(2_930));
    }

    /// A step repeated at the same moment changes nothing, and no length of silence wraps.
    #[test]
    fn silence_is_counted_once_and_never_wraps() {
        let mut thermometer = Thermometer::NEW;
        thermometer.update(millis(10), Reading::sample(1, 1));
        for _ in 0..1_000 {
            thermometer.update(millis(0), Reading::Waiting);
        }
        assert_eq!(thermometer.known(true), Warmth::Counts(1));
        for _ in 0..3 {
            thermometer.update(Duration::from_ticks(u64::MAX), Reading::Waiting);
            assert_eq!(thermometer.known(true), Warmth::Lost);
        }
    }
}
