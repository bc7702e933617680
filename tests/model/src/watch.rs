//! The judge: keeps the history needed to decide whether a rule was kept, and knows the true pressure.
//!
//! It shares nothing with the sequencer but the types of its inputs and outputs.
//!
//! **The strong state** is `Disconnect::ReadsEmpty` or `Disconnect::Confirmed`: the state on which a person loosens a
//! fitting. It is compared with the truth: both sides and the cavity truly empty, nothing moving. For which faults of
//! the far transducer can that be required?
//!
//! - One that does not rise with the fill, or not above `FLOOR_PA`: always. It has proved nothing: after so small a
//!   rise a jump back would not be detected.
//! - One that followed the fill above the floor and then reads wrongly while the true pressure is above it: always.
//!   Dropped to zero or shifted it jumps; stuck it never comes down; exchanged with the other it jumps, and the other
//!   does not come down.
//! - One that followed the fill *and the fall*, to below the floor, and only then sticks or dies: for the pressure
//!   present then, wherever the supply side has a transducer too, as the ball joins both. With one transducer, one that
//!   fails on the way from the floor to empty is excused: the rest may stay behind a blocked vent.
//! - What no reading can show is pressure that comes back afterwards by another path, behind a shut ball, at a
//!   transducer that was proved and then failed; or, once it had read empty, that fails before it has shown more of it
//!   than a burst of interference. That is excused too. The hand bleed is for it. Of two exchanged transducers it is
//!   not: each side is then read by the other, and both must be empty.
//!
//! The proof counts only readings without faults. It and an excuse hold until air is fed again, when the transducer has
//! to be proved again; an excuse ends also when the far side is truly empty.
//!
//! The ball's cavity has no transducer. It must be empty wherever the further stroke can be detected: by air, with a
//! shut switch that did not read wrongly while the ball was jammed, and a ball that did not jam between its ends, of
//! which only one has a switch. A false confirmation of the lever, or a jammed ball without a switch, cannot be
//! detected.

use seathold_sequencer::event::{Disconnect, Event, Phase};
use seathold_sequencer::input::{ChannelState, Command, Prompt, Side};
use seathold_sequencer::limits::EVENTS_MAX;
use seathold_sequencer::output::{Coil, GasValve, Outputs, Pilot};
use seathold_sequencer::step::{Sequencer, Step};
use seathold_sequencer::verdict::Verdict;

use crate::plant::{Leak, Level, Lie, Plant};
use crate::world::{Mishap, POLL_US};

/// Below this many pascals a reading may come from anywhere: noise and the valve's own puffs are there.
const FLOOR_PA: i32 = 60_000;

/// This many consecutive readings of a side that is not empty are no interference.
const FULL_READINGS: u8 = 3;

/// The rules of `docs/rig-and-safety.md`, as far as this world can break them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Rule {
    /// 1: supply and vent open together.
    BlewThrough,
    /// 1: from the one to the other without a poll in which both are shut; except for over-pressure, and the stop.
    NoChangeover,
    /// 1, 5: air let in with the far side unknown, or either side above the maximum, or outside a test.
    FedBlind,
    /// 2: after a fault or abort with air fed, the valve was not opened into the vent by way of the changeover.
    NotOpenedToVent,
    /// 2: a fault or abort before air was fed did not end at rest.
    NotAtRest,
    /// 2: something moved between an emergency stop and its release and acknowledgement.
    MovedWhileHeld,
    /// 2: the ball was commanded open out of a resting state without a request, or a full far side.
    MovedUnasked,
    /// 2: the ball was commanded to move with the guard open, and not to vent a far side that reads full.
    MovedOnAHand,
    /// 3: the strong state without readings of both sides empty for the whole dwell.
    NotDwelt,
    /// 3: the strong state with the far side truly full.
    FarFull,
    /// 3: the strong state with the supply side truly full, where that is measured.
    SupplyFull,
    /// 3: the strong state with the ball's cavity still full.
    CavityFull,
    /// 3: the strong state from a transducer that has not gone up and down since air was last fed.
    NoLife,
    /// 3: the strong state with the ball moving, an output energised, or a read-back that differs.
    NotAtRestYet,
    /// 3: the strong state with the further stroke switched off.
    NoFurtherStroke,
    /// 4: confirmed, or ends swapped, without the confirmation of that very prompt.
    AnswerMadeUp,
    /// 4: a fault forgotten without its acknowledgement, or an acknowledgement that skipped the safe vent.
    FaultForgotten,
    /// 6: a phase outlived its limit.
    Outlived,
    /// 9: called tight although a fault occurred in the run, or although it leaks.
    FalselyTight,
    /// 9: a verdict given before the far side was empty.
    JudgedFull,
    /// More events than the list can hold.
    EventsLost,
}

