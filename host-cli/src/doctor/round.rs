//! The checks, in order: air shut off, then inputs, then outputs one by one, then that nothing is left energised.

use seathold_sequencer::event::{Fault, Phase};
use seathold_sequencer::input::Command;
use seathold_sequencer::link::message::{Answer, Order};
use seathold_sequencer::output::{Coil, Gate, Outputs, Pilot};
use seathold_sequencer::recipe::RawRecipe;

use super::bench::{Bench, Halt};
use super::check::{Checks, Outcome, Subject};
use super::person::{Person, Said};
use super::view::View;
use crate::console::Console;
use crate::summary::wrapped;
use crate::words;

/// How long readings are watched, in microseconds.
const WATCH_US: u64 = 2_000_000;

/// Fewest readings a judgement rests on; as in the precheck.
const SAMPLES_MIN: u32 = 8;

/// Longest a safe vent with all its strokes is waited for, in microseconds.
const READY_US: u64 = 120_000_000;

/// How long a far-side transducer is given to come back, or a stop to be released, in microseconds: without that the
/// controller will not become ready.
const HOPELESS_US: u64 = 5_000_000;

/// Longest an output may take to be given back by the controller, in microseconds: twice what it gives it.
const WORK_US: u64 = 5_000_000;

/// What the simulated person gives a contact to be seen, in microseconds.
const SEEN_US: u64 = 2_000_000;

/// A workshop's temperatures, in kelvin: our judgement of what is no mistake of the wiring.
const ROOM_K: std::ops::RangeInclusive<f64> = 258.15..=333.15;

/// One check of a rig.
#[derive(Debug)]
pub struct Round {
    /// The rig.
    pub bench: Bench,
    /// Who is at it.
    pub person: Person,
    /// What came of it so far.
    pub checks: Checks,
    /// How far an empty rig may be off zero, and how much it may scatter: as its precheck will demand.
    pub recipe: RawRecipe,
    /// The controller can work single outputs.
    pub works: bool,
}

impl Round {
    /// All of it.
    ///
    /// # Errors
    /// When it ends early; what was found until then stands in [`Round::checks`].
    pub fn run(&mut self, console: &mut Console<'_>) -> Result<(), Halt> {
        self.air_off(console)?;
        for subject in self.checks.subjects() {
            match subject {
                Subject::FarReadings => self.readings(console, subject, 0)?,
                Subject::SupplyReadings => self.readings(console, subject, 1)?,
                Subject::Thermometer => self.thermometer(console)?,
                Subject::Stop => self.stop(console)?,
                Subject::Guard => self.guard(console)?,
                Subject::ShutSwitch => self.shut_switch(console)?,
                Subject::FarWire => self.wire(console, subject, 0)?,
                Subject::SupplyWire => self.wire(console, subject, 1)?,
                Subject::Output(coil) => self.output(console, coil)?,
                Subject::Rest => self.rest(console)?,
            }
        }
        Ok(())
    }

    /// After it ended early: nothing may be left energised. False when that could not be seen.
    pub fn leave(&mut self, console: &mut Console<'_>) -> bool {
        let is_quiet = |view: &View| {
            view.is_at_rest() && matches!(view.phase, Phase::Ready | Phase::Fault | Phase::Held | Phase::Swap)
        };
        let aborted =
            self.bench.view.phase == Phase::Work && self.bench.order(console, &Order::Operate(Command::Abort)).is_err();
        let quiet = !aborted && matches!(self.bench.until(console, READY_US, is_quiet), Ok(true));
        if quiet {
            self.checks.note(Subject::Rest, Outcome::Good, "everything at rest");
        } else {
            self.checks.note(Subject::Rest, Outcome::Failed, "not seen at rest: switch the solenoids' supply off");
        }
        quiet
    }

    /// Says what it is about, and what to do.
    fn title(&self, console: &mut Console<'_>, subject: Subject, text: &str) -> Result<(), Halt> {
        let mut line = String::new();
        wrapped(&mut line, subject.name(), 22, text);
        write!(console.err, "{line}")?;
        Ok(())
    }

    fn note(&mut self, console: &mut Console<'_>, subject: Subject, outcome: Outcome, seen: &str) -> Result<(), Halt> {
        say(console, &format!("{}: {seen}", outcome.word()))?;
        self.checks.note(subject, outcome, seen);
        Ok(())
    }

