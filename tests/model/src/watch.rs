//! The judge: remembers what must be remembered to say whether a rule was kept, and sees the true pressure.
//!
//! It shares nothing with the sequencer but the words of its inputs and outputs.
//!
//! **The strong word** is `Disconnect::ReadsEmpty` or `Disconnect::Confirmed`: what a person loosens a fitting on. It is
//! held against the truth: both sides and the cavity truly empty, nothing under way. Against which lies of the far
//! transducer can that be demanded?
//!
//! - One that does not rise with the fill, or not above `FLOOR_PA`: always. It has shown nothing: of so small a rise a leap
//!   back would not be seen.
//! - One that followed the fill above the floor and then lies while the true pressure is above it: always. Dropped to zero
//!   or shifted it leaps; stuck it never comes down; changed with the other it leaps, and the other does not come down.
//! - One that followed the fill *and the fall*, to below the floor, and only then sticks or dies: as far as the pressure
//!   that was there is concerned, wherever the supply side has a transducer too, as the ball joins both. With one
//!   transducer, one that dies on the way from the floor to empty is excused: what is left may stay behind a blocked way.
//! - What no reading can show is pressure that comes back afterwards by a way of its own, behind a shut ball, before a
//!   transducer that has earned its trust and then died; or, once it had read empty, that dies before it has shown more of
//!   it than a burst of interference. That is excused too. The hand bleed is for it. Of two transducers that change places
//!   it is not: each side is then read by the other, and both must be empty.
//!
//! Trust counts only what was read while nothing lied. It and an excuse hold until air is fed again, when the transducer
//! has to earn its trust anew; an excuse ends also when the far side is truly empty.
//!
//! The ball's cavity has no transducer. It is demanded empty wherever the further stroke can be seen: by air, with a shut
//! switch that did not lie while the ball was jammed, and a ball that did not jam between its ends, of which only one has a
//! switch. A lever said to be worked that was not, or a jammed ball without a switch, cannot be seen.

use seathold_sequencer::event::{Disconnect, Event, Phase};
use seathold_sequencer::input::{Ask, Command, Known, Side};
use seathold_sequencer::limits::EVENTS_MAX;
use seathold_sequencer::output::{Coil, Gate, Outputs, Pilot};
use seathold_sequencer::step::{Sequencer, Step};
use seathold_sequencer::verdict::Verdict;

use crate::plant::{Leak, Level, Lie, Plant};
use crate::world::{Mishap, POLL_US};

/// Below this many pascals a reading may come from anywhere: noise and the valve's own puffs are there.
const FLOOR_PA: i32 = 60_000;

/// So many readings in a row of a side that is not empty are no interference any more.
const FULL_READINGS: u8 = 3;

/// The rules of `docs/rig-and-safety.md`, as far as this world can break them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Rule {
    /// 1: supply and vent open together.
    BlewThrough,
    /// 1: from the one to the other without a poll in which both are shut; but for over-pressure, and the stop.
    NoChangeover,
    /// 1, 5: air let in with the far side unknown, or either side above the maximum, or outside a test.
    FedBlind,
    /// 2: after a fault or abort with air fed, the valve was not opened into the vent by way of the changeover.
    NotOpenedToVent,
    /// 2: a fault or abort before air was fed did not end at rest.
    NotAtRest,
    /// 2: something moved between an emergency stop and its release and acknowledgement.
    MovedWhileHeld,
    /// 2: the ball was told to open out of a resting state that nobody had asked to move, nor a full far side.
    MovedUnasked,
    /// 2: the ball was told to move with the guard open, and not to let out a far side that reads full.
    MovedOnAHand,
    /// 3: the strong word without readings of both sides empty for the whole dwell.
    NotDwelt,
    /// 3: the strong word with the far side truly full.
    FarFull,
    /// 3: the strong word with the supply side truly full, where that is seen.
    SupplyFull,
    /// 3: the strong word with the ball's cavity still full.
    CavityFull,
    /// 3: the strong word from a transducer that has not gone up and down since air was last fed.
    NoLife,
    /// 3: the strong word with the ball under way, an output energised, or a read-back that differs.
    NotAtRestYet,
    /// 3: the strong word with the further stroke switched off.
    NoFurtherStroke,
    /// 4: said to be confirmed, or ends said to be swapped, without the answer to that very question.
    AnswerMadeUp,
    /// 4: a fault forgotten without its acknowledgement, or an acknowledgement that skipped the safe vent.
    FaultForgotten,
    /// 6: a phase outlived its limit.
    Outlived,
    /// 9: called tight although a fault touched the run, or although it leaks.
    FalselyTight,
    /// 9: a verdict given before the far side was empty.
    JudgedFull,
    /// More events than the list is sure to hold.
    EventsLost,
}

