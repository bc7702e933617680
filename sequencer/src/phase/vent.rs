//! Vent: supply shut, then the supply side opened to the room.
//!
//! Left when the supply side is below the limit, or after the venting time where it has no transducer. If the trapped
//! pressure went with it, and stays down → a result: the valve did not hold. Not vented in time → fault, whatever the
//! far side did: with the supply side full it cannot have leaked there.

use super::{Next, View};
use crate::event::{Fault, Phase};
use crate::output::{GasValve, Outputs, Pilot};
use crate::recipe::Recipe;
use crate::rig::Rig;
use crate::time::{Duration, Instant, millis};
use crate::verdict::Reason;

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Vent {
    /// When the vent was opened; `None` during the changeover from supply.
    opened: Option<Instant>,
}

const CHANGEOVER: Outputs = Outputs { supply: GasValve::Shut, vent: GasValve::Shut, pilot: Pilot::Exhausted };

/// The recipe's time counts from the opening of the vent, which is after the changeover.
pub(crate) fn limit(recipe: &Recipe, rig: &Rig) -> Duration {
    Duration::from_ticks(rig.changeover().as_ticks() + millis(recipe.raw().vent_ms_max).as_ticks())
}

impl Vent {
    pub(crate) const fn outputs(&self) -> Outputs {
        if self.opened.is_some() { Outputs::REST } else { CHANGEOVER }
    }

    pub(crate) fn poll(&mut self, view: &View<'_>) -> Next {
        let Some(opened) = self.opened else {
            if view.spent >= view.rig.changeover() {
                self.opened = Some(view.now);
            }
            return Next::Stay;
        };
        let recipe = view.recipe.raw();
        let vented = match view.supply {
            Some(supply) => supply.pressure().is_some_and(|p| i64::from(p.pascals()) < i64::from(recipe.vent_below_pa)),
            None => view.since(opened) >= millis(recipe.vent_ms),
        };
        let overdue = view.since(opened) >= millis(recipe.vent_ms_max);
        if !vented {
            return if overdue { Next::Fault(Fault::VentTimeout) } else { Next::Stay };
        }
        // Judged only now, when the supply side is vented: with a ball that does not shut the far side goes with it,
        // with a bad leak it is still falling.
        if view.gross_fall.holds() {
            let half = view.isolated.map_or(0, |isolated| isolated.pressure.pascals() / 2);
            let gone = view.fall_pa().is_some_and(|fall| fall > half);
            view.fallen(if gone { Reason::WentWithSupply } else { Reason::GrossFall })
        } else if view.gross_fall.is_pending() && !overdue {
            // Fallen at the last reading, but not yet long enough to exclude interference.
            Next::Stay
        } else {
            Next::Go(Phase::Settle)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::bench::{Bench, at};
    use super::*;
    use crate::persist::Persist;

    /// Changeover 50 ms.
    const OPENED: u64 = 50_000;

    /// What a vent polled this long after its opening requests, by pressures of the far and the supply side.
    fn next(us: u64, (far, supply): (i32, i32), change: impl FnOnce(View<'_>) -> View<'_>) -> Next {
        let (mut vent, mut bench) = (Vent::default(), Bench::default());
        assert_eq!(vent.poll(&bench.view(OPENED - 1)), Next::Stay);
        assert_eq!(vent.outputs(), CHANGEOVER);
        assert_eq!(vent.poll(&bench.view(OPENED)), Next::Stay);
        assert_eq!(vent.outputs(), Outputs::REST);
        bench.read(OPENED + us, far, supply);
        vent.poll(&change(bench.view(OPENED + us)))
    }

    /// For `n` readings, long apart.
    fn fallen(n: u64) -> Persist {
        let mut fallen = Persist::NONE;
        (0..n).for_each(|i| fallen.note(true, at(1_000_000 * i)));
        fallen
    }

    #[test]
    fn it_is_vented_below_the_limit_or_after_the_time_where_that_is_not_seen() {
        assert_eq!(next(1_000_000, (600_000, 5_000), |view| view), Next::Stay);
        assert_eq!(next(1_000_000, (600_000, 4_999), |view| view), Next::Go(Phase::Settle));
        for (us, expected) in [(2_999_999, Next::Stay), (3_000_000, Next::Go(Phase::Settle))] {
            assert_eq!(next(us, (600_000, 0), |view| View { supply: None, ..view }), expected, "{us} µs");
        }
        for (us, expected) in [(14_999_999, Next::Stay), (15_000_000, Next::Fault(Fault::VentTimeout))] {
            assert_eq!(next(us, (600_000, 5_000), |view| view), expected, "{us} µs");
        }
    }

    #[test]
    fn more_than_half_of_the_pressure_gone_went_with_the_supply() {
        for (far, reason) in [(300_000, Reason::GrossFall), (299_999, Reason::WentWithSupply)] {
            let Next::End(end) = next(1_000_000, (far, 0), |view| View { gross_fall: fallen(3), ..view }) else {
                panic!("no end at {far} Pa")
            };
            assert_eq!(end.reason, reason, "{far} Pa");
        }
    }

    /// At the end of its time a fall that may be interference is left to settling.
    #[test]
    fn a_fall_is_waited_for_until_the_time_is_over() {
        for (us, expected) in [(14_999_999, Next::Stay), (15_000_000, Next::Go(Phase::Settle))] {
            assert_eq!(next(us, (0, 0), |view| View { gross_fall: fallen(1), ..view }), expected, "{us} µs");
        }
    }
}
