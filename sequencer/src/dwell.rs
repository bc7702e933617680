//! How long something has been *measured* to hold. Kept apart because several decide on it: the look before anything
//! moves, safe vent, and what is said about loosening a fitting.

use crate::channel::Channel;
use crate::time::{Duration, Instant, since};
use crate::units::GaugePressure;

/// An unbroken span of readings for which it held, from the first to the last of them. Time since the last reading does
/// not count: silence is not a measurement.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub(crate) struct Dwell {
    readings: Option<(Instant, Instant)>,
}

impl Dwell {
    pub(crate) const NONE: Self = Self { readings: None };

    /// Takes in what this poll knows: whether it `holds`, and whether that rests on a reading of this poll.
    pub(crate) fn note(&mut self, holds: bool, fresh: bool, now: Instant) {
        if !holds {
            *self = Self::NONE;
        } else if fresh {
            let (first, _) = self.readings.unwrap_or((now, now));
            self.readings = Some((first, now));
        }
    }

    /// Both sides empty: within the limit of the atmosphere, above and below, by healthy transducers.
    pub(crate) fn watch_empty(&mut self, far: &Channel, supply: Option<&Channel>, limit: GaugePressure, now: Instant) {
        let empty = |channel: &Channel| channel.pressure().is_some_and(|p| p.is_within(limit));
        self.note(empty(far) && supply.is_none_or(empty), far.fresh().is_some(), now);
    }

    /// Whether the readings span at least `span`.
    pub(crate) fn lasted(&self, span: Duration) -> bool {
        self.readings.is_some_and(|(first, last)| since(last, first) >= span)
    }
}