/// How far the far side, as read, has gone since air was last let in. A rise that stays below the floor is none and earns no
/// trust, nor does what comes down from it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Gone {
    /// Not above the floor yet.
    Nowhere,
    /// Above the floor.
    Up,
    /// Down again below the floor, and not near empty yet.
    Low,
    /// Down to empty, whatever comes after.
    Down,
}

/// What the judge remembers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Watch {
    /// Readings of both sides empty span this long, in microseconds, up to the dwell; `None` without one.
    empty_us: Option<u64>,
    /// Likewise readings of a full far side; only before anything has moved.
    full_us: Option<u64>,
    /// Readings in a row of a full far side.
    full: u8,
    /// How long ago the last of them was, up to just too long.
    unread_us: u64,
    /// What the far side was read as.
    read_as: Gone,
    /// The same, but of readings that were true only.
    truly: Gone,
    /// Pressure came in of itself before a transducer that had earned its trust and lies now.
    excused: bool,
    /// The shut switch lied while the ball was jammed, or it jammed where no switch is.
    stroke_unsure: bool,
    /// Stopped, and not yet released and acknowledged.
    held: bool,
    /// A fault waits for its acknowledgement.
    owed: bool,
    /// A fault, or what must become one, touched the run.
    touched: bool,
    /// Readings in a row of a supply side that is not empty while settling or measuring.
    supply_full: u8,
    /// Air was let in, and the far side not yet emptied.
    fed: bool,
    /// The valve must stand open into the vent at the next poll.
    due: bool,
    /// The bleed was said to be open when that was asked.
    bled: bool,
    /// The guard has been open since the ends were to be swapped.
    guard_seen: bool,
    /// Age of the phase in microseconds; 0 where it has no limit.
    age_us: u64,
    /// What was judged at the last poll.
    pub judged: Option<(Side, Verdict)>,
    /// What was broken at the last poll.
    pub broken: Option<Rule>,
}

/// What happened at one poll, as it truly was.
#[derive(Debug)]
pub struct Poll<'a> {
    pub mishap: Mishap,
    pub command: Option<Command>,
    /// What a new and healthy reading of the far transducer said, in pascals.
    pub read: Option<i32>,
    /// Likewise of the supply transducer.
    pub supply_read: Option<i32>,
    pub guard_open: bool,
    /// The controller was reset before this poll, and its outputs fell to rest.
    pub reset: bool,
    /// A sequencer has begun anew: by a reset, or with a recipe.
    pub begun: bool,
    /// True time since the last poll, in microseconds.
    pub took_us: u64,
    /// Outputs, phase, and what was asked, before.
    pub before: Outputs,
    pub from: Phase,
    pub asked: Option<Ask>,
    pub plant: &'a Plant,
    /// The ball is under way, or told to be.
    pub moves: bool,
    /// The further stroke can be seen: by air, with a shut switch.
    pub seen: bool,
    /// A supply transducer is fitted.
    pub two: bool,
    /// Most pressure in a test, in pascals.
    pub max_pa: i32,
}

/// What no fitting may be loosened without.
fn strong(word: Disconnect) -> bool {
    matches!(word, Disconnect::ReadsEmpty | Disconnect::Confirmed)
}

impl Gone {
    fn on(self, pa: i32, safe: i32) -> Self {
        match self {
            Self::Nowhere | Self::Up | Self::Low if pa > FLOOR_PA => Self::Up,
            Self::Up if pa >= 2 * safe => Self::Low,
            Self::Up | Self::Low if pa.abs() <= safe => Self::Down,
            gone => gone,
        }
    }
}

impl Watch {
    pub const NEW: Self = Self {
        empty_us: None,
        full_us: None,
        full: 0,
        unread_us: 0,
        read_as: Gone::Nowhere,
        truly: Gone::Nowhere,
        excused: false,
        stroke_unsure: false,
        held: false,
        owed: false,
        touched: false,
        supply_full: 0,
        fed: false,
        due: false,
        bled: false,
        guard_seen: false,
        age_us: 0,
        judged: None,
        broken: None,
    };

    /// Age of the phase in microseconds; 0 where it has no limit.
    pub const fn age_us(&self) -> u64 {
        self.age_us
    }

