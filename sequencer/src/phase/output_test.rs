//! Output test: one output is driven, without air.
//!
//! Left when the time is over; always into the safe vent, since the supply valve may have passed air meanwhile.
//! Pressure on either side, or any fault of a run, is a fault here.

use crate::limits::OUTPUT_TEST_MS;
use crate::output::{Coil, GasValve, Outputs, Pilot};
use crate::rig::Rig;
use crate::time::{Duration, millis};

pub(crate) const fn limit(rig: &Rig) -> Duration {
    Duration::from_ticks(rig.changeover().as_ticks() + millis(OUTPUT_TEST_MS).as_ticks())
}

/// Outputs by time in the phase. Supply waits until the vent has had the time to shut.
pub(crate) fn outputs(coil: Coil, spent: Duration, rig: &Rig) -> Outputs {
    match coil {
        Coil::Supply if spent >= rig.changeover() => {
            Outputs { supply: GasValve::Open, vent: GasValve::Shut, ..Outputs::REST }
        }
        Coil::Supply | Coil::Vent => Outputs { vent: GasValve::Shut, ..Outputs::REST },
        Coil::Pilot => Outputs { pilot: Pilot::Fed, ..Outputs::REST },
    }
}
