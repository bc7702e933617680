//! How long a condition has been *measured* to hold. Separate because several decide on it: start-up, safe vent, and
//! the disconnect state.

use crate::channel::Channel;
use crate::time::{Duration, Instant, since};
use crate::units::GaugePressure;

/// An unbroken span of readings for which a condition held, from the first to the last of them. Time since the last
/// reading does not count: silence is not a measurement.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Dwell {
    first: Instant,
    /// From the first reading to the last, in microseconds: no dwell is as long as the hour that fits in.
    span_us: u32,
    begun: bool,
}

impl Dwell {
    pub(crate) const NONE: Self = Self { first: Instant::from_ticks(0), span_us: 0, begun: false };

    /// Takes in this poll: whether the condition `holds`, and whether on a reading of this poll.
    #[inline(never)]
    pub(crate) fn note(&mut self, holds: bool, fresh: bool, now: Instant) {
        if !holds {
            *self = Self::NONE;
        } else if fresh {
            if !self.begun {
                (self.begun, self.first) = (true, now);
            }
            self.span_us = u32::try_from(since(now, self.first).as_ticks()).unwrap_or(u32::MAX);
        }
    }

    /// Both sides empty: within the limit of the atmosphere, above and below, by healthy transducers.
    #[inline(never)]
    pub(crate) fn watch_empty(&mut self, far: &Channel, supply: Option<&Channel>, limit: GaugePressure, now: Instant) {
        let empty = far.reads_empty(limit) && supply.is_none_or(|supply| supply.reads_empty(limit));
        self.note(empty, far.fresh().is_some(), now);
    }

    /// It held at the last reading, and the state has been known since.
    pub(crate) const fn is_begun(&self) -> bool {
        self.begun
    }

    /// Whether the readings span at least `span`.
    pub(crate) fn lasted(&self, span: Duration) -> bool {
        self.begun && u64::from(self.span_us) >= span.as_ticks()
    }
}