    /// Takes in one poll and its step.
    pub fn see(&mut self, poll: &Poll<'_>, sequencer: &Sequencer, step: &Step) {
        if poll.begun {
            // The stop is all that a new sequencer is told of what was.
            *self = Self { held: self.held, excused: self.excused, stroke_unsure: self.stroke_unsure, ..Self::NEW };
        }
        (self.judged, self.broken) = (None, None);
        self.see_pressure(poll, sequencer);
        let stopped = poll.mishap == Mishap::Stop;
        let released = poll.command == Some(Command::Acknowledge) && !poll.guard_open;
        self.held = stopped || (self.held && !released);
        self.supply_full = match poll.supply_read {
            Some(pa) if pa > 0 && matches!(poll.from, Phase::Settle | Phase::Measure) => {
                (self.supply_full + 1).min(FULL_READINGS)
            }
            _ => 0,
        };
        let harmful = poll.guard_open
            || matches!(poll.mishap, Mishap::ClockBack | Mishap::Stall | Mishap::Differ)
            || poll.read.is_some_and(|pa| pa > poll.max_pa)
            || self.supply_full == FULL_READINGS;
        self.touched |= stopped || (harmful && poll.from.is_live());
        self.bled |= poll.asked == Some(Ask::OpenBleed) && poll.command == Some(Command::Confirm(Ask::OpenBleed));
        self.guard_seen |= poll.from == Phase::Swap && poll.guard_open;
        self.age_us += poll.took_us;
        let must_open = self.must_open(poll, step);
        for event in &step.events {
            self.hear(event, poll);
        }
        if sequencer.limit().is_none() {
            self.age_us = 0;
        }
        self.judge(poll, sequencer, step, must_open);
        self.due = must_open;
        self.fed |= step.outputs.supply == Gate::Open;
        if step.outputs.supply == Gate::Open && poll.before.supply == Gate::Shut {
            (self.read_as, self.truly) = (Gone::Nowhere, Gone::Nowhere);
            (self.excused, self.stroke_unsure) = (false, false);
        }
        if !strong(sequencer.status().disconnect) && sequencer.status().disconnect != Disconnect::CavityUnknown {
            self.bled = false;
        }
        if sequencer.phase() != Phase::Swap {
            self.guard_seen = false;
        }
        // Of a run only.
        self.touched &= sequencer.status().side.is_some();
        if sequencer.phase() != Phase::StartUp {
            self.full_us = None;
        }
    }

    fn see_pressure(&mut self, poll: &Poll<'_>, sequencer: &Sequencer) {
        let raw = sequencer.rig().raw();
        let safe = raw.safe_pa as i32;
        let dwell_us = u64::from(raw.safe_dwell_ms) * 1_000;
        let stale_us = 5 * POLL_US;
        let unbroken = poll.mishap != Mishap::ClockBack && poll.took_us <= u64::from(raw.stall_ms_max) * 1_000;
        if !unbroken || poll.mishap == Mishap::Sick {
            (self.empty_us, self.full_us) = (None, None);
        }
        if poll.mishap == Mishap::ClockBack || poll.mishap == Mishap::Sick {
            self.full = 0;
        }
        if poll.mishap == Mishap::SupplySick {
            self.empty_us = None;
        }
        self.unread_us = (self.unread_us + poll.took_us).min(stale_us + POLL_US);
        // A hole is noticed at a poll that still brings nothing.
        if poll.read.is_none() && self.unread_us > stale_us {
            (self.empty_us, self.full_us, self.full) = (None, None, 0);
        }
        if poll.supply_read.is_some_and(|pa| pa.abs() > safe) {
            self.empty_us = None;
        }
        let lies = poll.plant.says_shut() != poll.plant.is_shut() || poll.mishap == Mishap::SwitchFlick;
        self.stroke_unsure |= poll.plant.jammed && (lies || poll.plant.is_between());
        let shown = self.full;
        let Some(pa) = poll.read else { return };
        let unread = self.unread_us;
        let longer = |span: Option<u64>| Some(span.map_or(0, |span| (span + unread).min(dwell_us)));
        let supply_empty = poll.supply_read.is_none_or(|pa| pa.abs() <= safe);
        self.empty_us = if pa.abs() <= safe && supply_empty { longer(self.empty_us) } else { None };
        self.full_us = if pa >= safe { longer(self.full_us) } else { None };
        self.full = if pa >= safe { (self.full + 1).min(FULL_READINGS) } else { 0 };
        self.unread_us = 0;
        self.read_as = self.read_as.on(pa, safe);
        if poll.plant.lie == Lie::None {
            self.truly = self.truly.on(pa, safe);
        }
        let trusted = matches!(self.truly, Gone::Low | Gone::Down);
        if trusted && !matches!(poll.plant.lie, Lie::None | Lie::Swapped) {
            let begins = matches!(poll.mishap, Mishap::Lie(_));
            let unseen = begins && self.truly == Gone::Down && shown < FULL_READINGS;
            let alone = begins && self.truly == Gone::Low && !poll.two;
            self.excused |= poll.mishap == Mishap::Intrusion || unseen || alone;
        }
        self.excused &= poll.plant.far != Level::Empty;
    }