    /// Puts a question; what was typed before it is no answer to it.
    fn ask(&self, console: &mut Console<'_>, text: &str) -> Result<(), Halt> {
        self.person.hush(console)?;
        say(console, text)
    }

    fn air_off(&mut self, console: &mut Console<'_>) -> Result<(), Halt> {
        let fits = |said| matches!(said, Said::Yes | Said::No);
        self.ask(
            console,
            "Shut the shop air off at the wall, let it out of the line, and open the hand bleed at the transducer. \
             Nobody's hand near the ball: the controller moves it. Done? y, or n to stop here (q at any time).",
        )?;
        if self.person.answer(&mut self.bench, console, fits)? == Said::No {
            return Err(Halt::GivenUp);
        }
        self.person.shut_air(&mut self.bench);
        Ok(())
    }

    /// Waits until the controller is ready and empty, answering what it asks. False where it does not get there.
    fn settle(&mut self, console: &mut Console<'_>) -> Result<bool, Halt> {
        let began = self.bench.remote.now(console.clock);
        let mut told = None;
        loop {
            let view = &self.bench.view;
            if view.is_ready() {
                return Ok(true);
            }
            let (phase, ask, fault) = (view.phase, view.ask, view.fault);
            let fresh = told != Some((phase, ask));
            if fresh {
                told = Some((phase, ask));
                match (phase, ask) {
                    (Phase::SafeVent, Some(ask)) => {
                        let hand = words::asked(ask);
                        self.ask(
                            console,
                            &format!("(the valve is opened into the vent; if it has a lever, {hand}, then Enter)"),
                        )?;
                    }
                    (Phase::SafeVent, None) => {
                        say(console, "(the valve is opened into the vent)")?;
                    }
                    (Phase::Fault | Phase::Held | Phase::Trapped, _) => {
                        let why = fault.map_or_else(String::new, latched);
                        self.ask(
                            console,
                            &format!("latched: {why}. Hands clear of the ball, then Enter acknowledges"),
                        )?;
                    }
                    _ => {}
                }
            }
            let command = match (phase, ask) {
                (Phase::SafeVent, Some(ask)) => Some(Command::Confirm(ask)),
                (Phase::Fault | Phase::Held | Phase::Trapped, _) => Some(Command::Acknowledge),
                _ => None,
            };
            if let Some(command) = command
                && self.agreed(console, fresh)?
            {
                let _ = self.bench.order(console, &Order::Operate(command))?;
                self.bench.until(console, SEEN_US, |view| (view.phase, view.ask) != (phase, ask))?;
            }
            let waited = self.bench.remote.now(console.clock).saturating_sub(began);
            let view = &self.bench.view;
            let hopeless = !view.is_healthy(0) || view.contacts().is_some_and(|c| c.stop);
            if waited >= READY_US || (waited >= HOPELESS_US && hopeless) {
                return Ok(false);
            }
            self.bench.look(console)?;
        }
    }

    /// Whether the person has said yes; the simulated one says so once, when first asked.
    fn agreed(&mut self, console: &mut Console<'_>, fresh: bool) -> Result<bool, Halt> {
        if self.person == Person::Simulated {
            return Ok(fresh);
        }
        Ok(matches!(self.person.said(console)?, Some(Said::Enter | Said::Yes)))
    }

    fn readings(&mut self, console: &mut Console<'_>, subject: Subject, channel: usize) -> Result<(), Halt> {
        self.title(console, subject, "two seconds of the empty rig")?;
        self.bench.view.begin();
        self.bench.until(console, WATCH_US, |_| false)?;
        let Some(spread) = self.bench.view.spreads.get(channel).copied() else { return Ok(()) };
        let RawRecipe { zero_band_pa, spread_max_pa, .. } = self.recipe;
        let seen = if spread.samples > 0 {
            format!("{} readings, mean {} Pa, spread {} Pa", spread.samples, spread.mean(), spread.width())
        } else {
            "no healthy reading".into()
        };
        // Of the supply side no test needs the zero; that it is empty it must show.
        let band = if channel == 0 { zero_band_pa } else { self.bench.rig.raw().safe_pa };
        let wrong = if spread.sick > 0 {
            Some(format!("{} times sick, or impossible", spread.sick))
        } else if spread.samples < SAMPLES_MIN {
            Some("too few: is it wired?".into())
        } else if spread.holes > 0 {
            Some(format!("{} conversions missing or repeated", spread.holes))
        } else if spread.mean().unsigned_abs() > band {
            Some(format!("more than {band} Pa off zero: not empty, or the zero is wrong"))
        } else if channel == 0 && spread.width() > spread_max_pa {
            Some(format!("more than {spread_max_pa} Pa of noise: vibration, or a loose cable"))
        } else {
            None
        };
        match wrong {
            Some(why) => self.note(console, subject, Outcome::Failed, &format!("{seen}; {why}")),
            None => self.note(console, subject, Outcome::Good, &seen),
        }
    }