/// Course of the far reading since air was last let in. A rise that stays below the floor is none and proves nothing,
/// nor does a fall from it.
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

/// State of the judge.
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
    /// Course of the far reading.
    read_as: Gone,
    /// The same, of true readings only.
    truly: Gone,
    /// Pressure came in by another path at a transducer that was proved and reads wrongly now.
    excused: bool,
    /// The shut switch read wrongly while the ball was jammed, or it jammed where there is no switch.
    stroke_unsure: bool,
    /// Stopped, and not yet released and acknowledged.
    held: bool,
    /// A fault waits for its acknowledgement.
    owed: bool,
    /// A fault, or a condition that must become one, occurred in the run.
    touched: bool,
    /// Readings in a row of a supply side that is not empty while settling or measuring.
    supply_full: u8,
    /// Air was let in, and the far side not yet emptied.
    fed: bool,
    /// The valve must stand open into the vent at the next poll.
    due: bool,
    /// The bleed was confirmed open at its prompt.
    bled: bool,
    /// The guard has been open since the ends were to be swapped.
    guard_seen: bool,
    /// Age of the phase in microseconds; 0 where it has no limit.
    age_us: u64,
    /// Verdict at the last poll.
    pub judged: Option<(Side, Verdict)>,
    /// Rules broken at the last poll.
    pub broken: Option<Rule>,
}

/// True state at one poll.
#[derive(Debug)]
pub struct Poll<'a> {
    pub mishap: Mishap,
    pub command: Option<Command>,
    /// A new and healthy reading of the far transducer, in pascals.
    pub read: Option<i32>,
    /// Likewise of the supply transducer.
    pub supply_read: Option<i32>,
    pub guard_open: bool,
    /// The controller was reset before this poll, and its outputs fell to rest.
    pub reset: bool,
    /// A sequencer has restarted: by a reset, or with a recipe.
    pub begun: bool,
    /// True time since the last poll, in microseconds.
    pub took_us: u64,
    /// Outputs, phase, and prompt, before.
    pub before: Outputs,
    pub from: Phase,
    pub asked: Option<Prompt>,
    pub plant: &'a Plant,
    /// The ball moves, or is commanded to.
    pub moves: bool,
    /// The further stroke can be detected: by air, with a shut switch.
    pub seen: bool,
    /// A supply transducer is fitted.
    pub two: bool,
    /// Most pressure in a test, in pascals.
    pub pressure_max_pa: i32,
}