    fn hear(&mut self, event: &Event, poll: &Poll<'_>) {
        match event {
            Event::Faulted(_) => (self.owed, self.touched) = (true, true),
            Event::Acknowledged => self.owed = false,
            Event::Entered { phase, side } => {
                self.age_us = 0;
                if *phase == Phase::Precheck && *side == Some(Side::First) {
                    self.touched = false;
                }
                let swapped = poll.command == Some(Command::Confirm(Ask::SwapEnds));
                let asked = self.bled && poll.asked == Some(Ask::SwapEnds) && self.guard_seen && !poll.guard_open;
                if (*phase, poll.from) == (Phase::Precheck, Phase::Swap) && !(swapped && asked) {
                    self.broken = Some(Rule::AnswerMadeUp);
                }
                // Out of the safe vent, but for two ways, there is no way but by an empty far side.
                if poll.from == Phase::SafeVent && !matches!(phase, Phase::SafeVent | Phase::Trapped | Phase::Held) {
                    self.fed = false;
                }
            }
            Event::Judged(result) => {
                self.judged = Some((result.side, result.verdict));
                let tight = result.verdict == Verdict::Tight;
                if tight && (self.touched || poll.plant.leak != Leak::None) {
                    self.broken = Some(Rule::FalselyTight);
                }
                let full = poll.plant.far != Level::Empty && !self.excused;
                if result.verdict != Verdict::Void && full {
                    self.broken = Some(Rule::JudgedFull);
                }
            }
            _ => {}
        }
    }

    fn judge(&mut self, poll: &Poll<'_>, sequencer: &Sequencer, step: &Step, must_open: bool) {
        let Step { outputs, .. } = *step;
        let status = sequencer.status();
        let plant = poll.plant;
        let strong = strong(status.disconnect);
        let raw = sequencer.rig().raw();
        let dwelt = self.empty_us.is_some_and(|span| span >= u64::from(raw.safe_dwell_ms) * 1_000);
        let outlived = |most: u64| self.age_us > most + 2 * POLL_US;
        let rules = [
            (Rule::BlewThrough, outputs.blows_through()),
            (Rule::NoChangeover, self.no_changeover(poll, raw.safe_pa as i32, outputs)),
            (Rule::FedBlind, outputs.supply == Gate::Open && !self.may_feed(poll, sequencer)),
            (Rule::NotOpenedToVent, self.not_opened(poll, outputs, must_open)),
            (Rule::NotAtRest, self.not_at_rest(poll, step, must_open)),
            (Rule::MovedWhileHeld, self.held && (outputs != Outputs::REST || status.phase != Phase::Held)),
            (Rule::MovedUnasked, self.moved_unasked(poll, sequencer, outputs)),
            (Rule::MovedOnAHand, self.moved_on_a_hand(poll, outputs)),
            (Rule::NotDwelt, strong && !dwelt),
            (Rule::FarFull, strong && plant.far != Level::Empty && !self.excused),
            (Rule::SupplyFull, strong && poll.two && plant.supply != Level::Empty),
            (Rule::CavityFull, strong && plant.cavity && poll.seen && !self.stroke_unsure && !self.excused),
            (Rule::NoLife, strong && self.read_as != Gone::Down),
            (
                Rule::NotAtRestYet,
                strong
                    && (outputs != Outputs::REST
                        || poll.moves
                        || poll.mishap == Mishap::Differ
                        || !status.phase.is_resting()),
            ),
            (Rule::NoFurtherStroke, strong && sequencer.recipe().is_some_and(|r| !r.raw().cavity_stroke)),
            (Rule::AnswerMadeUp, status.disconnect == Disconnect::Confirmed && !self.bled),
            (Rule::FaultForgotten, self.owed && (status.fault.is_none() || status.phase == Phase::Ready)),
            (Rule::Outlived, sequencer.limit().is_some_and(|most| outlived(most.as_ticks()))),
            (Rule::EventsLost, step.events.len() >= EVENTS_MAX),
        ];
        if let Some((rule, _)) = rules.iter().find(|(_, broken)| *broken) {
            self.broken = Some(*rule);
        }
    }