    fn thermometer(&mut self, console: &mut Console<'_>) -> Result<(), Halt> {
        let subject = Subject::Thermometer;
        self.title(console, subject, "does it read the room's temperature?")?;
        self.bench.view.thermometer = None;
        self.bench.until(console, WATCH_US, |view| view.thermometer.is_some())?;
        let counts = self.bench.view.thermometer;
        let Some((counts, of)) = counts.zip(self.bench.rig.raw().thermometer) else {
            return self.note(console, subject, Outcome::Failed, "no reading came");
        };
        let kelvin = of.temperature(counts).kelvin();
        let outcome = if ROOM_K.contains(&kelvin) { Outcome::Good } else { Outcome::Failed };
        self.note(console, subject, outcome, &format!("{:.1} °C", kelvin - 273.15))
    }

    /// Waits until something is seen that the person was asked to do. `None` when seen; else what they said instead.
    fn watch(
        &mut self,
        console: &mut Console<'_>,
        subject: Subject,
        works: bool,
        seen: impl Fn(&View) -> bool,
    ) -> Result<Option<Said>, Halt> {
        self.person.work(&mut self.bench, subject, works);
        if self.person == Person::Simulated {
            return Ok((!self.bench.until(console, SEEN_US, seen)?).then_some(Said::No));
        }
        loop {
            self.bench.look(console)?;
            if seen(&self.bench.view) {
                return Ok(None);
            }
            match self.person.said(console)? {
                Some(Said::No | Said::Yes | Said::Enter) => return Ok(Some(Said::No)),
                Some(Said::Skip) => return Ok(Some(Said::Skip)),
                Some(Said::Again) | None => {}
            }
        }
    }

    /// There and back again: `there` must be seen when it is worked, `back` when it is let be.
    fn both_ways(
        &mut self,
        console: &mut Console<'_>,
        subject: Subject,
        asks: [&str; 2],
        there: impl Fn(&View) -> bool,
        back: impl Fn(&View) -> bool,
    ) -> Result<bool, Halt> {
        // Whatever state it was found in, what is asked for first must be news.
        if there(&self.bench.view) {
            let seen = format!("seen so already, before it was done: \"{}\"", asks[0]);
            self.note(console, subject, Outcome::Failed, &seen)?;
            return Ok(false);
        }
        self.ask(console, &format!("{}. It is seen by itself (n: done and not seen, s: leave out)", asks[0]))?;
        let outcome = match self.watch(console, subject, true, &there)? {
            Some(said) => Some((said, asks[0])),
            None => {
                self.ask(console, &format!("seen. {}", asks[1]))?;
                self.watch(console, subject, false, &back)?.map(|said| (said, asks[1]))
            }
        };
        match outcome {
            None => Ok(true),
            Some((Said::Skip, _)) => {
                self.note(console, subject, Outcome::NotChecked, "left out")?;
                Ok(false)
            }
            Some((_, what)) => {
                self.note(console, subject, Outcome::Failed, &format!("\"{what}\": done, and not seen"))?;
                Ok(false)
            }
        }
    }