/// Conditions for loosening a fitting.
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
            // A new sequencer only knows the stop state.
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
            || poll.read.is_some_and(|pa| pa > poll.pressure_max_pa)
            || self.supply_full == FULL_READINGS;
        self.touched |= stopped || (harmful && poll.from.is_live());
        self.bled |= poll.asked == Some(Prompt::OpenBleed) && poll.command == Some(Command::Confirm(Prompt::OpenBleed));
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
        // A clock that goes back gives the changeover no time: one poll more.
        let waits = self.due && poll.mishap == Mishap::ClockBack && step.outputs.vent == GasValve::Shut;
        self.due = must_open || waits;
        self.fed |= step.outputs.supply == GasValve::Open;
        if step.outputs.supply == GasValve::Open && poll.before.supply == GasValve::Shut {
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
        let safe = raw.safe_pressure_pa as i32;
        let dwell_us = u64::from(raw.safe_dwell_ms) * 1_000;
        let stale_us = 5 * POLL_US;
        let unbroken = poll.mishap != Mishap::ClockBack && poll.took_us <= u64::from(raw.poll_gap_ms_max) * 1_000;
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
        // A gap is detected at a poll that still brings no sample.
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
                let swapped = poll.command == Some(Command::Confirm(Prompt::SwapEnds));
                let asked = self.bled && poll.asked == Some(Prompt::SwapEnds) && self.guard_seen && !poll.guard_open;
                if (*phase, poll.from) == (Phase::Precheck, Phase::Swap) && !(swapped && asked) {
                    self.broken = Some(Rule::AnswerMadeUp);
                }
                // With two exceptions, the only way out of the safe vent is an empty far side.
                if poll.from == Phase::SafeVent
                    && !matches!(phase, Phase::SafeVent | Phase::Trapped | Phase::EmergencyStopped)
                {
                    self.fed = false;
                }
            }
            Event::SideFinished(result) => {
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
            (Rule::BlewThrough, outputs.supply_to_vent()),
            (Rule::NoChangeover, self.no_changeover(poll, raw.safe_pressure_pa as i32, outputs)),
            (Rule::FedBlind, outputs.supply == GasValve::Open && !self.may_feed(poll, sequencer)),
            (Rule::NotOpenedToVent, self.not_opened(poll, outputs, must_open)),
            (Rule::NotAtRest, self.not_at_rest(poll, step, must_open)),
            (Rule::MovedWhileHeld, self.held && (outputs != Outputs::REST || status.phase != Phase::EmergencyStopped)),
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
        // An output test is made with the air off: any air is too much.
        let max = if poll.from == Phase::OutputTest { safe } else { poll.pressure_max_pa };
        let over = [poll.read, poll.supply_read].into_iter().flatten().any(|pa| pa > max);
        let to_vent = poll.before.supply == GasValve::Open && outputs.vent == GasValve::Open;
        let to_supply = poll.before.vent == GasValve::Open && outputs.supply == GasValve::Open;
        to_supply || (to_vent && !over && poll.mishap != Mishap::Stop && !poll.reset)
    }

    fn may_feed(&self, poll: &Poll<'_>, sequencer: &Sequencer) -> bool {
        let status = sequencer.status();
        let max = match status.phase {
            Phase::OutputTest => sequencer.rig().raw().safe_pressure_pa as i32,
            _ => poll.pressure_max_pa,
        };
        let seen = matches!(status.far, ChannelState::Pressure(p) if p.pascals() <= max);
        // In a run the supply transducer exposes a wrong far transducer; in an output test, nothing joins the two.
        let told = poll.plant.lie == Lie::None || (poll.two && status.phase != Phase::OutputTest);
        let truly = poll.read.is_none() || !told || poll.plant.far_pascals() <= max;
        let supply = poll.supply_read.is_none_or(|pa| pa <= max);
        seen && truly && supply && status.phase.is_live() && !poll.guard_open
    }

    /// Whether this poll ends a test with air in it: a fault or an abort.
    fn must_open(&self, poll: &Poll<'_>, step: &Step) -> bool {
        let ended = step.events.iter().any(|e| matches!(e, Event::Faulted(_) | Event::Aborted));
        !self.held && self.fed && ended && poll.from.is_live()
    }

    /// Supply shut and the valve commanded open at once, the vent open at the next poll. With the guard open the valve
    /// waits, unless the far side reads full.
    fn not_opened(&self, poll: &Poll<'_>, outputs: Outputs, must_open: bool) -> bool {
        let waits = poll.guard_open && self.full < FULL_READINGS;
        let opens = outputs.supply == GasValve::Shut && (outputs.pilot == Pilot::Fed || waits);
        let excused = self.held || poll.reset || poll.mishap == Mishap::ClockBack;
        let late = self.due && !excused && outputs.vent == GasValve::Shut;
        (must_open && !opens) || late
    }

    /// Before any air was fed the same ends at rest, and at once; with the guard open, the pilot stays as it is.
    fn not_at_rest(&self, poll: &Poll<'_>, step: &Step, must_open: bool) -> bool {
        let ended = step.events.iter().any(|e| matches!(e, Event::Faulted(_) | Event::Aborted));
        let full = self.full == FULL_READINGS;
        let Outputs { supply, vent, pilot } = step.outputs;
        let rests = pilot == Pilot::Exhausted || (poll.guard_open && pilot == poll.before.pilot);
        // A vent that was being shut for the fill opens again at once: no air has come.
        let at_rest = rests && supply == GasValve::Shut && vent == GasValve::Open;
        ended && poll.from.is_live() && !(must_open || self.held || full || at_rest)
    }

    fn moved_unasked(&self, poll: &Poll<'_>, sequencer: &Sequencer, outputs: Outputs) -> bool {
        let opens = poll.before.pilot == Pilot::Exhausted && outputs.pilot == Pilot::Fed;
        let at_rest =
            matches!(poll.from, Phase::StartUp | Phase::Ready | Phase::Swap | Phase::Fault | Phase::EmergencyStopped)
                || poll.begun;
        // A start, or an output test, is a command only where it is accepted.
        let ordered = match poll.command {
            Some(Command::Acknowledge) => true,
            Some(Command::Start(_) | Command::TestOutput(Coil::Pilot)) => poll.from == Phase::Ready,
            _ => false,
        };
        let told = ordered && !poll.guard_open;
        let dwell_us = u64::from(sequencer.rig().raw().safe_dwell_ms) * 1_000;
        let full = poll.from == Phase::StartUp && self.full_us.is_some_and(|span| span >= dwell_us);
        opens && at_rest && !told && !full
    }

    /// With the guard open a hand may be in the ball, unless the far side is full. A single such reading may be
    /// interference. The stop and a reset remove the pilot's power in any state.
    fn moved_on_a_hand(&self, poll: &Poll<'_>, outputs: Outputs) -> bool {
        let full = self.full == FULL_READINGS;
        let lets_out = outputs.pilot == Pilot::Fed && outputs.supply == GasValve::Shut && full;
        let moved = outputs.pilot != poll.before.pilot && poll.mishap != Mishap::Stop && !poll.reset;
        poll.guard_open && moved && !lets_out
    }
}
