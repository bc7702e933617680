//! Work: one output by itself, in a check of the rig without air.
//!
//! Left when the output has had its time; always into the safe vent, since nobody can say what the supply side let
//! through meanwhile. Pressure on either side, or whatever else is a fault in a test, is a fault here.

use crate::limits::WORK_MS;
use crate::output::{Coil, Gate, Outputs, Pilot};
use crate::rig::Rig;
use crate::time::{Duration, millis};

pub(crate) const fn limit(rig: &Rig) -> Duration {
    Duration::from_ticks(rig.changeover().as_ticks() + millis(WORK_MS).as_ticks())
}

/// What is energised after so long in the phase. Supply waits until the vent has had the time to shut.
pub(crate) fn outputs(coil: Coil, spent: Duration, rig: &Rig) -> Outputs {
    match coil {
        Coil::Supply if spent >= rig.changeover() => Outputs { supply: Gate::Open, vent: Gate::Shut, ..Outputs::REST },
        Coil::Supply | Coil::Vent => Outputs { vent: Gate::Shut, ..Outputs::REST },
        Coil::Pilot => Outputs { pilot: Pilot::Fed, ..Outputs::REST },
    }
}
