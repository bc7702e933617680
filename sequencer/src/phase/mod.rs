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

use core::num::NonZeroU16;

use crate::channel::Channel;
use crate::event::{Event, Events, Fault, Phase};
use crate::gas_temperature::GasTemperature;
use crate::input::{Contacts, Prompt};
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
    /// Mean change of the far reading in the precheck, where its last digits moved there ([`crate::limits::CHANGE_PARTS`]).
    pub(crate) flicker: Option<NonZeroU16>,
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
    /// It ended in the measurement, whose estimate is kept there.
    pub(crate) measured: bool,
}

impl End {
    pub(crate) const fn without_estimate(verdict: Verdict, reason: Reason) -> Self {
        Self { verdict, reason, measured: false }
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

/// A phase by itself, polled at exact times with exact readings.
#[cfg(test)]
pub(crate) mod bench {
    use super::*;
    use crate::input::Reading;
    use crate::recipe::RawRecipe;
    use crate::rig::{RawRig, Transducer};
    use crate::time::millis;

    /// Of a pascal a count, so that a reading can lie exactly on a bound, or a pascal beside it.
    pub(crate) const TRANSDUCER: Transducer =
        Transducer { zero_counts: 100_000, pa_per_count: 1.0, counts_min: 0, counts_max: 1_100_000 };
    pub(crate) const RIG: RawRig = RawRig { far: TRANSDUCER, supply: Some(TRANSDUCER), ..RawRig::DEMO };

    /// Microseconds since the phase was entered.
    pub(crate) fn at(us: u64) -> Instant {
        Instant::from_ticks(us)
    }

    #[derive(Clone)]
    pub(crate) struct Bench {
        pub(crate) rig: Rig,
        pub(crate) recipe: Recipe,
        pub(crate) far: Channel,
        pub(crate) supply: Channel,
        number: u32,
    }

    impl Bench {
        pub(crate) fn on(rig: &RawRig, recipe: &RawRecipe) -> Self {
            let rig = rig.validate().unwrap_or_else(|e| panic!("{e}"));
            let recipe = recipe.validate(&rig).unwrap_or_else(|e| panic!("{e}"));
            let channel = || Channel::new(rig.raw().far, recipe.sample_period());
            Self { rig, recipe, far: channel(), supply: channel(), number: 0 }
        }

        /// Readings of both sides at a time, in pascals, by the far transducer.
        pub(crate) fn read(&mut self, us: u64, far: i32, supply: i32) -> &mut Self {
            self.number += 1;
            let sample = |pa: i32| Reading::sample(self.rig.raw().far.counts(pa.into()), self.number);
            self.far.update(at(us), sample(far));
            self.supply.update(at(us), sample(supply));
            self
        }

        /// How many there have been.
        pub(crate) const fn readings(&self) -> u32 {
            self.number
        }

        pub(crate) fn view(&self, us: u64) -> View<'_> {
            View {
                now: at(us),
                elapsed: millis(10),
                spent: Duration::from_ticks(us),
                rig: &self.rig,
                recipe: &self.recipe,
                far: &self.far,
                supply: Some(&self.supply),
                gas_temperature: GasTemperature::NotFitted,
                contacts: Contacts::CLEAR,
                confirmed: None,
                isolated: Some(Isolated { at: at(0), pressure: GaugePressure::from_pascals(600_000) }),
                gross_fall: Persist::NONE,
                supply_full: false,
                sides_apart: false,
                jumped: false,
                flicker: None,
            }
        }
    }

    impl Default for Bench {
        fn default() -> Self {
            Self::on(&RIG, &RawRecipe::DEMO)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::bench::{Bench, RIG};
    use super::*;
    use crate::recipe::{Actuation, RawRecipe};
    use crate::rig::RawRig;
    use crate::time::millis;

    /// By `RawRecipe::DEMO`, 2 kPa.
    #[test]
    fn the_trapped_pressure_rose_where_it_reads_more_than_the_limit_above() {
        for (pa, rose) in [(599_000, false), (602_000, false), (602_001, true)] {
            assert_eq!(Bench::default().read(10, pa, 0).view(10).rose(), rose, "{pa} Pa");
        }
        assert!(!Bench::default().view(10).rose(), "nothing read yet");
    }

    /// Summed by hand from the times of [`RawRig::DEMO`] and [`RawRecipe::DEMO`].
    #[test]
    fn the_longest_a_phase_may_take_is_the_sum_of_its_parts() {
        let by = |actuation, shut_switch_fitted| {
            Bench::on(&RawRig { shut_switch_fitted, ..RIG }, &RawRecipe { actuation, ..RawRecipe::DEMO })
        };
        let (air, hand) = (by(Actuation::Air, false), by(Actuation::Hand, false));
        let (air_switch, hand_switch) = (by(Actuation::Air, true), by(Actuation::Hand, true));
        let (rig, recipe) = (&air.rig, &air.recipe);
        for (what, limit, ms) in [
            ("start-up", start_up::limit(rig), 2 * 1_000 + 1_000),
            ("precheck", precheck::limit(recipe), 2 * 1_000 + 1_000),
            ("fill", fill::limit(recipe, rig), 1_000 + 20_000),
            ("fill by hand", fill::limit(&hand.recipe, rig), 120_000 + 20_000),
            ("soak", soak::limit(recipe), 10_000),
            ("isolate", isolate::limit(recipe), 5_000),
            ("isolate by hand", isolate::limit(&hand.recipe), 120_000),
            ("vent", vent::limit(recipe, rig), 50 + 15_000),
            ("settle", settle::limit(recipe), 5_000),
            // 228 polls to close: twice 2 × (32 + 3) + 14 + 6 of a fit, and three quantiles of 14 + 2.
            ("measure", measure::limit(recipe, rig), 60_000 + 228 * 250),
            ("output test", output_test::limit(rig), 50 + 2_000),
            ("safe vent", safe_vent::limit(rig, Some(recipe)), 50 + 30_000 + 2 * 1_000 + 30_000),
            (
                "safe vent with a shut switch",
                safe_vent::limit(&air_switch.rig, Some(recipe)),
                50 + 30_000 + 2 * 5_000 + 30_000,
            ),
            (
                "safe vent by hand",
                safe_vent::limit(rig, Some(&hand.recipe)),
                50 + (30_000 + 120_000) + 120_000 + 1_000 + 30_000,
            ),
            (
                "safe vent by hand with a shut switch",
                safe_vent::limit(&hand_switch.rig, Some(&hand.recipe)),
                50 + (30_000 + 120_000) + 120_000 + 5_000 + 30_000,
            ),
            (
                "safe vent without a recipe",
                safe_vent::limit(&air_switch.rig, None),
                50 + (30_000 + 120_000) + 2 * 60_000 + 30_000,
            ),
        ] {
            assert_eq!(limit, millis(ms), "{what}");
        }
    }
}
