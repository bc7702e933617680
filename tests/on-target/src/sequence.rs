//! The sequencer over a bottle: every phase, both sides, and faults in them.

use crate::bottle::{Ails, Bottle, Person};
use crate::meter::{Ledger, Meter, metered_poll};
use crate::tell::{ENCODED_MAX, Hex, Running, Tell};
use core::mem::MaybeUninit;
use seathold_sequencer::event::Phase;
use seathold_sequencer::input::Sides;
use seathold_sequencer::poll_loop::PollRecord;
use seathold_sequencer::recipe::{RawRecipe, Recipe};
use seathold_sequencer::rig::{RawRig, Rig};
use seathold_sequencer::step::Sequencer;

/// An event some polls into a phase.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Incident {
    /// Abort is pressed.
    Abort,
    /// The emergency stop is pressed and, two seconds later, released.
    Stop,
    /// The guard is opened and, two seconds later, closed.
    Guard,
    /// The far transducer's wire breaks, and is repaired five seconds later.
    Wire,
    /// One sample jumps.
    Knock,
    /// Power is lost for two seconds.
    PowerCut,
}

/// A run and its events.
#[derive(Clone, Copy, Debug)]
pub struct Scenario {
    name: &'static str,
    sides: Sides,
    ails: Ails,
    incident: Option<(Phase, u32, Incident)>,
    /// Polls come at random moments.
    uneven: bool,
}

const SOUND: Ails = Ails { fall_first: 0, fall_second: 0, jammed_open: false, jammed_shut: false };

/// The recipe, shortened: the bottle has no heat to settle.
const RECIPE: RawRecipe =
    RawRecipe { soak_ms: 1_000, settle_ms: 1_000, measure_ms_max: 15_000, cavity_stroke: true, ..RawRecipe::DEMO };

const fn run(name: &'static str, ails: Ails) -> Scenario {
    Scenario { name, sides: Sides::Both, ails, incident: None, uneven: false }
}

const fn upset(name: &'static str, phase: Phase, polls: u32, what: Incident) -> Scenario {
    Scenario { incident: Some((phase, polls, what)), ..run(name, SOUND) }
}

/// Every scenario, in the order they run. A fall of 170 is about the limit of the recipe.
pub const SCENARIOS: &[Scenario] = &[
    run("tight", SOUND),
    run("leaks-first", Ails { fall_first: 900, ..SOUND }),
    run("leaks-both", Ails { fall_first: 600, fall_second: 620, ..SOUND }),
    run("at-the-limit", Ails { fall_first: 167, fall_second: 167, ..SOUND }),
    // Blocks whose times are not a step apart take exponential functions of their own.
    Scenario { uneven: true, ..run("uneven", Ails { fall_first: 167, ..SOUND }) },
    run("gross", Ails { fall_first: 900_000, ..SOUND }),
    run("does-not-shut", Ails { jammed_open: true, ..SOUND }),
    run("does-not-open", Ails { jammed_shut: true, ..SOUND }),
    upset("abort-in-fill", Phase::Fill, 20, Incident::Abort),
    upset("stop-in-settle", Phase::Settle, 30, Incident::Stop),
    upset("guard-in-soak", Phase::Soak, 30, Incident::Guard),
    upset("wire-in-measure", Phase::Measure, 100, Incident::Wire),
    upset("knock-in-measure", Phase::Measure, 100, Incident::Knock),
    upset("guard-in-precheck", Phase::Precheck, 30, Incident::Guard),
    upset("power-cut-in-measure", Phase::Measure, 100, Incident::PowerCut),
    upset("power-cut-in-fill", Phase::Fill, 20, Incident::PowerCut),
];

/// No scenario needs more: four minutes.
const POLLS_MAX: u32 = 24_000;

