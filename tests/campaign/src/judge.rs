//! The judge: knows the true state, keeps the history needed, and reports which rule was broken.

use crate::edge::{self, Word};
use crate::plant::Truth;
use crate::setup::{POLL_US, Setup};
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Command, Inputs, Reading};
use seathold_sequencer::output::{GasValve, Outputs, Pilot};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::verdict::{SideResult, Verdict};
use std::fmt;

/// A rule that can be broken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Broken {
    /// Reported empty, and the far side is full.
    FarFullUnderWord,
    /// Reported empty, and the cavity is full.
    CavityFullUnderWord,
    /// Reported empty, and the supply side is full.
    SupplyFullUnderWord,
    /// Reported empty, and the ball moves.
    MovedUnderWord,
    /// A hand may be in the ball (fittings were reported as safe to loosen, and nothing since that is known to move
    /// it), and the ball moves.
    MovedOnHand,
    /// The pilot was fed with the guard open and the far side truly empty.
    FedAtOpenGuard,
    /// The pilot was released with the guard open: the spring shuts the ball.
    DroppedAtOpenGuard,
    /// Something was energised between an emergency stop and its acknowledgement.
    MovedWhileStopped,
    /// Supply and vent open together.
    BlewThrough,
    /// Supply open for longer than a poll and a sample with the far side above the recipe's maximum.
    FedOverMax,
    /// Tight, and it leaks twice the limit or more.
    TightLeaker,
    /// Leaking, and it leaks less than half the limit.
    LeakingTight,
    /// Tight in a run in which a fault was latched.
    TightAfterFault,
    /// Tight from a window in which the far reading was wrong, or missing for more than half of it.
    TightBlind,
    /// Tight at a pressure that is truly outside the target band.
    TightOutOfBand,
    /// A phase exceeded its limit.
    Outlived,
}

impl Broken {
    /// All of them.
    pub const ALL: [Self; 16] = [
        Self::FarFullUnderWord,
        Self::CavityFullUnderWord,
        Self::SupplyFullUnderWord,
        Self::MovedUnderWord,
        Self::MovedOnHand,
        Self::FedAtOpenGuard,
        Self::DroppedAtOpenGuard,
        Self::MovedWhileStopped,
        Self::BlewThrough,
        Self::FedOverMax,
        Self::TightLeaker,
        Self::LeakingTight,
        Self::TightAfterFault,
        Self::TightBlind,
        Self::TightOutOfBand,
        Self::Outlived,
    ];

    /// As written in `argued.txt`.
    pub const fn name(self) -> &'static str {
        match self {
            Self::FarFullUnderWord => "far-full-under-word",
            Self::CavityFullUnderWord => "cavity-full-under-word",
            Self::SupplyFullUnderWord => "supply-full-under-word",
            Self::MovedUnderWord => "moved-under-word",
            Self::MovedOnHand => "moved-on-hand",
            Self::FedAtOpenGuard => "fed-at-open-guard",
            Self::DroppedAtOpenGuard => "dropped-at-open-guard",
            Self::MovedWhileStopped => "moved-while-stopped",
            Self::BlewThrough => "blew-through",
            Self::FedOverMax => "fed-over-max",
            Self::TightLeaker => "tight-leaker",
            Self::LeakingTight => "leaking-tight",
            Self::TightAfterFault => "tight-after-fault",
            Self::TightBlind => "tight-blind",
            Self::TightOutOfBand => "tight-out-of-band",
            Self::Outlived => "outlived",
        }
    }
}

