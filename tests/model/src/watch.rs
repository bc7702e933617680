//! The judge: remembers what must be remembered to say whether a rule was kept, and sees the true pressure.
//!
//! It shares nothing with the sequencer but the words of its inputs and outputs.

use seathold_sequencer::event::{Disconnect, Event, Phase};
use seathold_sequencer::input::{Command, Known, Side};
use seathold_sequencer::limits::EVENTS_MAX;
use seathold_sequencer::output::{Gate, Outputs};
use seathold_sequencer::step::{Sequencer, Step};
use seathold_sequencer::verdict::Verdict;

use crate::plant::{Leak, Level, Plant};
use crate::world::Mishap;

/// The rules of `docs/rig-and-safety.md`, as far as this world can break them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Rule {
    /// 1: supply and vent open together.
    BlewThrough,
    /// 1, 5: air let in with the far side unknown, or above the maximum, or outside a test.
    FedBlind,
    /// 2: after a fault, abort or reset, the valve was not opened into the vent at once.
    NotOpenedToVent,
    /// 2: something moved between an emergency stop and its release and acknowledgement.
    MovedWhileHeld,
    /// 3: shown safe without having been measured empty, by a healthy transducer, for the whole dwell.
    UnsafeShownSafe,
    /// 3: shown safe with the ball's cavity still full.
    CavityFull,
    /// 4: a fault forgotten without its acknowledgement, or an acknowledgement that skipped the safe vent.
    FaultForgotten,
    /// 6: a phase outlived its limit.
    Outlived,
    /// 9: called tight although a fault touched the run, or although it leaks.
    FalselyTight,
    /// 9: a verdict given before the far side was seen empty.
    JudgedFull,
    /// More events than the list is sure to hold.
    EventsLost,
}

/// What the judge remembers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Watch {
    /// Healthy readings of an empty far side span this long, in microseconds, up to the dwell; `None` without one.
    empty_us: Option<u64>,
    /// How long ago the last of them was, up to just too long.
    unread_us: u64,
    /// Stopped, and not yet released and acknowledged.
    held: bool,
    /// A fault waits for its acknowledgement.
    owed: bool,
    /// A fault, or what must become one, touched the run.
    touched: bool,
    /// Age of the phase in microseconds; 0 where it has no limit.
    age_us: u64,
    /// What was broken at the last poll.
    pub broken: Option<Rule>,
}

/// What happened at one poll, as it truly was.
#[derive(Debug)]
pub struct Poll<'a> {
    pub mishap: Mishap,
    pub command: Option<Command>,
    /// The transducer gave a new and healthy reading.
    pub read: bool,
    /// The controller was reset before this poll.
    pub reset: bool,
    /// Time since the last poll, in microseconds; `None` if the clock went back.
    pub took_us: Option<u64>,
    /// Phase before.
    pub from: Phase,
    pub plant: &'a Plant,
    /// The ball is sure to make the strokes it is told to: it is not worked by hand and never jams. A stroke that was
    /// not made cannot be seen on this rig.
    pub strokes: bool,
}

impl Watch {
    pub const NEW: Self =
        Self { empty_us: None, unread_us: 0, held: false, owed: false, touched: false, age_us: 0, broken: None };

    /// Takes in one poll and its step.
    pub fn see(&mut self, poll: &Poll<'_>, sequencer: &Sequencer, step: &Step) {
        if poll.reset {
            *self = Self::NEW;
        }
        self.broken = None;
        self.see_pressure(poll, sequencer);
        let stopped = poll.mishap == Mishap::Stop;
        self.held = stopped || (self.held && poll.command != Some(Command::Acknowledge));
        let harmful = matches!(poll.mishap, Mishap::GuardOpen | Mishap::ClockBack | Mishap::Stall)
            || (poll.read && poll.plant.far == Level::Over);
        self.touched |= stopped || (harmful && poll.from.is_live());
        self.age_us = match poll.took_us {
            Some(took) => self.age_us + took,
            None => 0,
        };
        for event in &step.events {
            self.hear(event, poll);
        }
        if sequencer.limit().is_none() {
            self.age_us = 0;
        }
        self.judge(poll, sequencer, step);
    }