    fn stop(&mut self, console: &mut Console<'_>) -> Result<(), Halt> {
        let subject = Subject::Stop;
        self.title(console, subject, "seen when pressed, everything at rest, and seen when released")?;
        let asks = ["Press it and hold it pressed", "Release it"];
        let pressed = |view: &View| view.contacts().is_some_and(|c| c.stop) && view.phase == Phase::Held;
        let released = |view: &View| view.contacts().is_some_and(|c| !c.stop);
        let done = self.both_ways(console, subject, asks, pressed, released)?;
        let rest = self.bench.view.is_at_rest() && self.bench.view.phase == Phase::Held;
        if done && rest {
            self.note(console, subject, Outcome::Good, "seen both ways; held at rest")?;
        } else if done {
            self.note(console, subject, Outcome::Failed, "seen, but the controller did not stay at rest")?;
        }
        self.settle(console)?;
        Ok(())
    }

    fn guard(&mut self, console: &mut Console<'_>) -> Result<(), Halt> {
        let subject = Subject::Guard;
        self.title(console, subject, "seen when opened, and when closed")?;
        let open = |view: &View| view.contacts().is_some_and(|c| !c.guard_closed);
        let closed = |view: &View| view.contacts().is_some_and(|c| c.guard_closed);
        if self.both_ways(console, subject, ["Open it", "Close it"], open, closed)? {
            self.note(console, subject, Outcome::Good, "seen both ways")?;
        }
        Ok(())
    }

    fn shut_switch(&mut self, console: &mut Console<'_>) -> Result<(), Halt> {
        let subject = Subject::ShutSwitch;
        self.title(console, subject, "made while the valve is shut, as it should be now")?;
        let open = |view: &View| view.contacts().is_some_and(|c| !c.valve_shut);
        let shut = |view: &View| view.contacts().is_some_and(|c| c.valve_shut);
        // No air: the ball does not move, and there are no hands in this program that would.
        if self.person == Person::Simulated && shut(&self.bench.view) {
            return self.note(console, subject, Outcome::Good, "made while the valve is shut");
        }
        let asks = ["Work the switch by hand, as if the valve opened", "Let it go again"];
        if self.both_ways(console, subject, asks, open, shut)? {
            self.note(console, subject, Outcome::Good, "seen both ways")?;
        }
        Ok(())
    }

    fn wire(&mut self, console: &mut Console<'_>, subject: Subject, channel: usize) -> Result<(), Halt> {
        self.title(console, subject, "a transducer unplugged must be seen, and must not be taken for an empty rig")?;
        let sick = move |view: &View| !view.is_healthy(channel);
        let well = move |view: &View| view.is_healthy(channel);
        if self.both_ways(console, subject, ["Pull its plug", "Put it back"], sick, well)? {
            self.note(console, subject, Outcome::Good, "seen both ways")?;
        }
        self.settle(console)?;
        Ok(())
    }

    fn output(&mut self, console: &mut Console<'_>, coil: Coil) -> Result<(), Halt> {
        let subject = Subject::Output(coil);
        let what = match coil {
            Coil::Vent => "shuts for two seconds",
            Coil::Pilot => "feeds the actuator for two seconds; without air only a click",
            Coil::Supply => "opens for two seconds, a moment after the vent has shut: two clicks",
        };
        self.title(console, subject, what)?;
        if !self.works {
            let why = "this controller's program cannot work single outputs";
            return self.note(console, subject, Outcome::NotChecked, why);
        }
        loop {
            if !self.settle(console)? {
                let phase = words::phase_name(self.bench.view.phase);
                let why = format!("the controller does not become ready; it stays in \"{phase}\"");
                return self.note(console, subject, Outcome::NotChecked, &why);
            }
            // Both sides must have read empty for the dwell, which what was checked before may have broken.
            let dwell_us = u64::from(self.bench.rig.raw().safe_dwell_ms) * 1_000;
            self.bench.until(console, dwell_us + dwell_us / 10, |_| false)?;
            self.ask(console, "Listen at it: Enter works it (s: leave out)")?;
            let fits = |said| matches!(said, Said::Enter | Said::Yes | Said::Skip);
            if self.person.answer(&mut self.bench, console, fits)? == Said::Skip {
                return self.note(console, subject, Outcome::NotChecked, "left out");
            }
            if let Some((outcome, wrong)) = self.work(console, coil)? {
                self.note(console, subject, outcome, &wrong)?;
                self.settle(console)?;
                return Ok(());
            }
            self.ask(console, "Did it move? y, n, or a for again")?;
            let fits = |said| matches!(said, Said::Yes | Said::No | Said::Again);
            let said = self.person.answer(&mut self.bench, console, fits)?;
            match self.person.listen(&mut self.bench, coil).unwrap_or(said) {
                Said::Again => {}
                Said::No => {
                    let seen = "nothing moved: coil, wire, driver, the solenoids' supply, or the valve itself";
                    return self.note(console, subject, Outcome::Failed, seen);
                }
                _ => return self.note(console, subject, Outcome::Good, "worked and heard; no read-back differs"),
            }
        }
    }

