//! Log of events where the image is built with `--features defmt`; without, nothing.

#[cfg(feature = "defmt")]
use defmt_semihosting as _;
use seathold_sequencer::event::Events;

/// The start, and whether the watchdog was the cause.
#[cfg(feature = "defmt")]
pub fn begun(caused_reset: bool) {
    defmt::info!("begun; reset by the watchdog: {}", caused_reset);
}

/// The events of a poll.
#[cfg(feature = "defmt")]
pub fn events(events: &Events) {
    for event in events {
        defmt::info!("{}", event);
    }
}

#[cfg(not(feature = "defmt"))]
pub fn begun(_: bool) {}

#[cfg(not(feature = "defmt"))]
pub fn events(_: &Events) {}
