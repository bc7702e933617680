//! Time in the sequencer: microseconds since an arbitrary start, never wrapping in practice (584 000 years).
//!
//! The clock belongs to the caller. The sequencer's requirement is in [`crate::io::Hardware::now`]: it never goes back.
//! A counter that wrapped, or was reset, is treated as going back and faults the run.
//!
//! With the feature `small` the functions are by themselves: in every place they are used the smallest part has room for a
//! call, not for 64 bits in two halves (some 500 bytes of flash). It takes a core of 32 bits a twelfth more of a step.

/// A moment, in microseconds since the clock's own start.
pub type Instant = fugit::MonotonicTimerInstantU64<1_000_000>;

/// A span of time, in microseconds.
pub type Duration = fugit::TimerDurationU64<1_000_000>;

/// A span from whole milliseconds.
#[cfg_attr(feature = "small", inline(never))]
pub const fn millis(ms: u32) -> Duration {
    // In halves, which a core of 32 bits multiplies by itself.
    let (high, low) = (ms >> 16, ms & 0xffff);
    Duration::from_ticks((((high * 1_000) as u64) << 16) + (low * 1_000) as u64)
}

/// Time from `earlier` to `later`, zero if reversed.
#[cfg_attr(feature = "small", inline(never))]
pub(crate) fn since(later: Instant, earlier: Instant) -> Duration {
    Duration::from_ticks(later.as_ticks().saturating_sub(earlier.as_ticks()))
}

/// `start + span`, saturating at the end of time.
#[cfg_attr(feature = "small", inline(never))]
pub(crate) fn after(start: Instant, span: Duration) -> Instant {
    Instant::from_ticks(start.as_ticks().saturating_add(span.as_ticks()))
}

/// `end − span`, saturating at the beginning of time.
#[cfg_attr(feature = "small", inline(never))]
pub(crate) fn before(end: Instant, span: Duration) -> Instant {
    Instant::from_ticks(end.as_ticks().saturating_sub(span.as_ticks()))
}
