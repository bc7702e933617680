//! The rig this image is for: the wiring of the board, and the calibration. It is what the board works by until another is
//! loaded over the link, and bounds that one: limits that belong to the hardware change only with a new image.
//!
//! The host reads it back with every run.

use seathold_sequencer::adapters::divider::RawDivider;
use seathold_sequencer::adapters::ratiometric::RawRatiometric;
use seathold_sequencer::adapters::thermistor::Thermistor;
use seathold_sequencer::rig::{RawRig, RigFacts};
use seathold_sequencer::time::{Duration, millis};

/// Readings a second of every channel.
pub(crate) const READINGS_HZ: u32 = 100;

/// Conversions summed for one reading. More of them would leave the core no time for anything else, fewer more noise.
pub(crate) const OVERSAMPLE: u16 = 80;

/// How long a contact must stay closed before it counts: switches of this kind bounce for a few milliseconds.
pub(crate) const CONTACT_HOLD: Duration = millis(30);

/// How long a driver's output may take to follow its input; coils and clamps are done in a few milliseconds.
pub(crate) const READ_BACK_FOLLOW: Duration = millis(50);

/// The longest the loop may be silent: ten polls.
pub(crate) const WATCHDOG: Duration = millis(100);

/// Both pressure transducers: 0.5 to 4.5 V from 5 V for 0 to 10 bar gauge, behind 10 kΩ over 15 kΩ. Their supply is the
/// board's own 5 V, which the board divides by three for the converter.
pub(crate) const TRANSDUCER: RawRatiometric = RawRatiometric {
    adc_bits: 12,
    reference_v: 3.3,
    signal_divider: 0.6,
    supply_measured: true,
    supply_divider: 1.0 / 3.0,
    ..RawRatiometric::HALF_TO_FOUR_AND_A_HALF
};

/// Wall thermometer: 10 kΩ from 3.3 V to the input, the thermistor from there to ground.
pub(crate) const THERMOMETER: RawDivider = RawDivider::DEMO;
/// Its thermistor.
pub(crate) const THERMISTOR: Thermistor = Thermistor::TEN_KILOHM;

/// A guard contact is wired. Without one the pin is left alone, and no guard is asked for.
pub(crate) const GUARD_FITTED: bool = true;

/// A switch on the valve is wired.
pub(crate) const SHUT_SWITCH_FITTED: bool = false;

/// The rig, but for what its parts say by themselves: which contacts and channels are fitted, and their scales. `None` where
/// the transducer does not fit together.
///
/// Volume, uncertainties and background are the demonstration's: measure your own (`seathold calibrate`), and load them.
pub(crate) fn rig() -> Option<RawRig> {
    Some(RawRig::new(RigFacts {
        hard_max_pa: 900_000,
        far: TRANSDUCER.validate_with(|_| {})?.transducer(),
        atmosphere_pa: 101_325.0,
        far_volume_m3: 45e-6,
        far_volume_u_rel: 0.02,
        gain_u_rel: 0.002,
        background_u_pa_m3_s: 5e-6,
        temperature_drift_u_k_s: 2e-4,
    }))
}
