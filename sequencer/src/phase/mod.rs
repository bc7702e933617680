//! The phases of one side, a file each in the order of a run: what a phase asks of the outputs, when it is left, and
//! what happens when it is not left in time.
//!
//! A phase sees a [`View`] of the world and answers with a [`Next`]; only [`crate::step`] changes phases.

pub(crate) mod fill;
pub(crate) mod isolate;
pub(crate) mod measure;
pub(crate) mod precheck;
pub(crate) mod safe_vent;
pub(crate) mod settle;
pub(crate) mod soak;
pub(crate) mod start_up;
pub(crate) mod vent;
pub(crate) mod work;

use crate::channel::Channel;
use crate::event::{Event, Events, Fault, Phase};
use crate::input::{Ask, Contacts};
use crate::measure::Figure;
use crate::persist::Persist;
use crate::recipe::Recipe;
use crate::rig::Rig;
use crate::time::{Duration, Instant, since};
use crate::units::GaugePressure;
use crate::verdict::{Ground, Verdict};
use crate::warmth::Warmth;

/// When and at what pressure the valve was shut.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Isolated {
    pub(crate) at: Instant,
    pub(crate) pressure: GaugePressure,
}

/// What a phase sees.
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
    pub(crate) warmth: Warmth,
    pub(crate) contacts: Contacts,
    /// This poll's answer of the operator.
    pub(crate) confirmed: Option<Ask>,
    pub(crate) isolated: Option<Isolated>,
    /// The trapped pressure has fallen grossly: at the last reading, and for long enough.
    pub(crate) gross: Persist,
    /// The supply side, where it has a transducer, has read above what counts as vented.
    pub(crate) supply_full: bool,
    /// Far and supply side differ by more than the band.
    pub(crate) apart: bool,
    /// The far reading has leapt as gas cannot, since air was let in.
    pub(crate) leapt: bool,
    /// The far transducer gives one code, where its last digits should move.
    pub(crate) frozen: bool,
}

/// Least fall of a pressure trapped at `isolated` that is a gross leak, in pascals: deeper than cooling alone can take it.
///
/// Gas let into an empty volume without losing heat is warmed by the ratio of its specific heats (first law for the filling
/// of an evacuated vessel: any text on thermodynamics), 1.4 for air, so that cooling back takes 1 − 1/1.4 = 0.29 of the
/// absolute pressure; three tenths are more.
#[inline(never)]
pub(crate) fn gross_fall_pa(isolated: Isolated, rig: &Rig) -> i32 {
    isolated.pressure.plus(rig.raw().atmosphere_pa as i32).pascals() / 10 * 3
}

impl View<'_> {
    /// How far the trapped pressure has fallen since the valve was shut, in pascals; `None` while it is not known.
    pub(crate) fn fall_pa(&self) -> Option<i32> {
        let isolated = self.isolated?;
        Some(isolated.pressure.above(self.far.pressure()?))
    }

    pub(crate) fn since(&self, earlier: Instant) -> Duration {
        since(self.now, earlier)
    }

    /// What a gross fall that has lasted ends the side with: a leak, unless no gas falls like that.
    #[inline(never)]
    pub(crate) fn fallen(&self, ground: Ground) -> Next {
        if self.leapt { Next::Fault(Fault::Slew) } else { Next::End(End::plain(Verdict::Leaking, ground)) }
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
    pub(crate) ground: Ground,
    pub(crate) figure: Option<Figure>,
}

impl End {
    pub(crate) const fn plain(verdict: Verdict, ground: Ground) -> Self {
        Self { verdict, ground, figure: None }
    }
}

/// Where a phase wants to go.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Next {
    /// Nowhere yet.
    Stay,
    /// Still here, and the operator is asked for something.
    Ask(Ask),
    /// On to another phase.
    Go(Phase),
    /// The valve counts as shut: on to venting.
    Shut(Isolated),
    /// This side is over, to be opened into the vent.
    End(End),
    /// Something is wrong.
    Fault(Fault),
    /// Safe vent is done: both sides measured empty, the ball open.
    Empty {
        /// And the further stroke made, which empties the cavity.
        stroked: bool,
    },
    /// Nothing more to do here: to the resting state that fits.
    Rest,
}

/// Adds an event. A step never emits more than the list holds ([`EVENTS_MAX`](crate::limits::EVENTS_MAX)); one too many would be
/// lost rather than stop the machine.
#[inline(never)]
pub(crate) fn tell(events: &mut Events, event: Event) {
    let _ = events.push(event);
}