impl fmt::Display for Broken {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// True state at one poll.
#[derive(Debug)]
pub struct Seen<'a> {
    /// True time, µs.
    pub now: u64,
    /// The disconnect state after the step.
    pub word: Word,
    /// The longest that the phase may last, µs.
    pub limit_us: Option<u64>,
    /// The phase before the step.
    pub before: Phase,
    /// The phase after it.
    pub after: Phase,
    /// The readings.
    pub inputs: &'a Inputs,
    /// The commanded outputs.
    pub outputs: Outputs,
    /// The events.
    pub events: &'a [Event],
    /// At the moment of reading.
    pub truth: Truth,
    /// By how much the far reading is wrong, Pa.
    pub error_pa: f64,
    /// The far reading is an old one, or none.
    pub stale: bool,
    /// Extension of phase limits by clock faults, µs.
    pub slack_us: u64,
    /// The bleed is open.
    pub bleed: bool,
}

/// Polls for which a claim may outlast its basis: a sample, and the poll that reads it.
const GRACE: u8 = 3;
/// This many equal codes in a row are a stuck reading, before it counts for a window.
const STANDS: u32 = 64;
/// An error this large is not the transducer's noise, Pa.
const WRONG_PA: f64 = 200.0;

/// History of a side's trapped gas.
#[derive(Clone, Debug, Default)]
struct Trap {
    faulted: bool,
    hindered: bool,
    bled: bool,
    /// Most that the valve leaked since it was being shut, and least while it was measured.
    most: f64,
    least: f64,
    /// Gas and time when the ball was truly shut, before the supply side was vented.
    shut: Option<(f64, u64)>,
    /// Gas and time when the window began, and the leak over the shortest window of a verdict.
    began: Option<(f64, u64)>,
    leaked: f64,
    /// Every reading since then: time, error, and whether it was an old one, or none.
    readings: Vec<(u64, f64, bool)>,
    /// The last code, how often in a row, and when a stuck reading was last detected.
    code: Option<i32>,
    same: u32,
    stood: Option<u64>,
    /// When there was last no reading.
    unread: Option<u64>,
    out_of_band: bool,
    exit: Option<Exit>,
}

impl Trap {
    /// Whether the window of a verdict, of this length, was not truly read. Readings before it do not matter, if a
    /// stuck or missing reading was detected (a restarted window that is still empty is not reported again), nor those
    /// during the last fit.
    fn blind(&self, window_us: u64) -> bool {
        let before = |at: &u64| self.exit.is_some_and(|exit| window_us <= exit.at - at);
        let later = [self.stood, self.unread].into_iter().flatten().filter(before).max();
        let began = later.or(self.began.map(|(_, at)| at)).unwrap_or(0);
        let ended = began.saturating_add(window_us).saturating_add(2 * POLL_US);
        let window = || self.readings.iter().filter(|(at, ..)| *at > began && *at <= ended);
        // The first reading has no predecessor. A few equal codes in a row cannot be distinguished from noise: the
        // other readings must support the verdict, and the rule on leakers checks whether they did.
        let first = window().next().map_or(0.0, |(_, error, _)| *error);
        let wrong = window().filter(|(_, error, _)| (error - first).abs() > WRONG_PA).count();
        let old = window().filter(|(.., old)| *old).count();
        wrong >= 2 || 2 * old > window().count()
    }
}

#[derive(Clone, Copy, Debug)]
struct Exit {
    phase: Phase,
    at: u64,
    ball: f64,
    content: f64,
}

/// The judge.
#[derive(Clone, Debug)]
pub struct Judge {
    setup: Setup,
    rig: RawRig,
    recipe: RawRecipe,
    word: Word,
    over: [u8; 3],
    over_max: u8,
    hand_in: bool,
    held: bool,
    pilot: Pilot,
    ball: f64,
    entered: u64,
    slack_at_entry: u64,
    trap: Trap,
    /// Of each rule, when it was first broken.
    broken: [Option<u64>; Broken::ALL.len()],
}

const fn pressed(phase: Phase) -> bool {
    matches!(phase, Phase::Isolate | Phase::Vent | Phase::Settle | Phase::Measure)
}

impl Judge {
    /// In its initial state.
    pub fn new(setup: Setup) -> Self {
        Self {
            setup,
            rig: setup.rig(),
            recipe: setup.recipe(),
            word: Word::Pressurised,
            over: [0; 3],
            over_max: 0,
            hand_in: false,
            held: false,
            pilot: Pilot::Exhausted,
            ball: f64::NAN,
            entered: 0,
            slack_at_entry: 0,
            trap: Trap::default(),
            broken: [None; Broken::ALL.len()],
        }
    }