    fn see_pressure(&mut self, poll: &Poll<'_>, sequencer: &Sequencer) {
        let safe = sequencer.rig().raw().safe_pa as i32;
        let dwell_us = u64::from(sequencer.rig().raw().safe_dwell_ms) * 1_000;
        let stale_us = 5 * crate::world::POLL_US;
        let unbroken = poll.took_us.is_some_and(|t| t <= u64::from(sequencer.rig().raw().stall_ms_max) * 1_000);
        if !unbroken || poll.mishap == Mishap::Sick {
            self.empty_us = None;
        }
        self.unread_us = (self.unread_us + poll.took_us.unwrap_or(0)).min(stale_us + crate::world::POLL_US);
        // A hole is noticed at a poll that still brings nothing.
        if !poll.read && self.unread_us > stale_us {
            self.empty_us = None;
        }
        if poll.read {
            self.empty_us = (poll.plant.far_pascals() < safe)
                .then(|| self.empty_us.map_or(0, |span| (span + self.unread_us).min(dwell_us)));
            self.unread_us = 0;
        }
    }

    fn hear(&mut self, event: &Event, poll: &Poll<'_>) {
        match event {
            Event::Faulted(_) => (self.owed, self.touched) = (true, true),
            Event::Acknowledged => self.owed = false,
            Event::Entered { phase, side } => {
                self.age_us = 0;
                if (*phase, *side) == (Phase::Precheck, Some(Side::First)) {
                    self.touched = false;
                }
            }
            Event::Judged(result) => {
                let tight = result.verdict == Verdict::Tight;
                if tight && (self.touched || poll.plant.leak != Leak::None) {
                    self.broken = Some(Rule::FalselyTight);
                }
                if result.verdict != Verdict::Void && poll.read && poll.plant.far != Level::Empty {
                    self.broken = Some(Rule::JudgedFull);
                }
            }
            _ => {}
        }
    }

    fn judge(&mut self, poll: &Poll<'_>, sequencer: &Sequencer, step: &Step) {
        let Step { outputs, .. } = *step;
        let status = sequencer.status();
        let rules = [
            (Rule::BlewThrough, outputs.blows_through()),
            (Rule::FedBlind, outputs.supply == Gate::Open && !self.may_feed(poll, sequencer)),
            (Rule::NotOpenedToVent, self.must_open(poll, step) && outputs != Outputs::OPEN_TO_VENT),
            (Rule::MovedWhileHeld, self.held && (outputs != Outputs::REST || status.phase != Phase::Held)),
            (Rule::UnsafeShownSafe, status.disconnect == Disconnect::Safe && !self.was_dwelt(sequencer)),
            (Rule::CavityFull, status.disconnect == Disconnect::Safe && poll.plant.cavity && poll.strokes),
            (Rule::FaultForgotten, self.owed && (status.fault.is_none() || status.phase == Phase::Ready)),
            (
                Rule::Outlived,
                sequencer.limit().is_some_and(|most| self.age_us > most.as_ticks() + 2 * crate::world::POLL_US),
            ),
            (Rule::EventsLost, step.events.len() >= EVENTS_MAX),
        ];
        if let Some((rule, _)) = rules.iter().find(|(_, broken)| *broken) {
            self.broken = Some(*rule);
        }
    }

    fn may_feed(&self, poll: &Poll<'_>, sequencer: &Sequencer) -> bool {
        let status = sequencer.status();
        let max = match status.phase {
            Phase::Work => sequencer.rig().raw().safe_pa as i32,
            _ => sequencer.recipe().map_or(0, |r| r.raw().max_pa) as i32,
        };
        let seen = matches!(status.far, Known::Pressure(p) if p.pascals() <= max);
        let truly = !poll.read || poll.plant.far_pascals() <= max;
        seen && truly && status.phase.is_live() && poll.mishap != Mishap::GuardOpen
    }

    /// Whether this poll has to end with the valve opened into the vent: a reset, an abort or a fault.
    fn must_open(&self, poll: &Poll<'_>, step: &Step) -> bool {
        let ended = step.events.iter().any(|e| matches!(e, Event::Faulted(_) | Event::Aborted));
        let from_rest = poll.from == Phase::Swap;
        !self.held && ((ended && !from_rest && poll.from != Phase::SafeVent) || poll.reset)
    }

    fn was_dwelt(&self, sequencer: &Sequencer) -> bool {
        let dwell_us = u64::from(sequencer.rig().raw().safe_dwell_ms) * 1_000;
        self.empty_us.is_some_and(|span| span >= dwell_us)
    }
}
