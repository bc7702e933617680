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

#[cfg(test)]
mod tests {
    use super::super::bench::Bench;
    use super::*;

    /// The interlock sees to it as well; this is the phase's own.
    #[test]
    fn supply_waits_until_the_vent_has_had_time_to_shut() {
        let rig = Bench::default().rig;
        let vent_only = Outputs { vent: GasValve::Shut, ..Outputs::REST };
        for (coil, us, expected) in [
            (Coil::Supply, 0, vent_only),
            (Coil::Supply, 49_999, vent_only),
            (Coil::Supply, 50_000, Outputs { supply: GasValve::Open, ..vent_only }),
            (Coil::Vent, 50_000, vent_only),
            (Coil::Pilot, 50_000, Outputs { pilot: Pilot::Fed, ..Outputs::REST }),
        ] {
            assert_eq!(outputs(coil, Duration::from_ticks(us), &rig), expected, "{coil:?} at {us} µs");
        }
    }
}
