//! How long the far side has been *measured* below a limit. Kept apart because two decide on it: safe vent, and what is
//! said about loosening a fitting.

use crate::channel::Channel;
use crate::time::{Duration, Instant, since};
use crate::units::GaugePressure;

/// An unbroken span of readings below the limit, from the first to the last of them. Time since the last reading does
/// not count: silence is not a measurement.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub(crate) struct Dwell {
    readings: Option<(Instant, Instant)>,
}

impl Dwell {
    pub(crate) const NONE: Self = Self { readings: None };

    /// Takes in what this poll knows of the far side.
    pub(crate) fn watch(&mut self, far: &Channel, limit: GaugePressure, now: Instant) {
        match far.pressure() {
            Some(p) if p < limit => {
                if far.fresh().is_some() {
                    let (first, _) = self.readings.unwrap_or((now, now));
                    self.readings = Some((first, now));
                }
            }
            _ => *self = Self::NONE,
        }
    }

    /// Whether the readings span at least `span`.
    pub(crate) fn lasted(&self, span: Duration) -> bool {
        self.readings.is_some_and(|(first, last)| since(last, first) >= span)
    }
}
