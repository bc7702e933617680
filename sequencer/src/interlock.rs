//! The last word on the outputs, whatever a phase asked for. Kept apart from the phases on purpose: a mistake there
//! must not reach a solenoid.

use crate::input::{Contacts, Known};
use crate::output::{Gate, Outputs};
use crate::units::GaugePressure;

/// What the outputs are allowed to be.
///
/// - Emergency stop: everything at rest.
/// - Supply and vent never open together: the supply gives way.
/// - Supply only while the far pressure is known and below `max`; otherwise it is shut and the vent opened.
pub(crate) fn allow(wanted: Outputs, contacts: Contacts, far: Known, max: GaugePressure) -> Outputs {
    if contacts.stop {
        return Outputs::REST;
    }
    let mut allowed = wanted;
    if allowed.blows_through() {
        allowed.supply = Gate::Shut;
    }
    let below = matches!(far, Known::Pressure(p) if p <= max);
    if allowed.supply == Gate::Open && !below {
        allowed.supply = Gate::Shut;
        allowed.vent = Gate::Open;
    }
    allowed
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output::Pilot;

    /// Every combination of wanted outputs, contacts and knowledge: the space is small enough to try whole.
    #[test]
    fn never_blows_through_nor_feeds_blind() {
        let max = GaugePressure::from_pascals(700_000);
        let gates = [Gate::Shut, Gate::Open];
        let known = [
            Known::Nothing,
            Known::Sick,
            Known::Pressure(GaugePressure::ZERO),
            Known::Pressure(max),
            Known::Pressure(max.plus(1)),
        ];
        for (stop, guard_closed) in [(false, false), (false, true), (true, false), (true, true)] {
            for supply in gates {
                for vent in gates {
                    for pilot in [Pilot::Exhausted, Pilot::Fed] {
                        for far in known {
                            let wanted = Outputs { supply, vent, pilot };
                            let contacts = Contacts { stop, guard_closed, valve_shut: false };
                            let got = allow(wanted, contacts, far, max);
                            assert!(!got.blows_through());
                            assert!(!stop || got == Outputs::REST);
                            let sighted = matches!(far, Known::Pressure(p) if p <= max);
                            assert!(got.supply == Gate::Shut || sighted);
                            // What was harmless is left alone.
                            if !stop && supply == Gate::Shut {
                                assert_eq!(got, wanted);
                            }
                        }
                    }
                }
            }
        }
    }
}
