//! When the next poll is due on the wall clock.

use std::time::Duration;

use super::ServedRig;
use crate::speed::Speed;

/// A rig that is this far behind the wall clock stops catching up: it is slower than asked.
const LATE_MAX: Duration = Duration::from_millis(250);

/// When polls are due.
#[derive(Debug)]
pub struct PollPacer {
    speed: Speed,
    /// Between polls on the rig's clock.
    period: Duration,
    due: Duration,
}

impl PollPacer {
    /// Polls a `period` apart on the rig's clock, from `now` on.
    pub const fn new(speed: Speed, period: Duration, now: Duration) -> Self {
        Self { speed, period, due: now }
    }

    /// How long until the next poll; it is due when that is zero. "max" is as fast as the host takes the records; with
    /// a host that takes none, with no host, or while a person is waited for, it is real time.
    pub fn wait(&self, served: &ServedRig, now: Duration) -> Duration {
        let hurries = self.speed == Speed::Max && served.has_host() && !served.is_ahead() && !served.waits();
        if hurries { Duration::ZERO } else { self.due.saturating_sub(now) }
    }

    /// A poll has been made.
    pub fn made(&mut self, now: Duration) {
        let times = match self.speed {
            Speed::Times(times) => times,
            Speed::Max => 1.0,
        };
        let due = self.due + self.period.div_f64(times);
        self.due = if self.speed == Speed::Max { now + self.period } else { due.max(now.saturating_sub(LATE_MAX)) };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PERIOD: Duration = Duration::from_millis(10);

    #[test]
    fn polls_keep_to_the_speed_asked_for_and_a_late_one_is_not_made_up_for_ever() {
        let mut pace = PollPacer::new(Speed::Times(20.0), PERIOD, Duration::ZERO);
        for _ in 0..2_000 {
            pace.made(pace.due);
        }
        assert_eq!(pace.due, Duration::from_secs(1));
        pace.made(Duration::from_secs(60));
        assert_eq!(pace.due, Duration::from_secs(60) - LATE_MAX);
    }
}