    /// Has it worked once; what was wrong, if anything. One that the controller would not work is not one that failed.
    fn work(&mut self, console: &mut Console<'_>, coil: Coil) -> Result<Option<(Outcome, String)>, Halt> {
        self.bench.view.begin();
        let answer = self.bench.order(console, &Order::Operate(Command::Work(coil)))?;
        if answer != Answer::Done {
            return Ok(Some((Outcome::NotChecked, format!("the controller said {answer:?}"))));
        }
        let over = |view: &View| {
            let ended = view.refused.is_some() || view.faulted.is_some();
            ended || (view.worked.is_some() && !matches!(view.phase, Phase::Work | Phase::Ready))
        };
        let ended = self.bench.until(console, WORK_US, over)?;
        let view = &self.bench.view;
        if let Some(refusal) = view.refused {
            return Ok(Some((Outcome::NotChecked, format!("refused: {}", words::refused(refusal)))));
        }
        if let Some(fault) = view.faulted {
            let why = match fault {
                Fault::OverPressure | Fault::SupplyOverPressure => {
                    "pressure came: the air is not shut off at the wall, or not let out".into()
                }
                Fault::Output => {
                    "an output reads back otherwise than it was set: a coil, its wire or its driver".into()
                }
                other => words::fault(other).0,
            };
            return Ok(Some((Outcome::Failed, why)));
        }
        if !ended {
            return Ok(Some((Outcome::Failed, "the controller did not let go of it in time".into())));
        }
        let set = view.worked.as_ref().is_some_and(|worked| worked.contains(&energised(coil)));
        Ok((!set).then(|| (Outcome::Failed, "it was never set".into())))
    }

    fn rest(&mut self, console: &mut Console<'_>) -> Result<(), Halt> {
        self.title(console, Subject::Rest, "nothing may be left energised")?;
        let ready = self.settle(console)?;
        self.bench.view.begin();
        self.bench.until(console, WATCH_US / 4, |_| false)?;
        let (outcome, seen) = if !self.bench.view.is_at_rest() && self.bench.view.phase == Phase::SafeVent {
            (Outcome::Failed, "the valve is still held open into the vent: switch the solenoids' supply off")
        } else if !self.bench.view.is_at_rest() {
            (Outcome::Failed, "something is energised: switch the solenoids' supply off")
        } else if !ready || !self.bench.view.is_ready() {
            (Outcome::Failed, "at rest, but the controller is not ready: treat the far side as pressurised")
        } else if self.bench.view.differed {
            (Outcome::Failed, "an output reads back otherwise than at rest: a driver or a coil's wire")
        } else {
            (Outcome::Good, "everything at rest; without a test nothing is proved of the far side")
        };
        self.note(console, Subject::Rest, outcome, seen)
    }
}

/// Talk, wrapped.
fn say(console: &mut Console<'_>, text: &str) -> Result<(), Halt> {
    let mut line = String::new();
    wrapped(&mut line, "", 6, text);
    write!(console.err, "{line}")?;
    Ok(())
}

/// A latched fault in words that fit a rig without air, where over-pressure is any pressure at all.
fn latched(fault: Fault) -> String {
    match fault {
        Fault::OverPressure => "there was pressure on the far side".into(),
        Fault::SupplyOverPressure => "there was pressure on the supply side".into(),
        other => words::fault(other).0,
    }
}

/// What is set while this one is worked.
const fn energised(coil: Coil) -> Outputs {
    match coil {
        Coil::Supply => Outputs { supply: Gate::Open, vent: Gate::Shut, pilot: Pilot::Exhausted },
        Coil::Vent => Outputs { vent: Gate::Shut, ..Outputs::REST },
        Coil::Pilot => Outputs { pilot: Pilot::Fed, ..Outputs::REST },
    }
}