    fn no_changeover(&self, poll: &Poll<'_>, safe: i32, outputs: Outputs) -> bool {
        // Worked by itself, an output is so with the air off: any air is too much.
        let max = if poll.from == Phase::Work { safe } else { poll.max_pa };
        let over = [poll.read, poll.supply_read].into_iter().flatten().any(|pa| pa > max);
        let to_vent = poll.before.supply == Gate::Open && outputs.vent == Gate::Open;
        let to_supply = poll.before.vent == Gate::Open && outputs.supply == Gate::Open;
        to_supply || (to_vent && !over && poll.mishap != Mishap::Stop && !poll.reset)
    }

    fn may_feed(&self, poll: &Poll<'_>, sequencer: &Sequencer) -> bool {
        let status = sequencer.status();
        let max = match status.phase {
            Phase::Work => sequencer.rig().raw().safe_pa as i32,
            _ => poll.max_pa,
        };
        let seen = matches!(status.far, Known::Pressure(p) if p.pascals() <= max);
        // In a test the supply transducer tells on a far transducer that lies; worked by itself, nothing joins the two.
        let told = poll.plant.lie == Lie::None || (poll.two && status.phase != Phase::Work);
        let truly = poll.read.is_none() || !told || poll.plant.far_pascals() <= max;
        let supply = poll.supply_read.is_none_or(|pa| pa <= max);
        seen && truly && supply && status.phase.is_live() && !poll.guard_open
    }

    /// Whether this poll ends a test with air in it: a fault or an abort.
    fn must_open(&self, poll: &Poll<'_>, step: &Step) -> bool {
        let ended = step.events.iter().any(|e| matches!(e, Event::Faulted(_) | Event::Aborted));
        !self.held && self.fed && ended && poll.from.is_live()
    }

    /// Supply shut and the valve told to open at once, the vent open at the next poll. With the guard open the valve waits,
    /// unless the far side reads full.
    fn not_opened(&self, poll: &Poll<'_>, outputs: Outputs, must_open: bool) -> bool {
        let waits = poll.guard_open && self.full < FULL_READINGS;
        let opens = outputs.supply == Gate::Shut && (outputs.pilot == Pilot::Fed || waits);
        let late = self.due && !self.held && !poll.reset && outputs.vent == Gate::Shut;
        (must_open && !opens) || late
    }

    /// Before any air was fed the same ends at rest, and at once; with the guard open, the pilot stays as it is.
    fn not_at_rest(&self, poll: &Poll<'_>, step: &Step, must_open: bool) -> bool {
        let ended = step.events.iter().any(|e| matches!(e, Event::Faulted(_) | Event::Aborted));
        let full = self.full == FULL_READINGS;
        let Outputs { supply, vent, pilot } = step.outputs;
        let rests = pilot == Pilot::Exhausted || (poll.guard_open && pilot == poll.before.pilot);
        // A vent that was being shut for the fill opens again at once: no air has come.
        let at_rest = rests && supply == Gate::Shut && vent == Gate::Open;
        ended && poll.from.is_live() && !(must_open || self.held || full || at_rest)
    }

    fn moved_unasked(&self, poll: &Poll<'_>, sequencer: &Sequencer, outputs: Outputs) -> bool {
        let opens = poll.before.pilot == Pilot::Exhausted && outputs.pilot == Pilot::Fed;
        let at_rest =
            matches!(poll.from, Phase::StartUp | Phase::Ready | Phase::Swap | Phase::Fault | Phase::Held) || poll.begun;
        // A start, or one output to be worked, is an order only where it is taken.
        let ordered = match poll.command {
            Some(Command::Acknowledge) => true,
            Some(Command::Start(_) | Command::Work(Coil::Pilot)) => poll.from == Phase::Ready,
            _ => false,
        };
        let told = ordered && !poll.guard_open;
        let dwell_us = u64::from(sequencer.rig().raw().safe_dwell_ms) * 1_000;
        let full = poll.from == Phase::StartUp && self.full_us.is_some_and(|span| span >= dwell_us);
        opens && at_rest && !told && !full
    }

    /// With the guard open a hand may be in the ball, unless the far side is full. One reading that says so may be
    /// interference. The stop and a reset take the pilot's power away whatever is there.
    fn moved_on_a_hand(&self, poll: &Poll<'_>, outputs: Outputs) -> bool {
        let full = self.full == FULL_READINGS;
        let lets_out = outputs.pilot == Pilot::Fed && outputs.supply == Gate::Shut && full;
        let moved = outputs.pilot != poll.before.pilot && poll.mishap != Mishap::Stop && !poll.reset;
        poll.guard_open && moved && !lets_out
    }
}