    fn breaks(&mut self, now: u64, rule: Broken, broken: bool) {
        if broken && let Some(place) = self.broken.get_mut(rule as usize) {
            place.get_or_insert(now);
        }
    }

    /// When this rule was first broken.
    pub fn first(&self, rule: Broken) -> Option<u64> {
        self.broken.get(rule as usize).copied().flatten()
    }

    /// The present claim.
    pub const fn word(&self) -> Word {
        self.word
    }

    /// The controller is without power, or restarts: no claim, everything is at rest.
    pub fn dark(&mut self, now: u64, truth: &Truth, slack_us: u64) {
        self.moved(now, truth);
        self.word = Word::Pressurised;
        self.over = [0; 3];
        self.over_max = 0;
        self.pilot = Pilot::Exhausted;
        self.entered = now;
        self.slack_at_entry = slack_us;
        self.trap = Trap::default();
    }

    /// Takes in one poll.
    pub fn see(&mut self, seen: &Seen<'_>) {
        self.moved(seen.now, &seen.truth);
        self.see_side(seen);
        self.see_outputs(seen);
        self.see_word(seen);
        let age = seen.now - self.entered;
        let may = seen.limit_us.map(|l| l + seen.slack_us - self.slack_at_entry + 10 * POLL_US);
        self.breaks(seen.now, Broken::Outlived, may.is_some_and(|most| age > most));
    }

    /// The ball alone, against the claim up to now.
    fn moved(&mut self, now: u64, truth: &Truth) {
        // A lever is moved by that hand.
        let moved = !self.setup.by_hand && (truth.ball - self.ball).abs() > 1e-9;
        self.breaks(now, Broken::MovedUnderWord, moved && self.word.strong());
        self.breaks(now, Broken::MovedOnHand, moved && self.hand_in);
        self.ball = truth.ball;
    }

    fn see_word(&mut self, seen: &Seen<'_>) {
        let word = seen.word;
        let given = word.strong() && !self.word.strong();
        self.word = word;
        if word == Word::Loosen {
            self.hand_in = true;
        }
        // Behind an open guard a hand may still be there, whatever is confirmed.
        let guard_open = self.rig.guard_fitted && !seen.inputs.contacts.guard_closed;
        if seen.inputs.command.is_some_and(edge::hands_off) && seen.after != seen.before && !guard_open {
            self.hand_in = false;
        }
        let most = 1.03 * f64::from(self.rig.safe_pressure_pa) + 50.0;
        let nodes = [
            (Broken::FarFullUnderWord, seen.truth.far),
            (Broken::CavityFullUnderWord, seen.truth.cavity),
            (Broken::SupplyFullUnderWord, seen.truth.line),
        ];
        let mut over = self.over;
        for ((rule, pressure), over) in nodes.into_iter().zip(&mut over) {
            let full = word.strong() && pressure > most;
            *over = if full { over.saturating_add(1) } else { 0 };
            // No grace where it is claimed in this very poll.
            let broken = full && (given || *over > GRACE);
            self.breaks(seen.now, rule, broken);
        }
        self.over = over;
    }

