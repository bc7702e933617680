//! The phases of one side, a file each in the order of a run: the outputs of a phase, its exit conditions, and its
//! time-out.
//!
//! A phase gets a [`View`] and returns a [`Next`]; only [`crate::step`] changes phases.

pub(crate) mod fill;
pub(crate) mod isolate;
pub(crate) mod measure;
pub(crate) mod output_test;
pub(crate) mod precheck;
pub(crate) mod safe_vent;
pub(crate) mod settle;
pub(crate) mod soak;
pub(crate) mod start_up;
pub(crate) mod vent;

use crate::channel::Channel;
use crate::event::{Event, Events, Fault, Phase};
use crate::gas_temperature::GasTemperature;
use crate::input::{Contacts, Prompt};
use crate::measure::LeakEstimate;
use crate::persist::Persist;
use crate::recipe::Recipe;
use crate::rig::Rig;
use crate::time::{Duration, Instant, since};
use crate::units::GaugePressure;
use crate::verdict::{Reason, Verdict};

/// When and at what pressure the valve was shut.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Isolated {
    pub(crate) at: Instant,
    pub(crate) pressure: GaugePressure,
}

/// Input of a phase.
pub(crate) struct View<'a> {
    pub(crate) now: Instant,
    /// Since the last step.
    pub(crate) elapsed: Duration,
    /// Since the phase was entered.
    pub(crate) spent: Duration,
    pub(crate) rig: &'a Rig,
    pub(crate) recipe: &'a Recipe,
    pub(crate) far: &'a Channel,
    pub(crate) supply: Option<&'a Channel>,
    pub(crate) gas_temperature: GasTemperature,
    pub(crate) contacts: Contacts,
    /// The operator's confirmation at this poll.
    pub(crate) confirmed: Option<Prompt>,
    pub(crate) isolated: Option<Isolated>,
    /// The trapped pressure has fallen grossly: at the last reading, and for long enough.
    pub(crate) gross_fall: Persist,
    /// The supply side, where it has a transducer, has read above the vented limit.
    pub(crate) supply_full: bool,
    /// Far and supply side differ by more than the band.
    pub(crate) sides_apart: bool,
    /// The far reading has jumped faster than gas can, since air was let in.
    pub(crate) jumped: bool,
    /// The far transducer gives one code, where its last digits should move.
    pub(crate) frozen: bool,
}

/// Least fall of a pressure trapped at `isolated` that is a gross leak, in pascals: more than cooling alone can cause.
///
/// Gas filled adiabatically into an empty volume is heated by the ratio of its specific heats (first law for the
/// filling of an evacuated vessel: any text on thermodynamics), 1.4 for air, so that cooling back takes 1 − 1/1.4 =
/// 0.29 of the absolute pressure; three tenths are more.
#[inline(never)]
pub(crate) fn gross_fall_pa(isolated: Isolated, rig: &Rig) -> i32 {
    isolated.pressure.plus(rig.raw().atmosphere_pa as i32).pascals() / 10 * 3
}

impl View<'_> {
    /// How far the trapped pressure has fallen since the valve was shut, in pascals; `None` while it is unknown.
    pub(crate) fn fall_pa(&self) -> Option<i32> {
        let isolated = self.isolated?;
        Some(isolated.pressure.above(self.far.pressure()?))
    }

    pub(crate) fn since(&self, earlier: Instant) -> Duration {
        since(self.now, earlier)
    }

    /// How a side ends with a persistent gross fall: a leak, unless no gas falls like that.
    #[inline(never)]
    pub(crate) fn fallen(&self, reason: Reason) -> Next {
        if self.jumped { Next::Fault(Fault::Slew) } else { Next::End(End::without_estimate(Verdict::Leaking, reason)) }
    }

    /// Whether the trapped pressure has risen by more than a leak can explain.
    pub(crate) fn rose(&self) -> bool {
        self.fall_pa().is_some_and(|fall| -i64::from(fall) > i64::from(self.recipe.raw().rise_max_pa))
    }
}

/// How a side ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct End {
    pub(crate) verdict: Verdict,
    pub(crate) reason: Reason,
    pub(crate) estimate: Option<LeakEstimate>,
}

impl End {
    pub(crate) const fn without_estimate(verdict: Verdict, reason: Reason) -> Self {
        Self { verdict, reason, estimate: None }
    }
}

/// Transition requested by a phase.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Next {
    /// None yet.
    Stay,
    /// None yet, and the operator is prompted.
    Prompt(Prompt),
    /// On to another phase.
    Go(Phase),
    /// The valve counts as shut: on to venting.
    Shut(Isolated),
    /// This side is finished, to be opened into the vent.
    End(End),
    /// A fault.
    Fault(Fault),
    /// Safe vent is done: both sides measured empty, the ball open.
    Empty {
        /// And the further stroke made, which empties the cavity.
        stroked: bool,
    },
    /// Finished: to the resting state.
    Rest,
}

/// Adds an event. A step never emits more than the list holds ([`EVENTS_MAX`](crate::limits::EVENTS_MAX)); an excess
/// one would be lost rather than stop the machine.
#[inline(never)]
pub(crate) fn emit(events: &mut Events, event: Event) {
    let _ = events.push(event);
}
