//! Time in the sequencer: microseconds since an arbitrary start, never wrapping in practice (584 000 years).
//!
//! The clock belongs to the caller. The sequencer's requirement is in [`crate::io::Hardware::now`]: it never goes back.
//! A counter that wrapped, or was reset, is treated as going back and faults the run.

/// A moment, in microseconds since the clock's own start.
pub type Instant = fugit::MonotonicTimerInstantU64<1_000_000>;

/// A span of time, in microseconds.
pub type Duration = fugit::TimerDurationU64<1_000_000>;

/// A span from whole milliseconds.
pub const fn millis(ms: u32) -> Duration {
    Duration::from_ticks(ms as u64 * 1_000)
}

/// Time from `earlier` to `later`, zero if reversed.
pub(crate) fn since(later: Instant, earlier: Instant) -> Duration {
    Duration::from_ticks(later.as_ticks().saturating_sub(earlier.as_ticks()))
}

/// `start + span`, saturating at the end of time.
pub(crate) fn after(start: Instant, span: Duration) -> Instant {
    Instant::from_ticks(start.as_ticks().saturating_add(span.as_ticks()))
}

/// `end − span`, saturating at the beginning of time.
pub(crate) fn before(end: Instant, span: Duration) -> Instant {
    Instant::from_ticks(end.as_ticks().saturating_sub(span.as_ticks()))
}