    fn see_outputs(&mut self, seen: &Seen<'_>) {
        let Seen { now, outputs, inputs, .. } = *seen;
        let contacts = inputs.contacts;
        let safe = f64::from(self.rig.safe_pressure_pa);
        self.breaks(now, Broken::BlewThrough, outputs.supply_to_vent());
        let over = outputs.supply == GasValve::Open && seen.truth.far > 1.01 * f64::from(self.recipe.pressure_max_pa);
        self.over_max = if over { self.over_max.saturating_add(1) } else { 0 };
        self.breaks(now, Broken::FedOverMax, self.over_max > GRACE);

        let guard_open = self.rig.guard_fitted && !contacts.guard_closed;
        let ball = guard_open && !self.setup.by_hand;
        let (was, is) = (self.pilot, outputs.pilot);
        self.pilot = is;
        let fed = (was, is) == (Pilot::Exhausted, Pilot::Fed);
        let dropped = (was, is) == (Pilot::Fed, Pilot::Exhausted);
        self.breaks(now, Broken::FedAtOpenGuard, ball && fed && seen.truth.far < safe);
        self.breaks(now, Broken::DroppedAtOpenGuard, ball && dropped && !contacts.stop);

        if contacts.stop {
            self.held = true;
        } else if inputs.command == Some(Command::Acknowledge) && !guard_open {
            self.held = false;
        }
        let energised = outputs.pilot == Pilot::Fed || outputs.supply == GasValve::Open;
        self.breaks(now, Broken::MovedWhileStopped, self.held && energised);
    }

    fn see_side(&mut self, seen: &Seen<'_>) {
        if pressed(seen.before) {
            self.see_trapped(seen);
        }
        for event in seen.events {
            match event {
                Event::Faulted(_) => self.trap.faulted = true,
                Event::Entered { phase, side } => {
                    self.entered = seen.now;
                    self.slack_at_entry = seen.slack_us;
                    match phase {
                        Phase::Precheck if side.is_some() => self.trap = Trap { least: f64::MAX, ..Trap::default() },
                        Phase::Measure => self.window(seen),
                        _ => {}
                    }
                    if pressed(seen.before) && !pressed(*phase) {
                        self.trap.exit = Some(Exit {
                            phase: seen.before,
                            at: seen.now,
                            ball: seen.truth.ball,
                            content: seen.truth.content,
                        });
                    }
                }
                Event::Restarted(_) => self.window(seen),
                Event::SideFinished(result) => self.judge_side(seen.now, result),
                _ => {}
            }
        }
    }

    /// A window of readings restarts.
    fn window(&mut self, seen: &Seen<'_>) {
        self.trap = Trap {
            began: Some((seen.truth.content, seen.now)),
            leaked: 0.0,
            least: f64::MAX,
            readings: Vec::new(),
            stood: None,
            unread: None,
            out_of_band: false,
            ..std::mem::take(&mut self.trap)
        };
    }

    fn see_trapped(&mut self, seen: &Seen<'_>) {
        let truth = &seen.truth;
        let trap = &mut self.trap;
        trap.hindered |= truth.hindered;
        trap.bled |= seen.bleed;
        trap.most = trap.most.max(truth.stated_leak).max(truth.meant_leak);
        if truth.ball > 0.0 {
            trap.shut = None;
        } else if trap.shut.is_none() && seen.before == Phase::Isolate {
            trap.shut = Some((truth.content, seen.now));
        }
        if let Reading::Sample(sample) = seen.inputs.far {
            trap.same = if trap.code.replace(sample.counts) == Some(sample.counts) { trap.same + 1 } else { 1 };
        }
        if seen.before == Phase::Measure {
            trap.least = trap.least.min(truth.meant_leak);
            trap.readings.push((seen.now, seen.error_pa, seen.stale));
            if let Some((content, at)) = trap.began {
                let age = seen.now - at;
                if age <= u64::from(self.recipe.measure_ms_min) * 1_000 {
                    trap.leaked = (content - truth.content) / (age.max(1) as f64 / 1e6);
                }
            }
            if !matches!(seen.inputs.far, Reading::Sample(_)) {
                trap.unread = Some(seen.now);
            }
            if trap.same >= STANDS {
                trap.stood = Some(seen.now);
            }
            let off = (truth.far - f64::from(self.recipe.target_pa)).abs();
            trap.out_of_band |= off > f64::from(self.recipe.target_tolerance_pa) + 1_000.0;
        }
    }