impl Scenario {
    /// Runs it and reports every event's bytes, then the check over everything.
    #[inline(never)]
    pub fn run(&self, tell: &mut impl Tell, meter: &impl Meter, place: &mut MaybeUninit<Sequencer>) {
        let name = self.name;
        let Some((rig, recipe)) = checked_rig().and_then(|rig| Some((rig, checked_recipe(&rig)?))) else {
            return tell.line(format_args!("run {name} rig or recipe not valid"));
        };
        let mut sequencer = begin_in(place, rig, recipe, false);
        let mut bottle = Bottle::new(self.ails, RawRig::DEMO.far);
        if self.uneven {
            bottle = bottle.polled_unevenly();
        }
        let mut person = Person::new(self.sides);
        let mut check = Running::default();
        let mut ledger = Ledger::default();
        let mut in_phase = 0;
        let mut polls = 0;
        while polls < POLLS_MAX && !(person.started && sequencer.phase() == Phase::Ready && in_phase > 400) {
            let before = sequencer.phase();
            if let Some((phase, after, what)) = self.incident {
                if phase == before && after == in_phase && !bottle.swapped {
                    begin(what, &mut bottle, &mut person);
                    if what == Incident::PowerCut {
                        sequencer = begin_in(place, rig, recipe, bottle.stop_kept);
                        tell.line(format_args!("run {name} power back"));
                    }
                } else {
                    end(what, in_phase, &mut bottle);
                }
            }
            one_poll(name, sequencer, &mut bottle, &mut person, meter, &mut ledger, &mut check, tell);
            bottle.hand_in = person.reaches_in();
            bottle.swapped |= core::mem::take(&mut person.swapped);
            bottle.advance();
            in_phase = if sequencer.phase() == before { in_phase + 1 } else { 0 };
            polls += 1;
        }
        tell.line(format_args!("run {name} polls {polls} check {:016x}", check.finish()));
        for (phase, row) in ledger.rows() {
            let (mean, worst) = (row.total / u64::from(row.polls), row.worst);
            tell.line(format_args!(
                "measured {name} {phase:?} polls {} mean {mean} worst {} stack {}",
                row.polls, worst.instructions, worst.stack
            ));
        }
    }
}

// The functions below are never inlined: a recipe or a new sequencer takes kilobytes of stack, which are free
// again once they have returned, and a controller of 16 KiB cannot hold them all at once.

#[inline(never)]
fn checked_rig() -> Option<Rig> {
    RawRig::DEMO.validate_with(|_| {})
}

#[inline(never)]
fn checked_recipe(rig: &Rig) -> Option<Recipe> {
    RECIPE.validate_with(rig, |_| {})
}

/// Power is on, or back. Constructed in place.
#[inline(never)]
fn begin_in(place: &mut MaybeUninit<Sequencer>, rig: Rig, recipe: Recipe, stopped: bool) -> &mut Sequencer {
    place.write(Sequencer::resume(rig, Some(recipe), stopped))
}

fn begin(what: Incident, bottle: &mut Bottle, person: &mut Person) {
    match what {
        Incident::Abort => person.abort = true,
        Incident::Stop => bottle.stop = true,
        Incident::Guard => bottle.guard_open = true,
        Incident::Wire => bottle.wire_broken = true,
        Incident::Knock => bottle.knock_pa = 20_000,
        Incident::PowerCut => bottle.power_cut(200),
    }
}

fn end(what: Incident, in_phase: u32, bottle: &mut Bottle) {
    bottle.knock_pa = 0;
    let lasts = if what == Incident::Wire { 500 } else { 200 };
    if in_phase == lasts {
        bottle.stop = false;
        bottle.guard_open = false;
        bottle.wire_broken = false;
    }
}

#[inline(never)]
#[expect(clippy::too_many_arguments, reason = "one loop body, taken out only so that its stack is its own")]
fn one_poll(
    name: &str,
    sequencer: &mut Sequencer,
    bottle: &mut Bottle,
    person: &mut Person,
    meter: &impl Meter,
    ledger: &mut Ledger,
    check: &mut Running,
    tell: &mut impl Tell,
) {
    let mut polled = PollRecord::empty();
    match metered_poll(sequencer, bottle, person, meter, ledger, &mut polled) {
        Ok(()) => record(name, &polled, check, tell),
        Err(never) => match never {},
    }
}

/// Reports the events; the rest goes into the check. Not inlined: its memory must not be on the stack of a step.
#[inline(never)]
fn record(name: &str, polled: &PollRecord, check: &mut Running, tell: &mut impl Tell) {
    let mut room = [0; ENCODED_MAX];
    check.update(&polled.at.as_ticks().to_le_bytes());
    match postcard::to_slice(&(&polled.inputs, &polled.outputs), &mut room) {
        Ok(bytes) => check.update(bytes),
        Err(error) => tell.line(format_args!("run {name} poll not encoded: {error}")),
    }
    for event in &polled.events {
        match postcard::to_slice(event, &mut room) {
            Ok(bytes) => {
                check.update(bytes);
                tell.line(format_args!("run {name} {} {}", polled.at.as_ticks() / 1_000, Hex(bytes)));
            }
            Err(error) => tell.line(format_args!("run {name} event not encoded: {error}")),
        }
    }
}