    fn judge_side(&mut self, now: u64, result: &SideResult) {
        let limit = self.setup.limit();
        let trap = std::mem::take(&mut self.trap);
        let leaked = |from: Option<(f64, u64)>| match (from, trap.exit) {
            (Some((content, at)), Some(exit)) if exit.at > at + 100_000 => {
                Some((content - exit.content) / ((exit.at - at) as f64 / 1e6))
            }
            _ => None,
        };
        match result.verdict {
            Verdict::Tight => {
                self.breaks(now, Broken::TightLeaker, trap.least > 2.0 * limit || trap.leaked > 2.0 * limit);
                self.breaks(now, Broken::TightAfterFault, trap.faulted);
                let window_us = result.estimate.map_or(u64::MAX, |f| u64::from(f.window_ms) * 1_000);
                self.breaks(now, Broken::TightBlind, trap.blind(window_us));
                self.breaks(now, Broken::TightOutOfBand, trap.out_of_band);
            }
            Verdict::Leaking => {
                let sound = trap.most < 0.5 * limit && !trap.bled;
                let shut = trap.exit.is_some_and(|e| e.ball == 0.0 || e.phase == Phase::Isolate) && !trap.hindered;
                let held = trap.shut.is_some() && leaked(trap.shut).is_some_and(|l| l < 0.5 * limit);
                self.breaks(now, Broken::LeakingTight, sound && (shut || held));
            }
            Verdict::Undecided | Verdict::Void => {}
        }
        self.trap = trap;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use seathold_sequencer::event::Fault;
    use seathold_sequencer::input::Side;
    use seathold_sequencer::verdict::Reason;

    /// A rig with everything, without any fault: each test gives the judge one.
    struct Bench {
        judge: Judge,
        now: u64,
        inputs: Inputs,
        truth: Truth,
        outputs: Outputs,
        word: Word,
        before: Phase,
        phase: Phase,
        error_pa: f64,
        stale: bool,
    }

    const EMPTY: Truth = Truth {
        far: 0.0,
        cavity: 0.0,
        line: 0.0,
        ball: 0.0,
        content: 1.0,
        stated_leak: 0.0,
        meant_leak: 0.0,
        hindered: false,
    };

    impl Bench {
        fn new() -> Self {
            let setup = "air/tight/45cm3/swg/1".parse().expect("valid");
            Self {
                judge: Judge::new(setup),
                now: 0,
                inputs: Inputs::IDLE,
                truth: EMPTY,
                outputs: Outputs::REST,
                word: Word::Pressurised,
                before: Phase::Ready,
                phase: Phase::Ready,
                error_pa: 0.0,
                stale: false,
            }
        }

        fn polls(&mut self, many: u32, events: &[Event]) {
            for i in 0..many {
                self.now += POLL_US;
                self.judge.see(&Seen {
                    now: self.now,
                    word: self.word,
                    limit_us: (self.phase == Phase::Settle).then_some(100_000),
                    before: self.before,
                    after: self.phase,
                    inputs: &self.inputs,
                    outputs: self.outputs,
                    events: if i == 0 { events } else { &[] },
                    truth: self.truth,
                    error_pa: self.error_pa,
                    stale: self.stale,
                    slack_us: 0,
                    bleed: false,
                });
                self.inputs.command = None;
                self.before = self.phase;
            }
        }

        fn enter(&mut self, phase: Phase) {
            self.phase = phase;
            self.polls(1, &[Event::Entered { phase, side: Some(Side::First) }]);
        }

        /// A side from precheck to the end of its measurement, with this happening in it.
        fn side(&mut self, while_measured: impl Fn(&mut Self)) {
            self.enter(Phase::Precheck);
            self.truth = Truth { far: 600_000.0, cavity: 600_000.0, ..self.truth };
            self.enter(Phase::Isolate);
            self.polls(20, &[]);
            self.enter(Phase::Vent);
            self.enter(Phase::Measure);
            for _ in 0..30 {
                while_measured(self);
                self.polls(1, &[]);
            }
            self.enter(Phase::SafeVent);
            self.truth = Truth { far: 0.0, cavity: 0.0, ..self.truth };
        }

        fn judged(&mut self, verdict: Verdict) {
            let result = SideResult {
                side: Side::First,
                verdict,
                reason: Reason::Measured,
                estimate: None,
                isolated_at: None,
                fall_pa: 0,
                after_ms: 0,
            };
            self.polls(1, &[Event::SideFinished(result)]);
        }

        fn broken(&self) -> Vec<Broken> {
            Broken::ALL.into_iter().filter(|b| self.judge.first(*b).is_some()).collect()
        }
    }

    #[test]
    fn a_sound_side_breaks_nothing() {
        let mut bench = Bench::new();
        bench.side(|_| {});
        bench.judged(Verdict::Tight);
        bench.word = Word::Empty;
        bench.polls(10, &[]);
        assert_eq!(bench.broken(), []);
    }

    #[test]
    fn a_word_over_a_full_side_is_broken_at_once_and_one_not_taken_back_after_a_sample() {
        for (rule, full) in [
            (Broken::FarFullUnderWord, Truth { far: 4_000.0, ..EMPTY }),
            (Broken::CavityFullUnderWord, Truth { cavity: 4_000.0, ..EMPTY }),
            (Broken::SupplyFullUnderWord, Truth { line: 4_000.0, ..EMPTY }),
        ] {
            let mut bench = Bench::new();
            (bench.truth, bench.word) = (full, Word::Empty);
            bench.polls(1, &[]);
            assert_eq!(bench.broken(), [rule]);

            let mut bench = Bench::new();
            bench.word = Word::Empty;
            bench.polls(5, &[]);
            bench.truth = full;
            bench.polls(3, &[]);
            assert_eq!(bench.broken(), []);
            bench.polls(1, &[]);
            assert_eq!(bench.broken(), [rule]);
        }
    }

    #[test]
    fn a_ball_that_moves_under_the_word_or_on_a_hand() {
        let mut bench = Bench::new();
        bench.word = Word::Empty;
        bench.polls(2, &[]);
        bench.truth.ball = 0.1;
        bench.polls(1, &[]);
        assert_eq!(bench.broken(), [Broken::MovedUnderWord]);

        let mut bench = Bench::new();
        bench.word = Word::Loosen;
        bench.polls(2, &[]);
        bench.word = Word::Pressurised;
        bench.polls(2, &[]);
        bench.truth.ball = 0.1;
        bench.polls(1, &[]);
        assert_eq!(bench.broken(), [Broken::MovedOnHand]);
    }

    #[test]
    fn a_start_takes_the_hand_out_of_the_ball() {
        let mut bench = Bench::new();
        bench.word = Word::Loosen;
        bench.polls(2, &[]);
        (bench.word, bench.phase) = (Word::Pressurised, Phase::Precheck);
        bench.inputs.command = Some(Command::Start(seathold_sequencer::input::Sides::Both));
        bench.polls(2, &[]);
        bench.truth.ball = 0.1;
        bench.polls(1, &[]);
        assert_eq!(bench.broken(), []);
    }

    #[test]
    fn an_open_guard_lets_the_pilot_be_fed_only_over_a_full_far_side() {
        for (far, broken) in [(0.0, true), (600_000.0, false)] {
            let mut bench = Bench::new();
            bench.inputs.contacts.guard_closed = false;
            bench.truth.far = far;
            bench.polls(1, &[]);
            bench.outputs = Outputs::OPEN_TO_VENT;
            bench.polls(1, &[]);
            assert_eq!(bench.broken(), if broken { vec![Broken::FedAtOpenGuard] } else { vec![] });
            bench.judge.broken = Bench::new().judge.broken;
            bench.outputs = Outputs::REST;
            bench.polls(1, &[]);
            assert_eq!(bench.broken(), [Broken::DroppedAtOpenGuard]);
        }
    }

    #[test]
    fn the_stop_holds_until_it_is_acknowledged_released_and_behind_a_closed_guard() {
        for (stop, guard_closed, broken) in [(false, true, false), (true, true, true), (false, false, true)] {
            let mut bench = Bench::new();
            bench.inputs.contacts.stop = true;
            bench.polls(2, &[]);
            bench.inputs.contacts.stop = stop;
            bench.inputs.contacts.guard_closed = guard_closed;
            bench.inputs.command = Some(Command::Acknowledge);
            bench.polls(1, &[]);
            bench.inputs.contacts = Inputs::IDLE.contacts;
            bench.truth.far = 600_000.0;
            bench.outputs = Outputs::OPEN_TO_VENT;
            bench.polls(1, &[]);
            assert_eq!(bench.broken().contains(&Broken::MovedWhileStopped), broken, "{stop} {guard_closed}");
        }
    }

    #[test]
    fn outputs_that_blow_through_or_feed_too_much() {
        let mut bench = Bench::new();
        bench.outputs = Outputs { supply: GasValve::Open, vent: GasValve::Open, pilot: Pilot::Exhausted };
        bench.polls(1, &[]);
        assert_eq!(bench.broken(), [Broken::BlewThrough]);

        let mut bench = Bench::new();
        bench.outputs = Outputs { supply: GasValve::Open, vent: GasValve::Shut, pilot: Pilot::Fed };
        bench.truth.far = 720_000.0;
        bench.polls(3, &[]);
        assert_eq!(bench.broken(), []);
        bench.polls(1, &[]);
        assert_eq!(bench.broken(), [Broken::FedOverMax]);
    }

    #[test]
    fn a_phase_that_outlives_its_limit() {
        let mut bench = Bench::new();
        bench.enter(Phase::Settle);
        bench.polls(20, &[]);
        assert_eq!(bench.broken(), []);
        bench.polls(1, &[]);
        assert_eq!(bench.broken(), [Broken::Outlived]);
    }

    #[test]
    fn a_tight_verdict_on_a_leak_however_it_leaks() {
        let mut bench = Bench::new();
        bench.truth.meant_leak = 2.1 * bench.judge.setup.limit();
        bench.side(|_| {});
        bench.judged(Verdict::Tight);
        assert_eq!(bench.broken(), [Broken::TightLeaker]);

        let mut bench = Bench::new();
        bench.side(|b| b.truth.content -= 2.1 * b.judge.setup.limit() * POLL_US as f64 / 1e6);
        bench.judged(Verdict::Tight);
        assert_eq!(bench.broken(), [Broken::TightLeaker]);
    }

    #[test]
    fn a_tight_verdict_on_readings_that_were_none() {
        for (rule, spoil) in [
            (Broken::TightBlind, (|b: &mut Bench| b.stale = true) as fn(&mut Bench)),
            (Broken::TightBlind, |b| b.error_pa += 100.0),
            (Broken::TightOutOfBand, |b| b.truth.far = 570_000.0),
        ] {
            let mut bench = Bench::new();
            bench.side(spoil);
            bench.judged(Verdict::Tight);
            assert_eq!(bench.broken(), [rule]);
        }
    }

    #[test]
    fn a_tight_verdict_after_a_fault() {
        let mut bench = Bench::new();
        bench.side(|_| {});
        bench.polls(1, &[Event::Faulted(Fault::GuardOpen)]);
        bench.judged(Verdict::Tight);
        assert_eq!(bench.broken(), [Broken::TightAfterFault]);
    }

    #[test]
    fn a_leaking_verdict_on_a_tight_valve_but_not_on_one_that_did_not_shut() {
        for (ball, hindered, broken) in [(0.0, false, true), (0.0, true, true), (0.5, true, false)] {
            let mut bench = Bench::new();
            (bench.truth.ball, bench.truth.hindered) = (ball, hindered);
            bench.side(|_| {});
            bench.judged(Verdict::Leaking);
            assert_eq!(bench.broken().contains(&Broken::LeakingTight), broken, "{ball} {hindered}");
        }
    }
}
